"""What a jog's means say about leads and settings, one wrong thing at a time."""

import math

import pytest

from benchd.rules.jog import Jog, wrong_brake, wrong_push, wrong_speeds, wrong_supply

JOG = Jog(
    speed_rpm=120.0,
    torque_nm=0.2,
    holding_torque_nm=0.6,
    voltage_v=24.0,
    current_a=5.0,
    least_current_a=0.08,
    time_limit_s=15.0,
    brushed=False,
)
NAMES = {
    "drive_speed": "load_drive",
    "drive_torque": "load_drive",
    "motor_drive_speed": "motor_drive",
    "motor_drive_torque": "motor_drive",
}
TURNED = {
    "shaft_speed": 119.0,
    "drive_speed": 120.0,
    "motor_drive_speed": 120.5,
    "shaft_torque": -0.04,
    "drive_torque": -0.05,
    "motor_drive_torque": 0.0,
}
PUSHED = {**TURNED, "shaft_torque": 0.15, "drive_torque": 0.14, "motor_drive_torque": 0.2, "motor_current": 1.4}
FED = {
    "supply_voltage": 24.0,
    "link_voltage": 24.0,
    "dc_voltage": 23.99,
    "supply_current": 0.28,
    "sink_current": 0.0,
    "dc_current": 0.26,
}


def test_what_is_right_is_not_objected_to_and_what_is_not_read_neither() -> None:
    assert wrong_speeds(TURNED, JOG, NAMES, holds="drive_speed") is None
    assert wrong_speeds(TURNED, JOG, NAMES, holds="motor_drive_speed") is None
    assert wrong_push(TURNED, PUSHED, JOG, NAMES) is None
    assert wrong_brake(TURNED, PUSHED, JOG, NAMES) is None
    assert wrong_supply(FED, JOG) is None
    for judge in (wrong_push, wrong_brake):
        assert judge({}, {}, JOG, NAMES) is None
    assert wrong_speeds({}, JOG, NAMES, holds="drive_speed") is None
    assert wrong_supply({}, JOG) is None
    assert wrong_supply({**FED, "dc_voltage": math.nan, "dc_current": math.nan}, JOG) is None


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (
            {"shaft_speed": -118.0},
            "shaft_speed reads -118 r/min while load_drive turns 120 r/min: swap the encoder's A",
        ),
        ({"shaft_speed": 0.0}, "look at the encoder's lead"),
        ({"shaft_speed": 60.0}, "look at the number of lines"),
        ({"motor_drive_speed": -120.0}, "it counts the other way"),
        ({"motor_drive_speed": 96.0}, "look at the pole pairs"),
        ({"motor_drive_speed": 150.0}, "look at the pole pairs"),
        ({"shaft_speed": 1.0, "motor_drive_speed": -2.0}, "look at the coupling."),
        ({"shaft_speed": -119.0, "motor_drive_speed": -120.0}, "load_drive turns the shaft the other way"),
        ({"drive_speed": 3.0, "shaft_speed": 3.0, "motor_drive_speed": 3.0}, "whether the shaft is free"),
    ],
)
def test_each_wrong_speed_names_its_lead(wrong: dict[str, float], words: str) -> None:
    sentence = wrong_speeds({**TURNED, **wrong}, JOG, NAMES, holds="drive_speed")
    assert sentence is not None
    assert words in sentence


@pytest.mark.parametrize(
    ("shaft_nm", "load_nm", "words"),
    [
        (-0.2, 0.2, "swap the transducer's signal leads"),
        (0.0, 0.2, "look at the transducer's lead"),
        (0.4, 0.2, "look at the transducer's sensitivity"),
        (0.2, -0.2, "look at torque_sign of load_drive"),
        (0.2, 0.5, "look at the rated torque that load_drive counts with"),
        (-0.2, -0.2, "180 electrical degrees"),
        (0.01, -0.01, "two exchanged phase leads"),
        (0.1, 0.1, "commutation offset"),
        (0.4, 0.4, "look at the current scale and the motor data of motor_drive"),
    ],
)
def test_each_wrong_torque_names_its_lead_or_setting(shaft_nm: float, load_nm: float, words: str) -> None:
    after = {
        **PUSHED,
        "shaft_torque": TURNED["shaft_torque"] + shaft_nm,
        "drive_torque": TURNED["drive_torque"] + load_nm,
    }
    sentence = wrong_push(TURNED, after, JOG, NAMES)
    assert sentence is not None
    assert words in sentence
    assert sentence.count(". ") == 0


def test_a_load_drive_that_drives_where_it_shall_brake_is_named() -> None:
    after = {**TURNED, "shaft_torque": -0.24, "motor_drive_torque": -0.2}
    assert "look at torque_sign of load_drive" in (wrong_brake(TURNED, after, JOG, NAMES) or "")


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"dc_voltage": -24.0}, "sense lead of dc_voltage is reversed"),
        ({"dc_voltage": 0.0}, "sense lead of dc_voltage is open"),
        ({"dc_voltage": 12.0}, "divider's ratio"),
        ({"link_voltage": 0.1}, "sense lead of link_voltage is open"),
        ({"dc_current": -0.28}, "current sensor is reversed"),
        ({"dc_current": 0.0}, "current sensor's lead"),
        ({"dc_current": 0.56}, "current sensor's ratio"),
    ],
)
def test_each_wrong_reading_of_the_supply_names_its_lead(wrong: dict[str, float], words: str) -> None:
    assert words in (wrong_supply({**FED, **wrong}, JOG) or "")


def test_currents_too_small_to_tell_are_not_compared() -> None:
    assert wrong_supply({**FED, "supply_current": 0.05, "dc_current": 0.0}, JOG) is None
