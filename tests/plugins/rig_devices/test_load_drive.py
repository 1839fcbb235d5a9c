from dataclasses import dataclass, field

import pytest

from benchd.contract import DriveState
from benchd_rig.commands import LoadCommand, PlantFaults
from benchd_rig.load_drive import COMMUNICATION_FAULT, FORCED_FAULT, OVERSPEED_FAULT, DriveRating, LoadDrive

OFF = 0x0200


@dataclass
class TurningShaft:
    """A shaft whose speed the test sets, instead of a plant."""

    load_speed_rpm: float = 0.0
    load_torque_nm: float = 0.0
    load: LoadCommand = field(default_factory=LoadCommand)
    faults: PlantFaults = field(default_factory=PlantFaults)


class Axis:
    """A drive with its shaft and its time."""

    def __init__(self) -> None:
        self.shaft = TurningShaft()
        self.drive = LoadDrive(shaft=self.shaft, rating=DriveRating(rated_torque_nm=2.0))
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


def test_it_walks_to_operation_enabled_and_has_no_torque_before(axis):
    seen = []
    for controlword in (0x00, 0x06, 0x07, 0x0F):
        axis.drive.write_controlword(controlword)
        seen.append((axis.drive.state.value, axis.shaft.load.power_stage_on))
    assert seen == [
        ("switch-on disabled", False),
        ("ready to switch on", False),
        ("switched on", False),
        ("operation enabled", True),
    ]


def test_cyclic_torque_reaches_the_stage_in_house_sign(axis):
    axis.enable(mode=10)
    axis.drive.settings.target_torque_permille = -250  # against a shaft that turns forward: braking
    axis.runs(0.002)
    assert axis.shaft.load.mode == "torque"
    assert axis.shaft.load.torque_nm == pytest.approx(0.5)


def test_profile_torque_takes_its_time(axis):
    axis.enable(mode=4)
    axis.drive.settings.target_torque_permille = -500
    axis.runs(0.05)
    assert axis.shaft.load.torque_nm == pytest.approx(0.5)
    axis.runs(0.1)
    assert axis.shaft.load.torque_nm == pytest.approx(1.0)


@pytest.mark.parametrize(("max_permille", "torque_nm"), [(1000, 1.8), (300, 0.6)])
def test_a_torque_target_is_clamped_by_the_strictest_limit_and_the_statusword_tells(axis, max_permille, torque_nm):
    axis.enable(mode=10)
    axis.drive.settings.max_torque_permille = max_permille
    axis.drive.settings.target_torque_permille = -5000
    axis.runs(0.002)
    assert axis.shaft.load.torque_nm == pytest.approx(torque_nm)
    assert axis.shaft.load.torque_bound_nm == pytest.approx(torque_nm)
    assert axis.drive.statusword() & 0x0800


def test_the_maximum_motor_speed_bounds_the_torque_modes(axis):
    axis.enable(mode=10)
    axis.drive.settings.max_speed_rpm = 1234.0
    axis.runs(0.002)
    assert axis.shaft.load.speed_bound_rpm == 1234.0


def test_a_speed_target_is_clamped_by_its_own_limit(axis):
    axis.enable(mode=9)
    axis.drive.settings.target_speed_rpm = -50_000.0
    axis.runs(0.002)
    assert axis.shaft.load.mode == "speed"
    assert axis.shaft.load.speed_rpm == -6000.0


def test_profile_velocity_ramps(axis):
    axis.enable(mode=3)
    axis.drive.settings.target_speed_rpm = 3000.0
    axis.runs(0.1)
    assert axis.shaft.load.speed_rpm == pytest.approx(1000.0)


def test_it_switches_itself_off_above_its_own_overspeed(axis):
    axis.enable(mode=10)
    axis.shaft.load_speed_rpm = -6001.0
    axis.runs(0.001)
    assert axis.drive.state is DriveState.FAULT
    assert axis.drive.fault_code == OVERSPEED_FAULT
    assert not axis.shaft.load.power_stage_on


def test_a_fault_whose_cause_stands_cannot_be_reset(axis):
    axis.enable(mode=10)
    axis.shaft.load_speed_rpm = 6001.0
    axis.runs(0.001)
    axis.drive.write_controlword(0x00)
    axis.drive.write_controlword(0x80)
    assert axis.drive.state is DriveState.FAULT
    axis.shaft.load_speed_rpm = 100.0
    axis.drive.write_controlword(0x80)  # still high: no edge
    assert axis.drive.state is DriveState.FAULT
    axis.drive.write_controlword(0x00)
    axis.drive.write_controlword(0x80)
    assert axis.drive.state is DriveState.SWITCH_ON_DISABLED
    assert axis.drive.fault_code == 0


def test_the_fault_reaction_brakes_first_and_then_lets_go(axis):
    axis.enable(mode=9)
    axis.shaft.load_speed_rpm = 1000.0
    axis.drive.settings.fault_reaction_option = 2
    axis.drive.trip(FORCED_FAULT)
    assert axis.drive.state is DriveState.FAULT_REACTION_ACTIVE
    assert axis.shaft.load.power_stage_on
    axis.runs(0.1)
    assert axis.shaft.load.speed_rpm == 0.0
    assert axis.drive.state is DriveState.FAULT_REACTION_ACTIVE  # the shaft has not followed yet
    axis.shaft.load_speed_rpm = 0.0
    axis.runs(0.001)
    assert axis.drive.state is DriveState.FAULT
    assert not axis.shaft.load.power_stage_on


def test_a_fault_reaction_that_brings_nothing_ends_in_a_bounded_time(axis):
    axis.enable(mode=9)
    axis.shaft.load_speed_rpm = 1000.0
    axis.drive.trip(FORCED_FAULT)
    axis.runs(2.2)
    assert axis.drive.state is DriveState.FAULT
    assert not axis.shaft.load.power_stage_on


def test_the_watchdog_trips_only_when_no_request_arrives_while_enabled(axis):
    axis.drive.settings.watchdog_ms = 100
    axis.drive.settings.fault_reaction_option = 0
    axis.runs(0.5)
    axis.enable(mode=10)
    for _ in range(10):
        axis.runs(0.09)
        axis.drive.request_arrived()
    assert axis.drive.state is DriveState.OPERATION_ENABLED
    axis.runs(0.095)
    assert axis.drive.state is DriveState.OPERATION_ENABLED
    axis.runs(0.01)
    assert axis.drive.state is DriveState.FAULT
    assert axis.drive.fault_code == COMMUNICATION_FAULT


def test_safe_torque_off_takes_the_torque_and_refuses_until_it_is_over(axis):
    axis.enable(mode=10)
    axis.drive.safe_torque_off(active=True)
    assert axis.drive.state is DriveState.SWITCH_ON_DISABLED
    assert not axis.shaft.load.power_stage_on
    axis.drive.write_controlword(0x06)
    assert axis.drive.state is DriveState.SWITCH_ON_DISABLED
    axis.drive.safe_torque_off(active=False)
    axis.runs(0.01)
    assert axis.drive.state is DriveState.SWITCH_ON_DISABLED  # nothing comes back by itself
    axis.enable(mode=10)


@pytest.mark.parametrize(
    ("option", "state", "stage_on"),
    [
        (0, DriveState.SWITCH_ON_DISABLED, False),
        (2, DriveState.QUICK_STOP_ACTIVE, True),
        (6, DriveState.QUICK_STOP_ACTIVE, True),
    ],
)
def test_quick_stop_goes_by_its_option(axis, option, state, stage_on):
    axis.enable(mode=9)
    axis.shaft.load_speed_rpm = 2000.0
    axis.drive.settings.quick_stop_option = option
    axis.drive.write_controlword(0x02)
    assert axis.drive.state is state
    assert axis.shaft.load.power_stage_on is stage_on


@pytest.mark.parametrize(("option", "state"), [(2, DriveState.SWITCH_ON_DISABLED), (6, DriveState.QUICK_STOP_ACTIVE)])
def test_a_quick_stop_at_standstill_leaves_or_stays_by_its_option(axis, option, state):
    axis.enable(mode=9)
    axis.shaft.load_speed_rpm = 2000.0
    axis.drive.settings.quick_stop_option = option
    axis.drive.write_controlword(0x02)
    axis.shaft.load_speed_rpm = 0.0
    axis.runs(0.2)
    assert axis.drive.state is state


def test_disable_ramps_down_before_it_leaves_operation_enabled(axis):
    axis.enable(mode=9)
    axis.shaft.load_speed_rpm = 500.0
    axis.drive.settings.disable_option = 1
    axis.drive.write_controlword(0x07)
    axis.runs(0.05)
    assert axis.drive.state is DriveState.OPERATION_ENABLED
    assert axis.shaft.load.speed_rpm == pytest.approx(250.0)
    axis.shaft.load_speed_rpm = 0.0
    axis.runs(0.06)
    assert axis.drive.state is DriveState.SWITCHED_ON
    assert not axis.shaft.load.power_stage_on


def test_disable_with_option_0_coasts_at_once(axis):
    axis.enable(mode=9)
    axis.shaft.load_speed_rpm = 500.0
    axis.drive.settings.disable_option = 0
    axis.drive.write_controlword(0x07)
    assert axis.drive.state is DriveState.SWITCHED_ON
    assert not axis.shaft.load.power_stage_on


def test_the_drive_tells_torque_in_its_own_sign(axis):
    axis.shaft.load_torque_nm = 0.5
    assert axis.drive.torque_permille == pytest.approx(-250.0)


def test_its_machine_warms_with_torque(axis):
    axis.shaft.load_torque_nm = 2.0
    before = axis.drive.motor_degc
    axis.runs(3.0)
    assert axis.drive.motor_degc == pytest.approx(before + 60.0 * 3.0 / 600.0, rel=0.02)
