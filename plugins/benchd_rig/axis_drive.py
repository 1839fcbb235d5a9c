"""A drive axis: CiA 402 behaviour, own trips and own bounds, as the firmware of a drive would have them.

Its one job is to turn a controlword, a mode and targets into what the plant's power stage is told, and to let go by
itself when it must. It knows no bytes, and not which of the bench's two machines it drives. A drive counts torque
positive when its machine drives the shaft in the positive direction.

Source: CiA 402 part 2 / IEC 61800-7-201; error codes of object 603Fh as in IEC 61800-7-201 (values from memory).
"""

import math
from dataclasses import dataclass
from typing import Protocol

from benchd.contract import DriveState
from benchd_rig.cia402 import (
    FOLLOWS_COMMAND,
    INTERNAL_LIMIT,
    TARGET_REACHED,
    Command,
    decode,
    next_state,
    statusword,
)
from benchd_rig.commands import LoadCommand, MotorDriveCommand

NO_MODE = 0
PROFILE_VELOCITY = 3
PROFILE_TORQUE = 4
CYCLIC_VELOCITY = 9
CYCLIC_TORQUE = 10
MODES = frozenset({NO_MODE, PROFILE_VELOCITY, PROFILE_TORQUE, CYCLIC_VELOCITY, CYCLIC_TORQUE})
SPEED_MODES = frozenset({PROFILE_VELOCITY, CYCLIC_VELOCITY})
TORQUE_MODES = frozenset({PROFILE_TORQUE, CYCLIC_TORQUE})

COAST = 0
SLOW_DOWN = 1
QUICK_RAMP = 2
SLOW_DOWN_AND_STAY = 5
QUICK_RAMP_AND_STAY = 6

OVER_VOLTAGE_FAULT = 0x3210
COMMUNICATION_FAULT = 0x8130
OVERSPEED_FAULT = 0x8400
FORCED_FAULT = 0xFF01  # a defect that a test puts in

_SLOW_DOWN_RPM_S = 5_000.0
_QUICK_STOP_RPM_S = 20_000.0
_PROFILE_RPM_S = 10_000.0
_PROFILE_TORQUE_RATES = 5.0  # rated torques a second
_STANDSTILL_RPM = 10.0
_RAMP_GRACE_S = 2.0
_MACHINE_TIME_S = 600.0
_TARGET_SHARE = 0.01
# with the power stage on; a tuple: members of an enumeration are slow to hash, and this is asked every millisecond
_DRIVING = (DriveState.OPERATION_ENABLED, DriveState.QUICK_STOP_ACTIVE, DriveState.FAULT_REACTION_ACTIVE)


class Axis(Protocol):
    """What a drive reaches of the plant: its power stage, its machine and its own sensors."""

    house_sign: int  # of a torque that the drive counts positive

    @property
    def stage(self) -> LoadCommand | MotorDriveCommand:
        """What the power stage is told; torques in house sign."""

    @property
    def speed_rpm(self) -> float:
        """Speed of the machine, by the drive's own encoder."""

    @property
    def torque_nm(self) -> float:
        """Torque of the machine as the drive estimates it, house sign."""

    @property
    def dc_link_v(self) -> float:
        """Voltage that feeds the power stage."""


@dataclass(slots=True, kw_only=True)
class DriveRating:
    """What is set in the drive when the bench is commissioned; over the wire it is read only.

    Pole pairs, currents and switching frequency are carried and told; what they do to the machine is the plant's.
    """

    rated_torque_nm: float
    rated_current_a: float = 8.0
    peak_current_a: float = 24.0  # of a phase
    pole_pairs: int = 4
    pwm_frequency_hz: int = 8000
    overspeed_rpm: float = 6000.0
    own_torque_permille: int = 900
    least_link_v: float = 0.0  # below it the statusword shows no voltage
    over_voltage_v: float = math.inf  # above it the drive lets go
    machine_rise_k: float | None = 60.0  # of its machine's winding at rated torque; None: no sensor is connected
    ambient_degc: float = 23.0


@dataclass(slots=True, kw_only=True)
class DriveSettings:
    """The writable objects, as last written."""

    mode: int = NO_MODE
    target_torque_permille: int = 0  # drive sign
    target_speed_rpm: float = 0.0
    max_torque_permille: int = 1000
    max_speed_rpm: float = 6000.0
    quick_stop_option: int = QUICK_RAMP
    disable_option: int = SLOW_DOWN
    fault_reaction_option: int = QUICK_RAMP
    watchdog_ms: int = 0


@dataclass(slots=True, kw_only=True)
class _Ramp:
    """A stop on the way: the speed it commands, where it ends and when it is given up."""

    speed_rpm: float
    rate_rpm_s: float
    then: DriveState
    until_s: float


class AxisDrive:
    """One axis. `step` is its firmware's cycle, about every millisecond of plant time."""

    def __init__(self, *, axis: Axis, rating: DriveRating) -> None:
        self.rating = rating
        self.settings = DriveSettings(max_speed_rpm=rating.overspeed_rpm)
        self.state = DriveState.SWITCH_ON_DISABLED
        self.fault_code = 0
        self.controlword = 0
        self._axis = axis
        self._sto = False
        self._now_s = 0.0
        self._heard_s = 0.0
        self._ramp: _Ramp | None = None
        self._speed_command_rpm = 0.0
        self._torque_command_nm = 0.0  # drive sign
        self._machine_rise_k = 0.0

    # what the wire asks

    def request_arrived(self) -> None:
        """Any request on the wire feeds the communication watchdog."""
        self._heard_s = self._now_s

    def write_controlword(self, value: int) -> None:
        """Act on object 6040h, now."""
        command = decode(value, previous=self.controlword)
        self.controlword = value
        if self.state is DriveState.FAULT and command is Command.FAULT_RESET:
            if self._standing_fault():
                return
            self.fault_code = 0
        target = next_state(self.state, command)
        if target is self.state:
            if self.state is DriveState.OPERATION_ENABLED and command is Command.ENABLE_OPERATION:
                self._ramp = None  # enabling again takes back a disable that is still ramping
            return
        if self._sto and target is not DriveState.SWITCH_ON_DISABLED:
            return
        if self.state is DriveState.OPERATION_ENABLED:
            self._leave_enabled(command, target)
        elif self.state is DriveState.QUICK_STOP_ACTIVE and command is Command.ENABLE_OPERATION:
            if self.settings.quick_stop_option in {SLOW_DOWN_AND_STAY, QUICK_RAMP_AND_STAY}:
                self._enter(target)
        else:
            self._enter(target)
        self._drive_stage(0.0)

    def select_mode(self, mode: int) -> None:
        """Object 6060h: a new mode starts from what the shaft does now."""
        if mode != self.settings.mode:
            self.settings.mode = mode
            self._speed_command_rpm = self._axis.speed_rpm
            self._torque_command_nm = 0.0

    def trip(self, code: int, *, coast: bool = False) -> None:
        """Go into Fault, by the fault reaction option or at once without torque."""
        if self.state in {DriveState.FAULT, DriveState.FAULT_REACTION_ACTIVE}:
            return
        self.fault_code = code
        option = self.settings.fault_reaction_option
        if coast or option == COAST or not self.power_stage_on:
            self._enter(DriveState.FAULT)
        else:
            rate = _SLOW_DOWN_RPM_S if option == SLOW_DOWN else _QUICK_STOP_RPM_S
            self._enter(DriveState.FAULT_REACTION_ACTIVE)
            self._start_ramp(rate, then=DriveState.FAULT)
        self._drive_stage(0.0)

    # what the hardware does

    def safe_torque_off(self, *, active: bool) -> None:
        """The STO input: torque is gone at once, and enabling is refused until it ends and is asked for again."""
        self._sto = active
        if not active:
            return
        if self.state is DriveState.FAULT_REACTION_ACTIVE:
            self._enter(DriveState.FAULT)
        elif self.state not in {DriveState.FAULT, DriveState.SWITCH_ON_DISABLED}:
            self._enter(DriveState.SWITCH_ON_DISABLED)
        self._drive_stage(0.0)

    def step(self, time_s: float) -> None:
        """One cycle at a plant time: own trips, watchdog, ramps, then the power stage."""
        dt_s = max(0.0, time_s - self._now_s)
        self._now_s = time_s
        self._watch(time_s)
        self._warm(dt_s)
        ramp = self._ramp
        if ramp is not None:
            ramp.speed_rpm = _towards(ramp.speed_rpm, 0.0, ramp.rate_rpm_s * dt_s)
            stands = ramp.speed_rpm == 0.0 and abs(self._axis.speed_rpm) < _STANDSTILL_RPM
            if (stands and ramp.then is not self.state) or time_s >= ramp.until_s:
                self._enter(ramp.then)
        self._drive_stage(dt_s)

    # what the wire reads

    @property
    def house_sign(self) -> int:
        """House sign of a torque that the drive counts positive."""
        return self._axis.house_sign

    @property
    def sto_active(self) -> bool:
        """The STO input, as the drive sees it."""
        return self._sto

    @property
    def power_stage_on(self) -> bool:
        """Whether the power stage may make torque."""
        return self._axis.stage.power_stage_on

    @property
    def speed_rpm(self) -> float:
        """Object 606Ch: the drive's own encoder."""
        return self._axis.speed_rpm

    @property
    def torque_permille(self) -> float:
        """Object 6077h in 0.1 % of rated, drive sign."""
        return 1000.0 * self.house_sign * self._axis.torque_nm / self.rating.rated_torque_nm

    @property
    def dc_link_v(self) -> float:
        """Object 6079h."""
        return self._axis.dc_link_v

    @property
    def motor_degc(self) -> float:
        """The machine's winding; NaN where the drive has no sensor in it."""
        return math.nan if self.rating.machine_rise_k is None else self.rating.ambient_degc + self._machine_rise_k

    @property
    def torque_bound_nm(self) -> float:
        """The strictest of the maximum torque as written and the drive's own limit."""
        permille = min(self.settings.max_torque_permille, self.rating.own_torque_permille)
        return permille / 1000.0 * self.rating.rated_torque_nm

    def statusword(self) -> int:
        """Object 6041h."""
        flags = 0
        if self.state is DriveState.OPERATION_ENABLED and self._ramp is None:
            mode = self.settings.mode
            if mode in {CYCLIC_VELOCITY, CYCLIC_TORQUE}:
                flags |= FOLLOWS_COMMAND
            if self._target_reached():
                flags |= TARGET_REACHED
            if self._limited():
                flags |= INTERNAL_LIMIT
        live = self._axis.dc_link_v > self.rating.least_link_v
        return statusword(self.state, voltage_present=live, flags=flags)

    # inside

    def _leave_enabled(self, command: Command, target: DriveState) -> None:
        option = self.settings.quick_stop_option
        if command is Command.QUICK_STOP and option != COAST:
            slow = option in {SLOW_DOWN, SLOW_DOWN_AND_STAY}
            stays = option in {SLOW_DOWN_AND_STAY, QUICK_RAMP_AND_STAY}
            self._enter(DriveState.QUICK_STOP_ACTIVE)
            then = DriveState.QUICK_STOP_ACTIVE if stays else DriveState.SWITCH_ON_DISABLED
            self._start_ramp(_SLOW_DOWN_RPM_S if slow else _QUICK_STOP_RPM_S, then=then)
        elif command is Command.QUICK_STOP:
            self._enter(DriveState.SWITCH_ON_DISABLED)
        elif command is Command.SWITCH_ON and self.settings.disable_option == SLOW_DOWN:
            self._start_ramp(_SLOW_DOWN_RPM_S, then=target)  # still enabled until it stands
        else:
            self._enter(target)

    def _start_ramp(self, rate_rpm_s: float, *, then: DriveState) -> None:
        speed = self._axis.speed_rpm
        stays = then is DriveState.QUICK_STOP_ACTIVE
        until = math.inf if stays else self._now_s + abs(speed) / rate_rpm_s + _RAMP_GRACE_S
        self._ramp = _Ramp(speed_rpm=speed, rate_rpm_s=rate_rpm_s, then=then, until_s=until)

    def _enter(self, state: DriveState) -> None:
        self._ramp = None
        if state is DriveState.OPERATION_ENABLED:
            self._speed_command_rpm = self._axis.speed_rpm
            self._torque_command_nm = 0.0
            self._heard_s = self._now_s
        self.state = state

    def _standing_fault(self) -> bool:
        """A cause that is still there keeps the drive in Fault."""
        if self.fault_code == OVER_VOLTAGE_FAULT:
            return self._axis.dc_link_v > self.rating.over_voltage_v
        return self.fault_code == OVERSPEED_FAULT and abs(self._axis.speed_rpm) > self.rating.overspeed_rpm

    def _watch(self, time_s: float) -> None:
        if self.state not in _DRIVING:
            return
        too_fast = abs(self._axis.speed_rpm) > self.rating.overspeed_rpm
        too_high = self._axis.dc_link_v > self.rating.over_voltage_v
        if self.state is DriveState.FAULT_REACTION_ACTIVE:
            if too_fast or too_high:
                self._enter(DriveState.FAULT)  # the ramp does not hold the shaft, or feeds the link: let go
            return
        if too_fast:
            self.trip(OVERSPEED_FAULT, coast=True)  # a drive that lost its speed must not ramp with it
            return
        if too_high:
            self.trip(OVER_VOLTAGE_FAULT, coast=True)  # braking would lift the link further
            return
        watchdog_s = self.settings.watchdog_ms / 1000.0
        if watchdog_s > 0 and time_s - self._heard_s > watchdog_s:
            self.trip(COMMUNICATION_FAULT)

    def _warm(self, dt_s: float) -> None:
        if self.rating.machine_rise_k is None:
            return
        share = self._axis.torque_nm / self.rating.rated_torque_nm
        end_k = self.rating.machine_rise_k * share * share
        self._machine_rise_k += (end_k - self._machine_rise_k) * dt_s / _MACHINE_TIME_S

    def _drive_stage(self, dt_s: float) -> None:
        """Tell the power stage what to do in this cycle."""
        stage = self._axis.stage
        stage.torque_bound_nm = self.torque_bound_nm
        stage.speed_bound_rpm = self.rating.overspeed_rpm
        if self._sto or self.state not in _DRIVING:
            stage.power_stage_on = False
            stage.mode, stage.torque_nm, stage.speed_rpm = "torque", 0.0, 0.0
            return
        stage.power_stage_on = True
        settings = self.settings
        if self._ramp is not None:
            stage.mode, stage.speed_rpm = "speed", self._ramp.speed_rpm
        elif settings.mode in SPEED_MODES:
            target = self._target_speed_rpm()
            if settings.mode == PROFILE_VELOCITY:
                target = _towards(self._speed_command_rpm, target, _PROFILE_RPM_S * dt_s)
            self._speed_command_rpm = target
            stage.mode, stage.speed_rpm = "speed", target
        else:
            target = self._target_torque_nm() if settings.mode in TORQUE_MODES else 0.0
            if settings.mode == PROFILE_TORQUE:
                rate = _PROFILE_TORQUE_RATES * self.rating.rated_torque_nm
                target = _towards(self._torque_command_nm, target, rate * dt_s)
            self._torque_command_nm = target
            stage.mode, stage.torque_nm = "torque", self.house_sign * target
            stage.speed_bound_rpm = min(settings.max_speed_rpm, self.rating.overspeed_rpm)

    def _target_speed_rpm(self) -> float:
        return _clamped(self.settings.target_speed_rpm, self.rating.overspeed_rpm)

    def _target_torque_nm(self) -> float:
        wanted = self.settings.target_torque_permille / 1000.0 * self.rating.rated_torque_nm
        return _clamped(wanted, self.torque_bound_nm)

    def _target_reached(self) -> bool:
        if self.settings.mode in SPEED_MODES:
            near = _TARGET_SHARE * abs(self.settings.target_speed_rpm) + _STANDSTILL_RPM
            return abs(self._axis.speed_rpm - self.settings.target_speed_rpm) <= near
        if self.settings.mode in TORQUE_MODES:
            return abs(self.torque_permille - self.settings.target_torque_permille) <= 1000.0 * _TARGET_SHARE
        return False

    def _limited(self) -> bool:
        settings = self.settings
        if settings.mode in SPEED_MODES:
            return abs(settings.target_speed_rpm) > self.rating.overspeed_rpm
        wanted_nm = abs(settings.target_torque_permille) / 1000.0 * self.rating.rated_torque_nm
        return settings.mode in TORQUE_MODES and wanted_nm > self.torque_bound_nm


def _towards(value: float, target: float, most: float) -> float:
    """`value` moved towards `target` by at most `most`."""
    return min(value + most, target) if target > value else max(value - most, target)


def _clamped(value: float, bound: float) -> float:
    return max(-bound, min(bound, value))
