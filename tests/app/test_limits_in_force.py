"""What a test must have bounded is bounded by something that takes energy away, or the run is refused."""

from dataclasses import replace

import pytest

from benchd.app.limits_in_force import unlimited
from benchd.procedures import PROCEDURES
from benchd.rules.channels import Channel
from benchd.rules.derivations import Derivation, I2t
from benchd.rules.limits import Bound, Limit, Reaction

HEAT = Channel(
    name="heat",
    unit="1",
    device="derived",
    port="i2t",
    signal="heat",
    age_limit_s=0.5,
    derivation=Derivation(rule=I2t(of="dc_current"), look="it"),
)


def limit(channel: str) -> Limit:
    return Limit(
        channel=channel, bound=Bound.HIGH, value=1.0, delay_s=0.0, reaction=Reaction.CUT, origin="b.toml:1 limits.high"
    )


ALL = [limit(name) for name in ("shaft_torque", "shaft_speed", "dc_current", "winding_temperature")]


def missing(kind: str, limits: list[Limit]) -> list[str]:
    return list(unlimited(PROCEDURES[kind], limits, (HEAT,), who="p.toml:7 test.kind (Test)"))


@pytest.mark.parametrize("kind", PROCEDURES)
def test_nothing_is_missing_where_everything_is_bounded(kind: str) -> None:
    assert missing(kind, ALL) == []


@pytest.mark.parametrize(
    ("kind", "channel", "says"),
    [
        ("load", "shaft_torque", "on shaft_torque that"),
        ("load", "shaft_speed", "on shaft_speed that"),
        ("load", "dc_current", "on dc_current or motor_current that"),
        ("rated_point", "winding_temperature", "on winding_temperature or an i2t channel of its current that"),
        ("back_emf", "shaft_speed", "on shaft_speed that"),
    ],
)
def test_what_nothing_bounds_is_named_with_the_test_that_needs_it(kind: str, channel: str, says: str) -> None:
    [sentence] = missing(kind, [one for one in ALL if one.channel != channel])
    assert sentence.startswith("p.toml:7 test.kind (Test) needs an upper limit on ")
    assert says in sentence


@pytest.mark.parametrize("change", [{"reaction": Reaction.WARN}, {"bound": Bound.LOW}, {"bound": Bound.STALE}])
def test_a_bound_that_only_warns_or_stands_on_the_other_side_is_none(change: dict) -> None:
    limits = [replace(one, **change) if one.channel == "shaft_torque" else one for one in ALL]
    assert len(missing("load", limits)) == 1


def test_a_thermal_image_of_the_current_bounds_the_winding_too() -> None:
    limits = [one for one in ALL if one.channel != "winding_temperature"]
    assert missing("rated_point", [*limits, limit("heat")]) == []
