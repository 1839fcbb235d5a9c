"""Motor, set-up, programme and sensor files: sound ones load, every mistake is one sentence with file, line and key."""

from pathlib import Path
from typing import Any

import pytest

from benchd.settings.load import (
    Registry,
    SettingsError,
    load_motor,
    load_programme,
    load_sensor,
    load_setup,
)


def test_a_motor_file_gives_plate_bounds_and_data_sheet(site: Any) -> None:
    motor = load_motor(site.motor)
    assert motor.settings.rated.torque_nm == 0.25
    assert motor.settings.max_winding_degc == 120.0
    assert motor.settings.data_sheet.ke_v_s == 0.065
    assert motor.warnings == ()


def test_a_plate_whose_power_is_not_torque_times_speed_is_a_warning(site: Any) -> None:
    site.change(site.motor, "power_w = 78.5", "power_w = 110")
    (warning,) = load_motor(site.motor).warnings
    assert warning == (
        "motors/flap.toml:14 rated.power_w 110 W differs from torque times speed (78.54 W) by more than 5 %; compare "
        "with the rating plate."
    )


@pytest.mark.parametrize(
    ("before", "after", "key"),
    [
        ("ke_v_s = 0.065", "ke_v_s = 6.8", "data_sheet.ke_v_s"),  # volts per 1000 r/min
        ("speed_rpm = 3000", "speed_rpm = 314", "data_sheet.ke_v_s"),  # rad/s
        ("torque_nm = 0.25", "torque_nm = 250", "rated.torque_nm"),  # mN·m
    ],
)
def test_a_plate_in_wrong_units_is_refused(site: Any, before: str, after: str, key: str) -> None:
    site.change(site.motor, before, after)
    with pytest.raises(SettingsError) as refused:
        load_motor(site.motor)
    assert refused.value.key == key
    assert "motors/flap.toml:" in refused.value.sentence


def test_a_programme_keeps_its_tests_in_order_and_their_settings_in_their_own_models(
    site: Any, registry: Registry
) -> None:
    programme = load_programme(site.programme, registry)
    assert programme.name == "acceptance"
    assert [test.kind for test in programme.tests] == ["no_load", "load"]
    assert programme.tests[0].settings == registry.tests["no_load"](supply_voltages_v=(12.0, 24.0))
    assert programme.limits[0].high == 4000.0


def test_a_certificate_with_a_line_for_each_direction_gives_each_its_own_value(site: Any) -> None:
    plain, _ = load_sensor(site.sensor("torque"))
    assert plain.negative is None
    assert plain.value(-5.0) == pytest.approx(-1.0)
    site.change(
        site.sensor("torque"), "full_scale = 2.0\n", "full_scale = 2.0\n[negative]\ngain = 0.202\noffset = 0.004\n"
    )
    both, _ = load_sensor(site.sensor("torque"))
    assert both.value(5.0) == pytest.approx(1.0)
    assert both.value(-5.0) == pytest.approx(-1.006)


def test_a_range_is_told_with_the_name_of_its_sensor(site: Any) -> None:
    site.change(site.sensor("torque"), 'serial = "TT-1"', 'serial = "TT-1"\nrange = "narrow range, 0.4 N·m"')
    assert load_sensor(site.sensor("torque"))[0].sensor == "made sensor, narrow range, 0.4 N·m"


MOTOR = [
    ('"brushed_dc"', '"induction"', "kind", 'must be "brushed_dc" or "brushless", not the text "induction"'),
    ('"B"', '"C"', "thermal_class", '"F" or "H"'),
    (
        "max_speed_rpm = 6500",
        "max_speed_rpm = 2500",
        "max_speed_rpm",
        "less than the rated speed_rpm, which is 3000 r/min",
    ),
    ("max_current_a = 10", "max_current_a = 4", "max_current_a", "less than the rated current_a"),
    ("resistance_ohm = 0.8", "resistance_ohm = 0", "data_sheet.resistance_ohm", "must be above 0, not 0"),
    ("ke_v_s", "ke_v", "data_sheet.ke_v", "did you mean ke_v_s?"),
    ("torque_nm = 0.25\n", "", "rated.torque_nm", "is missing; add it to [rated]"),
]
SETUP = [
    ("fuse_current_a = 16", "fuse_current_a = -16", "fuse_current_a", "must be above 0"),
    ("resistance_ohm = 0.03", "resistance_ohm = -0.03", "cable.resistance_ohm", "must be at least 0"),
    ("[cable]\nresistance_ohm = 0.03\n", "", "cable", "add a table [cable]"),
    (
        "inertia_kgm2 = 4e-6",
        "inertia_kgm2 = 4e-6\nspecimen_side_inertia_kgm2 = 5e-6",
        "coupling.specimen_side_inertia_kgm2",
        "more than inertia_kgm2 (4e-06 kg·m²), of which it is a part",
    ),
]
PROGRAMME = [
    ('kind = "no_load"\n', "", "test.kind", "is missing; add it to [[test]], known are load, no_load"),
    ('"no_load"', '"noload"', "test.kind", "is not a kind of test here; did you mean no_load?"),
    ('"no_load"', "3", "test.kind", "is no text, which is not a kind"),
    ("[12, 24]", "[24]", "test.supply_voltages_v", "has 1 entries and needs at least 2"),
    ("[12, 24]", '[12, "x"]', "test.supply_voltages_v item 2", 'must be a number, not the text "x"'),
    ("torques_nm", "torque_nm", "test.torque_nm", "did you mean torques_nm?"),
    ("supply_voltage_v = 24\n", "", "test.supply_voltage_v", "add it to [[test]]"),
    ("high = 4000\n", "", "limits item 1", "bounds nothing"),
    ("high = 4000\n", "high = 4000\nlow = 4000\n", "limits.low", "must stay below high"),
    ("delay_s = 0.02", "delay_s = -1", "limits.delay_s", "must be at least 0, not -1"),
    ("[[limits]]", "[[limit]]", "limit", "did you mean limits?"),
]
SENSOR = [
    ("gain = 0.2", "gain = 0", "gain", "must not be 0"),
    ("2028-03-31", "2025-03-31", "due_on", "is not after calibrated_on"),
    ("2028-03-31", '"2028-03-31"', "due_on", "must be a date such as 2026-03-31, not the text"),
    ("2028-03-31", "2028-03-31T08:00:00", "due_on", "must be a date"),
    ("full_scale = 2.0", "full_scale = -2.0", "full_scale", "must be above 0"),
    ('input_unit = "V"', 'input_unit = "v"', "input_unit", '"v" is not a unit that is known here; did you mean V?'),
    ('"rectangular"', '"uniform"', "contributions.distribution", '"normal" or "rectangular"'),
    ("size = 0.001", "size = -0.001", "contributions.size", "must be at least 0"),
    ('name = "linearity"', 'name = "gain"', "contributions.name", "is there twice"),
    (
        "full_scale = 2.0\n",
        "full_scale = 2.0\n[negative]\ngain = -0.2\noffset = 0.0\n",
        "negative.gain",
        "must have the sign of the positive direction's gain (0.2)",
    ),
    (
        "full_scale = 2.0\n",
        "full_scale = 2.0\n[negative]\ngain = 0\noffset = 0\n",
        "negative.gain",
        "is 0 and must have",
    ),
    ("full_scale = 2.0\n", "full_scale = 2.0\n[negative]\ngain = 0.2\n", "negative.offset", "add it to [negative]"),
    ('serial = "TT-1"', 'serial = "TT-1"\nrange = ""', "range", "must not be empty"),
]


@pytest.mark.parametrize(
    ("which", "mistake"),
    [
        *[("motor", one) for one in MOTOR],
        *[("setup", one) for one in SETUP],
        *[("programme", one) for one in PROGRAMME],
        *[("sensor", one) for one in SENSOR],
    ],
)
def test_a_mistake_is_one_sentence_with_file_line_and_key(
    site: Any, registry: Registry, which: str, mistake: tuple[str, str, str, str]
) -> None:
    old, new, key, says = mistake
    file: Path = site.sensor("torque") if which == "sensor" else getattr(site, which)
    site.change(file, old, new)
    loaders = {
        "motor": load_motor,
        "setup": load_setup,
        "programme": lambda path: load_programme(path, registry),
        "sensor": load_sensor,
    }
    with pytest.raises(SettingsError) as caught:
        loaders[which](file)
    error = caught.value
    assert error.key == key
    assert says in error.sentence
    assert error.sentence.startswith(f"{file.relative_to(site.root)}:{error.line} {key} ")
    assert "more problem" not in error.sentence


def test_a_programme_without_tests_is_told_so(site: Any, registry: Registry) -> None:
    site.programme.write_text('schema = 1\nname = "nothing"\n')
    with pytest.raises(SettingsError, match=r"test is missing; add at least one table \[\[test\]\]"):
        load_programme(site.programme, registry)
    site.programme.write_text('schema = 1\nname = "nothing"\ntest = []\n')
    with pytest.raises(SettingsError, match="has 0 entries and needs at least 1"):
        load_programme(site.programme, registry)
    site.programme.write_text('schema = 1\nname = "nothing"\n[test]\nkind = "load"\n')
    with pytest.raises(SettingsError, match=r"write \[\[test\]\] instead of \[test\]"):
        load_programme(site.programme, registry)
