"""A limit is published whole and shown at the terminal as it acts, whether or not it ends further back."""

from dataclasses import replace

import pytest

from benchd.app import heard
from benchd.app.announcing import limit_metas
from benchd.outside.messages import LimitMeta
from benchd.rules.limits import Bound, Limit, Reaction

SLIP = Limit(
    channel="coupling_slip",
    bound=Bound.HIGH,
    value=400.0,
    delay_s=0.1,
    reaction=Reaction.CUT,
    origin="bench.toml:12",
    hysteresis=100.0,
)
SPEED = replace(SLIP, channel="shaft_speed", value=6200.0, hysteresis=0.0)
UNITS = {"coupling_slip": "r/min", "shaft_speed": "r/min"}


def test_a_limit_is_published_with_how_far_back_a_crossing_ends() -> None:
    assert [one.hysteresis for one in limit_metas([SLIP, SPEED])] == [100.0, 0.0]


def test_a_limit_of_a_bench_that_tells_no_hysteresis_is_understood() -> None:
    (whole,) = limit_metas([SPEED])
    older = whole.model_dump(mode="json", exclude={"hysteresis"})
    assert LimitMeta.model_validate(older) == whole


def test_a_hysteresis_has_a_column_at_the_terminal_and_none_where_nobody_has_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("COLUMNS", "120")
    said = heard.limits(limit_metas([SLIP, SPEED]), UNITS)
    assert said.splitlines() == [
        "Limits: bound, how long it must last, how far back a crossing ends, reaction, where it was said",
        "  coupling_slip  above 400 r/min   0.1 s  100  cut  bench.toml:12",
        "  shaft_speed    above 6200 r/min  0.1 s  -    cut  bench.toml:12",
    ]
    said = heard.limits(limit_metas([SPEED]), UNITS)
    assert said.splitlines() == [
        "Limits: bound, how long it must last, reaction, where it was said",
        "  shaft_speed  above 6200 r/min  0.1 s  cut  bench.toml:12",
    ]
    monkeypatch.setenv("COLUMNS", "60")
    assert heard.limits(limit_metas([SLIP]), UNITS).splitlines()[1:] == [
        "  coupling_slip  above 400 r/min  0.1 s  100  cut",
        "      bench.toml:12",
    ]
