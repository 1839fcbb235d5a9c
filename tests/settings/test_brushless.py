"""Brushless motors: their plates, the channels they bound, and the voltage that their magnets make."""

import math
from typing import Any

import pytest

from benchd.settings.fit import check_fit
from benchd.settings.limit_sources import limit_sources
from benchd.settings.load import Registry, SettingsError, load_bench, load_motor, load_programme, load_setup
from benchd.settings.specimen_files import BrushlessMotorFile

MOTOR = """\
schema = 1
kind = "brushless"
type_designation = "WP24-90"
manufacturer = "Farnholt Kleinmotoren"
thermal_class = "F"
pole_pairs = 4
max_speed_rpm = 4500
max_current_a = 8
max_phase_current_a = 12
max_winding_degc = 130
max_magnet_degc = 100
[rated]
voltage_v = 24
phase_current_a = 5
dc_current_a = 4.3
speed_rpm = 3000
torque_nm = 0.28
power_w = 88
[data_sheet]
resistance_ohm = 0.3
voltage_constant_v_per_krpm = 3.6
inductance_d_h = 0.3e-3
inductance_q_h = 0.4e-3
inertia_kgm2 = 1e-4
"""
DRIVEN = """\
[devices.converter]
driver = "made_drive"
poll_hz = 50
settings = { host = "10.0.0.10", port = 502 }
[devices.analyser]
driver = "made_analyser"
poll_hz = 10
settings = { host = "10.0.0.8", port = 5025 }
[channels.motor_current]
source = "analyser.result.i_a"
unit = "A"
age_limit_s = 0.5
[channels.magnet_temperature]
source = "warmth.group.rack_degc"
unit = "°C"
age_limit_s = 2
"""


@pytest.fixture
def driven(site: Any) -> Any:
    site.motor.write_text(MOTOR, encoding="utf-8")
    site.change(site.bench, "[channels.link_voltage]", 'motor_drive = "converter.axis"\n[channels.link_voltage]')
    site.add(site.bench, DRIVEN)
    return site


def four(site: Any, registry: Registry) -> Any:
    return (
        load_bench(site.bench, registry),
        load_motor(site.motor),
        load_setup(site.setup),
        load_programme(site.programme, registry),
    )


def refused(site: Any, registry: Registry) -> SettingsError:
    with pytest.raises(SettingsError) as caught:
        check_fit(*four(site, registry))
    return caught.value


def test_a_brushless_motor_file_gives_plate_bounds_and_data_sheet(driven: Any) -> None:
    motor = load_motor(driven.motor)
    assert motor.warnings == ()
    settings = motor.settings
    assert isinstance(settings, BrushlessMotorFile)
    assert (settings.pole_pairs, settings.rated.phase_current_a, settings.rated.dc_current_a) == (4, 5.0, 4.3)
    # 3.6 V per 1000 r/min, which are 104.7198 rad/s; the peak of a sine is √2 times its rms value
    assert settings.data_sheet.ke_v_s == pytest.approx(3.6 / 104.7197551)
    assert settings.data_sheet.peak_voltage_v(2000.0) == pytest.approx(7.2 * 1.41421356)


def test_the_reference_machines_flux_gives_the_voltage_constant_of_its_closed_form() -> None:
    # p·ψ·√(3/2) line to line, rms, per rad/s: 43.606694 V per 1000 r/min for 4 pole pairs and 0.085 V·s (peak dq)
    sheet = BrushlessMotorFile.model_validate(
        {
            "kind": "brushless",
            **dict.fromkeys(("type_designation", "manufacturer"), "x"),
            "thermal_class": "F",
            "pole_pairs": 4,
            "max_speed_rpm": 1.0,
            "max_current_a": 1.0,
            "rated": dict.fromkeys(
                ("voltage_v", "phase_current_a", "dc_current_a", "speed_rpm", "torque_nm", "power_w"), 1.0
            ),
            "data_sheet": {
                **dict.fromkeys(("resistance_ohm", "inductance_d_h", "inductance_q_h", "inertia_kgm2"), 1.0),
                "voltage_constant_v_per_krpm": 43.606694,
            },
        }
    ).data_sheet
    assert sheet.ke_v_s == pytest.approx(4 * 0.085 * math.sqrt(1.5), rel=1e-7)


def test_its_ratings_bound_their_channels(driven: Any, registry: Registry) -> None:
    bounds = {
        (one.channel, one.kind, one.value): one
        for one in limit_sources(*four(driven, registry))
        if one.origin.startswith("motors/")
    }
    assert set(bounds) == {
        ("shaft_speed", "high", 4500.0),
        ("shaft_speed", "low", -4500.0),
        ("dc_current", "high", 8.0),
        ("dc_current", "low", -8.0),
        ("motor_current", "high", 12.0),  # rms has no sign
        ("winding_temperature", "high", 130.0),
        ("magnet_temperature", "high", 100.0),
    }
    current, magnets = bounds["motor_current", "high", 12.0], bounds["magnet_temperature", "high", 100.0]
    assert (current.reaction, current.delay_s) == ("cut", 0.02)
    assert (magnets.reaction, magnets.delay_s) == ("ramp_down", 1.0)
    assert magnets.origin == "motors/flap.toml:11 max_magnet_degc"


@pytest.mark.parametrize(
    ("channel", "key"), [("motor_current", "max_phase_current_a"), ("magnet_temperature", "max_magnet_degc")]
)
def test_a_rating_without_its_channel_is_refused_until_it_is_left_out(
    driven: Any, registry: Registry, channel: str, key: str
) -> None:
    driven.change(driven.bench, f"[channels.{channel}]", "[channels.other]")
    error = refused(driven, registry)
    assert error.key == key
    assert f"has no channel {channel}" in error.sentence
    lines = [line for line in MOTOR.split("\n") if not line.startswith(key)]
    driven.motor.write_text("\n".join(lines), encoding="utf-8")
    check_fit(*four(driven, registry))


MISTAKES = [
    ("pole_pairs = 4\n", "", "pole_pairs", "is missing; add it above the first table"),
    ("pole_pairs = 4", "pole_pairs = 0", "pole_pairs", "must be at least 1, not 0"),
    ("pole_pairs = 4", "pole_pairs = 4.5", "pole_pairs", "must be a whole number, not 4.5"),
    ("dc_current_a = 4.3", "current_a = 4.3", "rated.current_a", "did you mean dc_current_a?"),
    ("max_speed_rpm = 4500", "max_speed_rpm = 2900", "max_speed_rpm", "less than the rated speed_rpm"),
    ("max_current_a = 8", "max_current_a = 4", "max_current_a", "less than the rated dc_current_a, which is 4.3 A"),
    ("max_phase_current_a = 12", "max_phase_current_a = 4", "max_phase_current_a", "less than the rated phase_cur"),
    ('"brushless"', '"brushed_dc"', "pole_pairs", "is not a key that is known here"),
    ('kind = "brushless"\n', "", "kind", 'is missing; add it above the first table: "brushed_dc" or "brushless"'),
    ('"brushless"', '"pmsm"', "kind", 'must be "brushed_dc" or "brushless", not the text "pmsm"'),
    ('"brushless"', "3", "kind", 'must be "brushed_dc" or "brushless", not this value'),
    # units that are not those of the keys
    ("voltage_constant_v_per_krpm = 3.6", "voltage_constant_v_per_krpm = 0.0344",  # V·s/rad
     "data_sheet.voltage_constant_v_per_krpm", "makes 0.1459 V at the rated 3000 r/min"),
    ("speed_rpm = 3000", "speed_rpm = 314", "data_sheet.voltage_constant_v_per_krpm", "and r/min"),
    ("torque_nm = 0.28", "torque_nm = 280", "rated.torque_nm", "but 5 A a phase and the voltage constant make 0.2977"),
    ("dc_current_a = 4.3", "dc_current_a = 3.5", "rated.dc_current_a", "makes 84 W at 24 V for 88 W at the shaft"),
    ("resistance_ohm = 0.3", "resistance_ohm = 300", "data_sheet.resistance_ohm", "write ohms between two terminals"),
]  # fmt: skip


@pytest.mark.parametrize("mistake", MISTAKES, ids=[f"{key}-{new[:20]}" for _, new, key, _ in MISTAKES])
def test_a_mistake_is_told_with_file_line_and_key(driven: Any, mistake: tuple[str, str, str, str]) -> None:
    old, new, key, says = mistake
    text = driven.motor.read_text(encoding="utf-8")
    driven.motor.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        load_motor(driven.motor)
    assert caught.value.key == key
    assert says in caught.value.sentence
    assert caught.value.sentence.startswith(f"motors/flap.toml:{caught.value.line} {key} ")


def test_a_plate_whose_power_is_not_torque_times_speed_is_a_warning(driven: Any) -> None:
    driven.change(driven.motor, "power_w = 88", "power_w = 80")
    (warning,) = load_motor(driven.motor).warnings
    assert warning.startswith("motors/flap.toml:18 rated.power_w 80 W differs from torque times speed (87.96 W)")


def test_a_brushless_motor_fits_a_bench_with_a_converter_only(driven: Any, registry: Registry) -> None:
    check_fit(*four(driven, registry))
    driven.change(driven.bench, 'motor_drive = "converter.axis"\n', "")
    error = refused(driven, registry)
    assert error.sentence.startswith('motors/flap.toml:2 kind is "brushless", but the bench small has no motor_drive')


def test_a_programme_whose_top_speed_makes_more_voltage_than_the_link_bears_is_refused(
    driven: Any, registry: Registry
) -> None:
    # the programme allows 4000 r/min forward, the motor 4500 r/min backward: √2 · 7.86 V · 4.5 = 50.02 V at 50 V
    driven.change(driven.motor, "voltage_constant_v_per_krpm = 3.6", "voltage_constant_v_per_krpm = 7.86")
    driven.change(driven.motor, "torque_nm = 0.28", "torque_nm = 0.6")
    driven.change(driven.motor, "power_w = 88", "power_w = 95")
    error = refused(driven, registry)
    assert error.key == "data_sheet.voltage_constant_v_per_krpm"
    assert (
        "makes 50.02 V (peak, line to line) at the 4500 r/min that motors/flap.toml:7 max_speed_rpm" in error.sentence
    )
    assert "more than the 50 V of benches/small.toml:" in error.sentence
    driven.change(driven.programme, "high = 4000", "high = 4000\nlow = -4490")  # 49.91 V
    check_fit(*four(driven, registry))
    driven.change(driven.motor, "voltage_constant_v_per_krpm = 7.86", "voltage_constant_v_per_krpm = 7.88")
    assert "at the 4490 r/min that programmes/acceptance.toml:14 limits.low" in refused(driven, registry).sentence


def test_the_ladder_holds_for_a_brushless_motors_link_too(driven: Any, registry: Registry) -> None:
    driven.change(driven.bench, "sink_threshold_v = 30", "sink_threshold_v = 24")
    assert "rated.voltage_v is 24 V and must stay below 24 V, the sink threshold" in refused(driven, registry).sentence


def test_a_capture_needs_waveforms(driven: Any, registry: Registry) -> None:
    driven.change(driven.programme, "torques_nm = [0.1, 0.2]", "torques_nm = [0.1, 0.2]\ncapture_s = 0.5")
    error = refused(driven, registry)
    assert error.key == "test.capture_s"
    assert "the bench small has none in [waveforms]" in error.sentence
