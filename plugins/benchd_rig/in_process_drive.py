"""A simulated drive as an in-process port: what the contract's `Drive` promises, said to the drive's objects.

Its one job is house signs and units on one side and the drive's own on the other. It walks the same states and writes
the same objects as a driver on the wire, and it never repeats a request.
"""

import asyncio
import math
from collections.abc import Callable
from typing import TypeVar

from benchd.contract import DeviceFault, DriveLimits, DriveParameters, DriveReading, DriveState, OutOfRange, Refused
from benchd_rig.axis_drive import PROFILE_TORQUE, PROFILE_VELOCITY, AxisDrive
from benchd_rig.in_process_wire import InProcessWire
from benchd_rig.wire_faults import WireFaults

WATCHDOG_MS = 500
_POLL_S = 0.005
_STATE_TIME_S = 1.0
_SHUTDOWN, _SWITCH_ON, _ENABLE, _DISABLE_VOLTAGE, _RESET = 0x06, 0x07, 0x0F, 0x00, 0x80
_FAULTY = frozenset({DriveState.FAULT, DriveState.FAULT_REACTION_ACTIVE})
_OFF = frozenset(DriveState) - {
    DriveState.OPERATION_ENABLED,
    DriveState.QUICK_STOP_ACTIVE,
    DriveState.FAULT_REACTION_ACTIVE,
}
_TOWARDS_ENABLED = {
    DriveState.SWITCH_ON_DISABLED: (_SHUTDOWN, DriveState.READY_TO_SWITCH_ON),
    DriveState.READY_TO_SWITCH_ON: (_SWITCH_ON, DriveState.SWITCHED_ON),
    DriveState.SWITCHED_ON: (_ENABLE, DriveState.OPERATION_ENABLED),
    DriveState.QUICK_STOP_ACTIVE: (_DISABLE_VOLTAGE, DriveState.SWITCH_ON_DISABLED),
}


T = TypeVar("T")


class InProcessDrive:
    """The port "axis"."""

    def __init__(self, wire: InProcessWire, drive: AxisDrive, faults: WireFaults) -> None:
        self._wire = wire
        self._drive = drive
        self._faults = faults

    async def read(self) -> DriveReading:
        """State, speed, torque, link and the machine's temperature, in the drive's resolution."""
        return await self._ask("reading", self._reading)

    async def read_limits(self) -> DriveLimits:
        """What the drive holds by itself."""
        return await self._ask("limits", self._limits)

    async def read_parameters(self) -> DriveParameters:
        """What the drive was commissioned with, by the names that the plugin's own register map gives."""
        return await self._ask("parameters", self._parameters)

    async def enable(self) -> None:
        """Walk to Operation enabled with zero torque as target, communication watchdog armed."""
        state = await self._state()
        await self._follow(torque_nm=0.0, speed_rpm=0.0, mode=PROFILE_TORQUE)
        while state is not DriveState.OPERATION_ENABLED:
            controlword, leads_to = _TOWARDS_ENABLED[state]
            state = await self._step(controlword, frozenset({leads_to}))

    async def disable(self) -> None:
        """Leave Operation enabled by the drive's own disable option, then power stage off."""
        state = await self._state(faults_end_it=False)
        if state is DriveState.OPERATION_ENABLED:
            state = await self._step(_SWITCH_ON, _OFF, faults_end_it=False)
        if state is DriveState.SWITCHED_ON:
            await self._step(_SHUTDOWN, _OFF - {DriveState.SWITCHED_ON}, faults_end_it=False)
        elif state not in _OFF:
            await self._step(_DISABLE_VOLTAGE, _OFF, faults_end_it=False)

    async def follow_speed(self, speed_rpm: float, *, torque_limit_nm: float) -> None:
        """Follow a speed, never with more than this torque."""
        self._within("speed", speed_rpm, self._drive.rating.overspeed_rpm, "r/min")
        self._within("torque limit", torque_limit_nm, self._own_torque_nm(), "N·m", low=0.0)
        await self._follow(speed_rpm=speed_rpm, mode=PROFILE_VELOCITY, torque_limit_nm=torque_limit_nm)

    async def follow_torque(self, torque_nm: float, *, speed_limit_rpm: float) -> None:
        """Follow a torque in house sign, never beyond this speed."""
        self._within("torque", torque_nm, self._own_torque_nm(), "N·m")
        self._within("speed limit", speed_limit_rpm, self._drive.rating.overspeed_rpm, "r/min", low=0.0)
        await self._follow(torque_nm=torque_nm, mode=PROFILE_TORQUE, speed_limit_rpm=speed_limit_rpm)

    async def clear_fault(self) -> None:
        """Acknowledge a fault; the drive stays disabled. Does nothing without one."""
        state = await self._state(faults_end_it=False)
        if state is DriveState.FAULT_REACTION_ACTIVE:
            state = await self._step(None, frozenset({DriveState.FAULT}), faults_end_it=False)
        if state is not DriveState.FAULT:
            return
        await self._controlword(_DISABLE_VOLTAGE)
        await self._step(_RESET, _OFF - _FAULTY, faults_end_it=False)
        await self._controlword(_DISABLE_VOLTAGE)

    async def make_safe(self) -> None:
        """No torque and power stage off, confirmed by the state."""
        await self._wire.open()
        await self._step(_DISABLE_VOLTAGE, _OFF - {DriveState.SWITCHED_ON}, faults_end_it=False)

    async def _follow(
        self,
        *,
        mode: int,
        torque_nm: float = 0.0,
        speed_rpm: float = 0.0,
        torque_limit_nm: float | None = None,
        speed_limit_rpm: float | None = None,
    ) -> None:
        drive, settings = self._drive, self._drive.settings
        rated = drive.rating.rated_torque_nm
        bound_nm = self._own_torque_nm() if torque_limit_nm is None else torque_limit_nm
        asked = {
            "watchdog_ms": WATCHDOG_MS,
            "max_torque_permille": math.floor(bound_nm / rated * 1000.0 + 1e-6),
            "max_speed_rpm": drive.rating.overspeed_rpm if speed_limit_rpm is None else round(speed_limit_rpm, 1),
            "target_torque_permille": round(drive.house_sign * torque_nm / rated * 1000.0),
            "target_speed_rpm": round(speed_rpm, 1),
        }

        def give() -> None:
            drive.request_arrived()
            for name, value in asked.items():
                setattr(settings, name, value)
            drive.select_mode(mode)

        def holds() -> bool:
            drive.request_arrived()
            return settings.mode == mode and all(getattr(settings, name) == value for name, value in asked.items())

        await self._wire.write("set-points", give, holds)

    async def _state(self, *, faults_end_it: bool = True) -> DriveState:
        state, code = await self._ask("state", lambda: (self._drive.state, self._drive.fault_code))
        if faults_end_it and state in _FAULTY:
            name = self._wire.device
            raise DeviceFault(f'The {name} is in "{state.value}" with fault code 0x{code:04X}: look at the drive.')
        return state

    async def _step(
        self, controlword: int | None, wanted: frozenset[DriveState], *, faults_end_it: bool = True
    ) -> DriveState:
        until_s = self._wire.now() + _STATE_TIME_S
        if controlword == _SWITCH_ON:  # leaving by the disable option takes as long as its ramp
            until_s += abs(self._drive.speed_rpm) / 1000.0
        if controlword is not None:
            await self._controlword(controlword)
        while (state := await self._state(faults_end_it=faults_end_it)) not in wanted:
            if self._wire.now() >= until_s:
                sto = " while its STO input is active" if self._drive.sto_active else ""
                raise Refused(f'The {self._wire.device} stays in "{state.value}"{sto}: look at the drive.')
            await asyncio.sleep(_POLL_S)
        return state

    async def _controlword(self, value: int) -> None:
        def give() -> None:
            self._drive.request_arrived()
            self._drive.write_controlword(value)

        await self._wire.exchange("controlword", give, writes=True)

    async def _ask(self, what: str, look: Callable[[], T]) -> T:
        def heard() -> T:
            self._drive.request_arrived()
            return look()

        return await self._wire.exchange(what, heard)

    def _reading(self) -> DriveReading:
        drive = self._drive
        permille = round(drive.torque_permille)
        no_sensor = self._faults.is_on("nan") or math.isnan(drive.motor_degc)
        return DriveReading(
            state=drive.state,
            speed_rpm=round(drive.speed_rpm, 1),
            torque_nm=drive.house_sign * permille / 1000.0 * drive.rating.rated_torque_nm,
            dc_link_v=drive.dc_link_v,
            winding_degc=None if no_sensor else round(drive.motor_degc, 1),
            fault_code=drive.fault_code,
            taken_mono_s=self._wire.now(),
        )

    def _limits(self) -> DriveLimits:
        rating, settings = self._drive.rating, self._drive.settings
        return DriveLimits(
            overspeed_rpm=rating.overspeed_rpm,
            torque_limit_nm=self._own_torque_nm(),
            rated_torque_nm=rating.rated_torque_nm,
            quick_stop_option=settings.quick_stop_option,
            disable_option=settings.disable_option,
            fault_reaction_option=settings.fault_reaction_option,
        )

    def _parameters(self) -> DriveParameters:
        rating, settings = self._drive.rating, self._drive.settings
        return DriveParameters(
            values={
                "pole_pairs": rating.pole_pairs,
                "rated_current_a": round(rating.rated_current_a, 3),
                "peak_current_a": round(rating.peak_current_a, 3),
                "pwm_frequency_hz": rating.pwm_frequency_hz,
                "rated_torque_nm": round(rating.rated_torque_nm, 3),
                "overspeed_rpm": round(rating.overspeed_rpm, 1),
                "torque_limit_nm": self._own_torque_nm(),
                "quick_stop_option": settings.quick_stop_option,
                "disable_option": settings.disable_option,
                "fault_reaction_option": settings.fault_reaction_option,
            }
        )

    def _own_torque_nm(self) -> float:
        return self._drive.rating.own_torque_permille / 1000.0 * self._drive.rating.rated_torque_nm

    def _within(self, what: str, value: float, bound: float, unit: str, *, low: float | None = None) -> None:
        least = -bound if low is None else low
        if not (math.isfinite(value) and least <= value <= bound):
            raise OutOfRange(
                f"The {self._wire.device} was to be given a {what} of {value:g} {unit}, outside {least:g} to "
                f"{bound:g} {unit}: nothing was sent."
            )
