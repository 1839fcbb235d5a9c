"""The example sensors' certificates hold for the simulated benches: the same scales, and errors that lie within."""

import math
from collections.abc import Iterator
from typing import Any

import pytest

from benchd.rules.channels import Calibration
from benchd.settings.load import load_motor, load_sensor
from benchd.settings.places import configs_directory
from benchd_rig.specimen import Specimen, load_specimen

CONFIGS = configs_directory()
BENCHES = {  # of each specimen: divider of the DC inputs, of the phases, torque ranges
    "vent_flap_24v": ("dc_voltage_divider", "dc_voltage_divider", "torque_2nm", "torque_0n4"),
    "reference_dc_24v": ("dc_voltage_divider", "dc_voltage_divider", "torque_2nm", "torque_0n4"),
    "pump_48v": ("dc_voltage_divider", "phase_voltage_dividers", "torque_5nm", "torque_1nm"),
    "reference_pmsm": ("voltage_divider_400v", "voltage_divider_400v", "torque_15nm", "torque_3nm"),
}
BRUSHLESS = ("pump_48v", "reference_pmsm")
FULL_SCALE_V = 10.0  # of a torque input, whatever the range


def sensor(name: str) -> Calibration:
    return load_sensor(CONFIGS / f"sensors/{name}.toml")[0]


def stated(calibration: Calibration, effect: str) -> float:
    """The bound of the errors of this effect at full scale, in the output unit: half width, or twice a standard one."""
    bounds = [
        (one.size if one.distribution == "rectangular" else 2.0 * one.size)
        * {"reading": calibration.full_scale, "full_scale": calibration.full_scale, "unit": 1.0}[one.relative_to]
        for one in calibration.contributions
        if one.effect == effect
    ]
    return sum(bounds)


def scales(specimen: Specimen) -> Iterator[tuple[str, float]]:
    """Each sensor file with the volts at its input for one unit of what it measures."""
    inputs = specimen.bench.sensors
    divider, phases, wide, narrow = BENCHES[specimen.name]
    yield divider, inputs.volt_per_volt
    yield phases, inputs.volt_per_volt
    yield "dc_current_sensor", inputs.volt_per_ampere
    yield "phase_current_sensors", inputs.volt_per_ampere
    yield wide, FULL_SCALE_V / inputs.transducer.nominal_nm
    yield narrow, FULL_SCALE_V / inputs.transducer.narrow_nm


def errors(specimen: Specimen) -> Iterator[tuple[str, float, float]]:
    """Each sensor file with a relative gain error and an offset, in its unit, that the simulated sensor has."""
    inputs, meter, analyser = specimen.bench.sensors, specimen.bench.resistance_meter, specimen.bench.analyser
    divider, phases, wide, narrow = BENCHES[specimen.name]
    yield divider, inputs.terminal_voltage.gain_error, inputs.terminal_voltage.offset
    yield divider, inputs.link_voltage.gain_error, inputs.link_voltage.offset
    yield phases, inputs.terminal_voltage.gain_error, inputs.terminal_voltage.offset
    yield "dc_current_sensor", inputs.current.gain_error, inputs.current.offset
    yield wide, inputs.transducer.wide.gain_error, 0.0  # the zero is measured
    yield narrow, inputs.transducer.narrow.gain_error, 0.0
    yield "resistance_meter_voltage", meter.voltage_gain_error, meter.thermal_emf_v
    yield "resistance_meter_current", meter.current_gain_error, 0.0
    if analyser is not None:
        yield "analyser_voltage", analyser.voltage_gain_error, 0.0
        yield "analyser_current", analyser.current_gain_error, 0.0
        yield "analyser_power", analyser.power_gain_error, analyser.power_offset_w
        apparent = analyser.voltage_gain_error + analyser.current_gain_error
        yield "analyser_apparent_power", apparent, 0.0
        yield "analyser_power_factor", analyser.power_gain_error - apparent, 0.0


@pytest.mark.parametrize("name", BENCHES)
def test_each_sensor_has_the_scale_of_the_input_that_it_calibrates(name: str) -> None:
    for file, volt_per_unit in scales(load_specimen(name)):
        calibration = sensor(file)
        assert calibration.value(volt_per_unit) == pytest.approx(1.0, rel=1e-12), file
        assert calibration.value(-volt_per_unit) == pytest.approx(-1.0, rel=1e-12), file


@pytest.mark.parametrize("name", BENCHES)
def test_each_simulated_error_lies_within_the_certificate(name: str) -> None:
    for file, gain_error, offset in errors(load_specimen(name)):
        calibration = sensor(file)
        assert abs(gain_error) <= stated(calibration, "gain") / calibration.full_scale, file
        assert abs(offset) <= max(stated(calibration, "offset"), 1e-12), file


@pytest.mark.parametrize("name", BRUSHLESS)
def test_the_analysers_ranges_lie_within_its_certificate(name: str) -> None:
    analyser: Any = load_specimen(name).bench.analyser
    assert analyser.voltage_range_v <= sensor("analyser_voltage").full_scale
    assert analyser.current_range_a <= sensor("analyser_current").full_scale
    # three phases, each with a line's voltage over √3
    most_w = math.sqrt(3.0) * analyser.voltage_range_v * analyser.current_range_a
    rating: Any = load_specimen(name).rating
    assert sensor("analyser_power").full_scale >= min(
        most_w, 4.0 * rating.torque_nm * rating.speed_rpm * math.pi / 30.0
    )


@pytest.mark.parametrize("name", BRUSHLESS)
def test_the_data_sheet_of_a_brushless_motor_is_near_the_simulated_truth(name: str) -> None:
    truth: Any = load_specimen(name).motor
    settings: Any = load_motor(CONFIGS / f"motors/{name}.toml").settings
    sheet = settings.data_sheet
    assert settings.pole_pairs == truth.pole_pairs
    assert sheet.resistance_ohm == pytest.approx(2.0 * truth.resistance_ohm, rel=0.02)  # two phases in star
    assert sheet.ke_v_s == pytest.approx(math.sqrt(1.5) * truth.pole_pairs * truth.flux_v_s, rel=0.02)
    assert (sheet.inductance_d_h, sheet.inductance_q_h) == (truth.d_inductance_h, truth.q_inductance_h)
    assert sheet.inertia_kgm2 == truth.inertia_kgm2
