from dataclasses import dataclass, field

import pytest

from benchd.contract import DriveState
from benchd_rig.axis_drive import OVER_VOLTAGE_FAULT, OVERSPEED_FAULT, DriveRating
from benchd_rig.commands import MotorDriveCommand
from benchd_rig.drive_registers import DriveRegisters
from benchd_rig.modbus_codec import signed16
from benchd_rig.motor_drive import MotorDrive, motor_drive_rating
from benchd_rig.specimen import load_specimen
from benchd_rig.wire_faults import WireFaults

PUMP = load_specimen("pump_48v")


@dataclass
class FedMotor:
    """A specimen behind its converter, whose speed, torque and link the test sets."""

    motor_speed_rpm: float = 0.0
    motor_drive_torque_nm: float = 0.0
    link_v: float = 48.0
    motor_drive: MotorDriveCommand = field(default_factory=MotorDriveCommand)


class Axis:
    def __init__(self) -> None:
        self.motor = FedMotor()
        rating = motor_drive_rating(PUMP.rating, PUMP.bench.converter, pole_pairs=4, overspeed_rpm=6000.0)
        self.drive = MotorDrive(converter=self.motor, rating=rating)
        self.time_s = 0.0

    def runs(self, seconds: float) -> None:
        for _ in range(round(seconds * 1000)):
            self.time_s += 0.001
            self.drive.step(self.time_s)

    def enable(self, *, mode: int) -> None:
        self.drive.select_mode(mode)
        for controlword in (0x06, 0x07, 0x0F):
            self.drive.write_controlword(controlword)
        assert self.drive.state is DriveState.OPERATION_ENABLED


@pytest.fixture
def axis() -> Axis:
    return Axis()


@pytest.mark.parametrize("permille", [400, -400])
def test_a_positive_torque_drives_the_shaft_positive_without_a_change_of_sign(axis, permille):
    axis.enable(mode=10)
    axis.drive.settings.target_torque_permille = permille
    axis.runs(0.002)
    assert axis.motor.motor_drive.mode == "torque"
    assert axis.motor.motor_drive.torque_nm == pytest.approx(permille / 1000 * 2.39)
    axis.motor.motor_drive_torque_nm = permille / 1000 * 2.39
    assert axis.drive.torque_permille == pytest.approx(permille)


def test_a_speed_target_reaches_the_converter_with_the_torque_bound_beside_it(axis):
    axis.enable(mode=9)
    axis.drive.settings.target_speed_rpm = -1500.0
    axis.drive.settings.max_torque_permille = 500
    axis.runs(0.002)
    command = axis.motor.motor_drive
    assert (command.power_stage_on, command.mode, command.speed_rpm) == (True, "speed", -1500.0)
    assert command.torque_bound_nm == pytest.approx(0.5 * 2.39)


def test_its_own_torque_limit_holds_whatever_is_written(axis):
    axis.enable(mode=10)
    axis.drive.settings.max_torque_permille = 4000
    axis.drive.settings.target_torque_permille = 4000
    axis.runs(0.002)
    assert axis.motor.motor_drive.torque_nm == pytest.approx(1.5 * 2.39)


def test_it_lets_go_above_its_own_overspeed_and_not_below(axis):
    axis.enable(mode=10)
    axis.motor.motor_speed_rpm = -5990.0
    axis.runs(0.01)
    assert axis.drive.state is DriveState.OPERATION_ENABLED
    axis.motor.motor_speed_rpm = -6010.0
    axis.runs(0.002)
    assert (axis.drive.state, axis.drive.fault_code) == (DriveState.FAULT, OVERSPEED_FAULT)
    assert not axis.motor.motor_drive.power_stage_on


def test_a_link_that_braking_lifts_too_high_makes_it_let_go_and_keeps_it_in_fault_while_it_stays(axis):
    axis.motor.motor_speed_rpm = 2000.0
    axis.enable(mode=9)
    axis.motor.link_v = 57.0  # 1.2 times 48 V are 57.6 V
    axis.runs(0.01)
    assert axis.drive.state is DriveState.OPERATION_ENABLED
    axis.motor.link_v = 58.0
    axis.runs(0.001)
    assert (axis.drive.state, axis.drive.fault_code) == (DriveState.FAULT, OVER_VOLTAGE_FAULT)
    assert not axis.motor.motor_drive.power_stage_on
    axis.drive.write_controlword(0x80)
    assert axis.drive.state is DriveState.FAULT
    axis.motor.link_v = 48.0
    axis.drive.write_controlword(0x00)
    axis.drive.write_controlword(0x80)
    assert axis.drive.state is DriveState.SWITCH_ON_DISABLED


def test_a_fault_ramp_that_feeds_the_link_too_high_ends_at_once(axis):
    axis.motor.motor_speed_rpm = 2000.0
    axis.enable(mode=9)
    axis.drive.trip(0xFF01)
    assert axis.drive.state is DriveState.FAULT_REACTION_ACTIVE
    axis.motor.link_v = 70.0
    axis.runs(0.001)
    assert axis.drive.state is DriveState.FAULT
    assert axis.drive.fault_code == 0xFF01
    assert not axis.motor.motor_drive.power_stage_on


def test_without_a_link_the_statusword_shows_no_voltage(axis):
    assert axis.drive.statusword() & 0x10
    axis.motor.link_v = 17.0
    assert not axis.drive.statusword() & 0x10


def test_safe_torque_off_is_at_once(axis):
    axis.enable(mode=10)
    axis.drive.safe_torque_off(active=True)
    assert axis.drive.state is DriveState.SWITCH_ON_DISABLED
    assert not axis.motor.motor_drive.power_stage_on


def test_its_registers_tell_plate_link_and_no_thermometer_in_its_machine(axis):
    registers = DriveRegisters(drive=axis.drive, faults=WireFaults(device="motor_drive", wire="modbus"))
    words = registers.read_holding_registers(100, 19)
    assert words[6:8] == [0, 48_000]  # mV
    assert signed16(words[9]) == -32768
    assert words[10:14] == [0, 2390, 0, 19_500]  # mN·m, mA
    assert words[14:] == [0, 60_000, 1500, 0x51, 0x0402]


def test_a_long_run_at_rated_torque_leaves_a_drive_without_thermometer_without_one(axis):
    axis.motor.motor_drive_torque_nm = 2.39
    axis.runs(0.5)
    assert axis.drive.motor_degc != axis.drive.motor_degc


def test_a_drive_without_a_threshold_takes_any_link():
    motor = FedMotor(link_v=1e6)
    drive = MotorDrive(converter=motor, rating=DriveRating(rated_torque_nm=1.0))
    for controlword in (0x06, 0x07, 0x0F):
        drive.write_controlword(controlword)
    drive.step(0.001)
    assert drive.state is DriveState.OPERATION_ENABLED
