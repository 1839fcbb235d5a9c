"""Tables [derived.NAME]: what they make, and every mistake in them told with file, line and key."""

from typing import Any

import pytest

from benchd.rules.derivations import COUPLING, DERIVED, Difference, I2t, Product
from benchd.settings.derived_channels import rules_for
from benchd.settings.load import Registry, SettingsError, load_bench, load_motor

DRIVE = """\
[channels.drive_speed]
source = "brake.axis.speed_rpm"
unit = "r/min"
age_limit_s = 0.2
[channels.drive_torque]
source = "brake.axis.torque_nm"
unit = "N·m"
age_limit_s = 0.2
"""
GOOD = """\
[derived.slip]
kind = "difference"
unit = "r/min"
of = "shaft_speed"
against = "drive_speed"
[derived.torque_gap]
kind = "difference"
unit = "N·m"
of = "shaft_torque"
against = "drive_torque"
speed = "drive_speed"
inertia_kgm2 = 2e-4
doubts = ["unit", "coupling"]
look = "the transducer"
[derived.returned]
kind = "energy"
unit = "W·s"
of = "input_power"
[derived.input_power]
kind = "product"
unit = "W"
of = "link_voltage"
by = "dc_current"
[derived.shaft_power]
kind = "product"
unit = "W"
of = "shaft_speed"
by = "shaft_torque"
[derived.winding_heat]
kind = "i2t"
unit = "1"
of = "dc_current"
[derived.warming]
kind = "rate"
unit = "K/s"
of = "winding_temperature"
window_s = 10.0
[derived.frozen]
kind = "stuck"
unit = "s"
of = "shaft_speed"
moving = "drive_speed"
moving_by = 100.0
[derived.run_time]
kind = "run_time"
unit = "s"
age_limit_s = 0.3
"""


@pytest.fixture
def here(site: Any) -> Any:
    text = site.bench.read_text(encoding="utf-8")
    first = text.index("[[limits]]")
    site.bench.write_text(text[:first] + DRIVE + GOOD + text[first:], encoding="utf-8")
    return site


def refused(here: Any, registry: Registry) -> SettingsError:
    with pytest.raises(SettingsError) as caught:
        load_bench(here.bench, registry)
    return caught.value


def test_a_derived_channel_is_a_channel_like_any_other_after_those_it_is_made_of(here: Any, registry: Registry) -> None:
    bench = load_bench(here.bench, registry)
    names = [channel.name for channel in bench.channels()]
    assert names.index("input_power") < names.index("returned")
    slip = bench.channel_by_name["slip"]
    assert (slip.unit, slip.device, slip.port, slip.age_limit_s) == ("r/min", DERIVED, "difference", 0.2)
    assert slip.calibration is None
    assert slip.derivation is not None
    assert slip.derivation.rule == Difference(of="shaft_speed", against="drive_speed")
    assert slip.derivation.devices == ("unit", "brake")
    assert bench.channel_by_name["run_time"].age_limit_s == 0.3
    power = bench.channel_by_name["shaft_power"].derivation
    assert power is not None
    assert power.rule == Product(of="shaft_speed", by="shaft_torque", factor=0.10471975511965977)
    returned = bench.channel_by_name["returned"].derivation
    assert returned is not None
    assert returned.devices == ("unit",)


def test_a_speed_or_torque_difference_doubts_the_coupling_and_a_frozen_value_its_device(
    here: Any, registry: Registry
) -> None:
    channels = load_bench(here.bench, registry).channel_by_name
    doubts = {name: one.derivation.doubts for name, one in channels.items() if one.derivation is not None}
    assert doubts["slip"] == (COUPLING,)
    assert doubts["torque_gap"] == ("unit", COUPLING)
    assert doubts["frozen"] == ("unit",)
    assert doubts["shaft_power"] == ()
    looks = {name: one.derivation.look for name, one in channels.items() if one.derivation is not None}
    assert looks["slip"] == "the coupling, then at unit and brake"
    assert looks["torque_gap"] == "the transducer"


@pytest.mark.parametrize(
    ("old", "new", "key", "says"),
    [
        ('of = "input_power"', 'of = "imput_power"', "derived.returned.of", "did you mean input_power?"),
        ('of = "link_voltage"', 'of = "shaft_torque"', "derived.input_power.by", 'to multiply one in "N·m" by'),
        ('unit = "K/s"', 'unit = "°C/s"', "derived.warming.unit", 'comes out in "K/s"'),
        ('unit = "W·s"', 'unit = "J"', "derived.returned.unit", 'comes out in "W·s"'),
        ('against = "drive_torque"', 'against = "drive_speed"', "derived.torque_gap.against", 'in "N·m"'),
        ('against = "drive_speed"', 'against = "shaft_speed"', "derived.slip.against", "is the same channel"),
        ('speed = "drive_speed"\n', "", "derived.torque_gap.inertia_kgm2", "needs the other one"),
        ("inertia_kgm2 = 2e-4\ndoubts", "doubts", "derived.torque_gap.speed", "needs the other one"),
        ('["unit", "coupling"]', '["units"]', "derived.torque_gap.doubts", "did you mean unit?"),
        ("window_s = 10.0", "window_s = 0.5", "derived.warming.window_s", "write at least 0.8 s"),
        ('kind = "rate"', 'kind = "slope"', "derived.warming.kind", "is no kind of derived channel"),
        ('kind = "rate"\n', "", "derived.warming.kind", "is missing"),
        ("moving_by = 100.0", "moving_by = 0.0", "derived.frozen.moving_by", "must be above 0"),
        ("moving_by", "moved_by", "derived.frozen.moved_by", "did you mean moving_by?"),
        ("[derived.slip]", "[derived.dc_current]", "derived.dc_current", "a measured channel, too"),
        ("[derived.slip]", "[derived.Slip]", "derived.Slip", "lower-case"),
        ("[derived.shaft_power]", "[derived.motor_power]", "derived.motor_power", "evaluation read as a measured"),
        ('by = "shaft_torque"', 'by = "dc_current"', "derived.shaft_power.by", "torque (N·m) by speed"),
    ],
)
def test_each_mistake_is_told_at_its_key(
    here: Any, registry: Registry, old: str, new: str, key: str, says: str
) -> None:
    here.change(here.bench, old, new)
    error = refused(here, registry)
    line = next(
        number
        for number, row in enumerate(here.bench.read_text(encoding="utf-8").splitlines(), 1)
        if row.startswith(f"[{'.'.join(key.split('.')[:2])}]")
    )
    assert key in error.sentence
    assert says in error.sentence
    assert line <= error.line <= line + 8
    assert error.sentence.startswith(f"benches/small.toml:{error.line} {key}")


def test_a_circle_is_told_with_its_way(here: Any, registry: Registry) -> None:
    here.add(
        here.bench,
        '[derived.a]\nkind = "difference"\nunit = "W"\nof = "b"\nagainst = "shaft_power"\n'
        '[derived.b]\nkind = "difference"\nunit = "W"\nof = "shaft_power"\nagainst = "a"\n',
    )
    assert "derived.a.of makes a circle: a -> b -> a" in refused(here, registry).sentence


def test_a_limit_may_name_a_derived_channel_and_has_a_hysteresis(here: Any, registry: Registry) -> None:
    limit = '[[limits]]\nchannel = "slip"\nlow = -100\nhigh = 100\nhysteresis = 20\nreaction = "cut"\n'
    here.add(here.bench, limit)
    assert load_bench(here.bench, registry).limits[-1].hysteresis == 20
    here.change(here.bench, "hysteresis = 20", "hysteresis = 200")
    assert "limits.hysteresis is 200, as much as lies between -100 and 100" in refused(here, registry).sentence
    here.change(here.bench, "low = -100\nhigh = 100\nhysteresis = 200", "stale = true\nhysteresis = 2")
    assert "has no bound to count from" in refused(here, registry).sentence


def test_the_image_of_a_winding_takes_rated_current_and_time_constant_from_the_motor(
    here: Any, registry: Registry
) -> None:
    here.change(here.motor, "max_winding_degc = 120", "max_winding_degc = 120\nthermal_time_constant_s = 45")
    rules = rules_for(load_bench(here.bench, registry), load_motor(here.motor))
    assert rules["winding_heat"] == I2t(of="dc_current", rated=4.2, time_constant_s=45.0)
    assert rules["slip"] == Difference(of="shaft_speed", against="drive_speed")


def test_an_image_without_a_time_constant_is_refused(here: Any, registry: Registry) -> None:
    bench = load_bench(here.bench, registry)
    with pytest.raises(SettingsError) as caught:
        rules_for(bench, load_motor(here.motor))
    assert "derived.winding_heat.time_constant_s is missing, and motors/flap.toml" in caught.value.sentence


def test_an_image_of_a_channel_that_the_motor_does_not_rate_needs_its_own_value(here: Any, registry: Registry) -> None:
    here.change(here.motor, "max_winding_degc = 120", "max_winding_degc = 120\nthermal_time_constant_s = 45")
    here.change(here.bench, 'unit = "1"\nof = "dc_current"', 'unit = "1"\nof = "shaft_torque"')
    with pytest.raises(SettingsError) as caught:
        rules_for(load_bench(here.bench, registry), load_motor(here.motor))
    assert caught.value.key == "derived.winding_heat.rated"
