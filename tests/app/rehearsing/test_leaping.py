"""Leaps over a dwell against the same dwell played second by second, and what makes them short."""

import asyncio
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from benchd.app.loading import load_all
from benchd.app.rehearsing import session
from benchd.app.rehearsing.leaping import LEAST_S, MOST_K, Pace
from benchd.app.rehearsing.session import Played, play
from benchd.app.rehearsing.twins import twin_for
from benchd.records import SampleColumns, read_samples
from benchd.rules.channels import Quality
from benchd.rules.frames import Sample
from benchd.rules.limits import Bound, Limit, Reaction
from benchd.rules.states import State

DWELL_S = 90.0
PROGRAMME = f"""
schema = 1
name = "dwell"

[[test]]
kind = "rated_point"
supply_voltage_v = 24.0
torque_nm = 0.2
dwell_s = {DWELL_S}
settle_time_s = 0.4
average_time_s = 0.5
speed_band_rpm = 20.0
"""
LIMIT = """
[[limits]]
channel = "winding_temperature"
high = {degc}
delay_s = 0.0
reaction = "ramp_down"
"""


def played(site, into: Path, *, more: str = "") -> tuple[Played, SampleColumns]:
    (site.root / "programmes/vent_flap_acceptance.toml").write_text(PROGRAMME + more, encoding="utf-8")
    bench, run = load_all(*site.files)
    assert run is not None
    done = play(bench, run, twin_for(bench, run), into=into, marks={"rehearsal": {}})
    assert done.folder is not None
    return done, read_samples(done.folder)


@pytest.fixture
def second_by_second(monkeypatch: pytest.MonkeyPatch):
    async def never(*_: object) -> None:
        await asyncio.Event().wait()

    return lambda: monkeypatch.setattr(session, "leap_where_possible", never)


def test_a_dwell_that_was_leapt_over_ends_as_warm_as_one_that_was_played(
    site, tmp_path: Path, second_by_second
) -> None:
    leapt, some = played(site, tmp_path / "leapt")
    second_by_second()
    whole, every = played(site, tmp_path / "whole")
    assert leapt.state is whole.state is State.COMPLETE
    assert leapt.lasted_s == pytest.approx(whole.lasted_s, abs=1.0)
    assert some.time_mono_s.size < 0.5 * every.time_mono_s.size
    for name in ("winding_temperature", "housing_temperature", "run_time"):
        assert some.values[name][-1] == pytest.approx(every.values[name][-1], abs=1.0 if name == "run_time" else 0.15)
    heat = [one.values["winding_heat"] for one in (some, every)]
    assert np.nanmax(heat[0]) == pytest.approx(np.nanmax(heat[1]), rel=0.02)
    assert np.nanmax(heat[1]) > 0.1


def test_no_leap_is_recorded_as_a_stall_and_every_reading_stays_fresh(site, tmp_path: Path) -> None:
    done, samples = played(site, tmp_path / "leapt")
    assert done.sentences == []
    assert np.diff(samples.time_mono_s).max() > 5.0  # it did leap
    events = (done.folder / "events.jsonl").read_text(encoding="utf-8")  # type: ignore[operator]
    assert '"stalled"' not in events
    shown = samples.test >= 0
    assert max(float(ages[shown].max()) for ages in samples.ages_s.values() if np.isfinite(ages[shown]).all()) < 1.0


def test_no_temperature_moves_far_in_one_leap(site, tmp_path: Path) -> None:
    _, samples = played(site, tmp_path / "leapt")
    winding = samples.values["winding_temperature"]
    assert np.nanmax(np.abs(np.diff(winding))) < 2.0 * MOST_K
    assert np.nanmax(winding) - np.nanmin(winding) > 2.0 * MOST_K  # else it has proved nothing


def test_a_trip_within_a_dwell_comes_when_it_would_come_without_leaps(site, tmp_path: Path, second_by_second) -> None:
    more = LIMIT.format(degc=26.0)
    leapt, some = played(site, tmp_path / "leapt", more=more)
    second_by_second()
    whole, every = played(site, tmp_path / "whole", more=more)
    assert leapt.state is whole.state is State.ABORTED
    at_s = [one.time_mono_s[one.values["winding_temperature"] > 26.0][0] for one in (some, every)]
    assert at_s[0] == pytest.approx(at_s[1], abs=2.0)
    assert at_s[1] > 20.0


class Limited:
    """What a pace looks at: one channel without unit that rises by 0.01 a second towards a limit of 1."""

    def __init__(self) -> None:
        limit = Limit(channel="heat", bound=Bound.HIGH, value=1.0, delay_s=0.0, reaction=Reaction.CUT, origin="here")
        self.intake = SimpleNamespace(samples={}, monitor=SimpleNamespace(limits=(limit,)))
        self.plan = SimpleNamespace(channels=())

    def at(self, now_s: float) -> float:
        self.intake.samples["heat"] = Sample(0.01 * now_s, Quality.GOOD, now_s)
        return now_s


def test_a_leap_goes_half_the_way_to_the_limit_that_is_reached_next_and_never_beyond() -> None:
    live: Any = Limited()
    pace, now_s, leaps = Pace(live), 0.0, []
    while now_s < 99.0:
        leaps.append(pace.next_s(live.at(now_s)))
        assert now_s + leaps[-1] <= 100.0
        assert leaps[-1] <= max(LEAST_S, 0.501 * (100.0 - now_s)) or not now_s
        now_s += leaps[-1]
    assert max(leaps) > 8.0  # and it does not crawl
    assert len(leaps) < 20


def test_the_shipped_pump_acceptance_completes(site, tmp_path: Path) -> None:
    files = ("benches/vineyard", "programmes/pump_acceptance", "motors/pump_48v", "setups/pump")
    bench, run = load_all(*(str(site.root / f"{name}.toml") for name in files))
    assert run is not None
    done = play(bench, run, twin_for(bench, run), into=tmp_path / "data", marks={"rehearsal": {}})
    assert (done.state, done.sentences) == (State.COMPLETE, [])
