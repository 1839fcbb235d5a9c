"""The simulated bench errs within the budgets of the sensor files that come along, or its uncertainties were show.

What the simulated inputs make of a true value is sent through the calibration of the channel that reads the input.
"""

import dataclasses
import math
import tomllib
from collections.abc import Mapping

import pytest

from benchd.rules.channels import Calibration
from benchd.settings.load import load_sensor
from benchd.settings.places import configs_directory
from benchd_rig.commands import PlantFaults
from benchd_rig.measuring_unit import SIGNALS
from benchd_rig.sensors import Averages, InputNoise, read_inputs
from benchd_rig.specimen import SensorsModel, load_specimen
from benchd_rig.thermometers import Thermometers
from benchd_rig.wire_faults import WireFaults

CONFIGS = configs_directory()
BENCH = tomllib.loads((CONFIGS / "benches/greenhouse.toml").read_text(encoding="utf-8"))

# input of the measuring unit: what it measures, and the sensor file of the channel that reads it
INPUTS = {
    1: ("terminal_voltage_v", "dc_voltage_divider"),
    2: ("current_a", "dc_current_sensor"),
    3: ("torque_nm", "torque_2nm"),
    4: ("torque_nm", "torque_0n4"),
    5: ("speed_rpm", "encoder"),
    6: ("link_voltage_v", "dc_voltage_divider"),
}
CHANNELS = {1: "dc_voltage", 2: "dc_current", 3: "shaft_torque", 5: "shaft_speed", 6: "link_voltage"}
NOTHING = Averages(terminal_voltage_v=0.0, link_voltage_v=0.0, current_a=0.0, torque_nm=0.0, speed_rpm=0.0)


def noiseless(sensors: SensorsModel) -> SensorsModel:
    """The same sensors with what is wrong with them at every reading, and nothing that averages out."""
    quiet = {"noise": 0.0}
    transducer = sensors.transducer
    return sensors.model_copy(
        update={
            "terminal_voltage": sensors.terminal_voltage.model_copy(update=quiet),
            "link_voltage": sensors.link_voltage.model_copy(update=quiet),
            "current": sensors.current.model_copy(update=quiet),
            "transducer": transducer.model_copy(
                update={
                    "wide": transducer.wide.model_copy(update=quiet),
                    "narrow": transducer.narrow.model_copy(update=quiet),
                }
            ),
            "encoder_noise_rpm": 0.0,
        }
    )


def error(sensors: SensorsModel, number: int, true: float, calibration: Calibration) -> float:
    averages = dataclasses.replace(NOTHING, **{INPUTS[number][0]: true})
    return calibration.value(read_inputs(sensors, PlantFaults(), averages, noise=InputNoise(1).at(1))[number]) - true


def standard(calibration: Calibration, reading: float, *effects: str) -> float:
    return math.sqrt(
        sum(
            one.standard_uncertainty(reading=reading, full_scale=calibration.full_scale) ** 2
            for one in calibration.contributions
            if one.effect in effects
        )
    )


@pytest.mark.parametrize("number", INPUTS)
@pytest.mark.parametrize("specimen", ["reference_dc_24v", "vent_flap_24v"])  # those of the bench file above
def test_gain_and_zero_of_every_input_are_within_two_standard_uncertainties(specimen: str, number: int) -> None:
    sensors = noiseless(load_specimen(specimen).bench.sensors)
    calibration, _ = load_sensor(CONFIGS / f"sensors/{INPUTS[number][1]}.toml")
    at_zero = error(sensors, number, 0.0, calibration)
    assert abs(at_zero) <= 2.0 * standard(calibration, 0.0, "offset", "independent")
    largest = 0.9 * calibration.full_scale
    by_gain = error(sensors, number, largest, calibration) - at_zero
    assert abs(by_gain) <= 2.0 * standard(calibration, largest, "gain")
    assert at_zero != 0.0 or number == 5  # errors there are, or this would check nothing; the encoder has steps alone


@pytest.mark.parametrize("number", CHANNELS)
def test_each_channel_reads_the_input_that_is_checked_here_with_the_sensor_that_is(number: int) -> None:
    channel: Mapping[str, str] = BENCH["channels"][CHANNELS[number]]
    names = {one["name"]: one["channel"] for one in BENCH["devices"]["measuring_unit"]["settings"]["inputs"]}
    assert names[channel["source"].rpartition(".")[2]] == number
    assert SIGNALS[number] == channel["source"].rpartition(".")[2]
    assert channel["sensor"] == f"../sensors/{INPUTS[number][1]}.toml"


@pytest.mark.parametrize("name", ["winding", "housing", "ambient"])
def test_a_thermometer_errs_by_no_more_than_its_resolution(name: str) -> None:
    calibration, _ = load_sensor(CONFIGS / f"sensors/{name}_thermometer.toml")
    assert BENCH["channels"][f"{name}_temperature"]["sensor"] == f"../sensors/{name}_thermometer.toml"
    for true_degc in (23.0, 41.27, 87.649):
        group = Thermometers(
            sources={name: lambda degc=true_degc: degc}, faults=WireFaults(device="thermometers", wire="modbus")
        )
        shown_degc = calibration.value(0.1 * group.read_input_registers(0, 1)[0])
        assert abs(shown_degc - true_degc) <= 2.0 * standard(calibration, true_degc, "independent")
