"""One drive axis: what the contract's `Drive` promises, said in registers of a CiA 402 drive.

It confirms every write by read-back and every state by the statusword. It must never repeat a request, and it never
sends anything on a connection that another call has taken over.
"""

import asyncio
import math
from collections.abc import Mapping

from benchd.contract import (
    DeviceFault,
    DriveLimits,
    DriveParameters,
    DriveReading,
    DriverError,
    DriveState,
    LinkLost,
    OutOfRange,
    Refused,
    ReplyWrong,
)
from benchd_modbus.cia402 import (
    FAULTY,
    POWER_STAGE_OFF,
    TOWARDS_ENABLED,
    TOWARDS_OFF,
    WHAT_TO_LOOK_AT,
    Controlword,
    Step,
    state_of,
)
from benchd_modbus.commissioned import OWN_LIMITS, STOP_OPTIONS, drive_limits, drive_parameters, parameter_objects
from benchd_modbus.connection import Connection, Line
from benchd_modbus.registers import LONGEST_READ, LONGEST_WRITE, MappedObject, Span, spans
from benchd_modbus.settings import DEFAULT_WATCHDOG_MS, SAFE_TIME_S, ModbusDriveSettings
from benchd_modbus.shaft_side import ShaftSide

_POLL_S = 0.005
_STATUS = ("statusword", "mode_display", "torque_actual", "velocity_actual", "dc_link_voltage", "fault_code")
_SETPOINTS = (
    "max_torque",
    "max_speed",
    "target_torque",
    "target_velocity",
)  # bounds first where one write is not enough


class Axis:
    """The port "axis" of a drive."""

    def __init__(self, connection: Connection, settings: ModbusDriveSettings) -> None:
        self._connection = connection
        self._settings = settings
        self._map = settings.load_map()
        self._shaft = ShaftSide(
            torque_sign=settings.torque_sign,
            speed_sign=settings.speed_sign,
            gear_ratio=settings.gear_ratio,
            rated_torque_nm=settings.rated_torque_nm or math.nan,
        )
        self._status = self._reads(*_STATUS, "motor_temperature")
        self._mode_display = self._reads("mode_display")
        self._setpoints = self._writes(*_SETPOINTS)
        self._setpoints_and_mode = self._writes(*_SETPOINTS, "mode")
        self._readback = self._reads("mode", *_SETPOINTS)
        parameters = self._map.those_of(*parameter_objects(self._map))
        self._parameters = spans(parameters, through_gaps=False, longest=LONGEST_READ)  # once a start: no gap is risked
        self._mode_on: tuple[Line, int] | None = None  # the mode that was read back, and on which line
        self._safe_under_way: asyncio.Future[bool] | None = None

    async def look_first(self, line: Line) -> None:
        """Check the drive's identity and read its rated torque; changes nothing on the drive."""
        raw = await self._read(line, self._reads("rated_torque", "vendor_code", "product_code", "statusword"))
        self._state(raw)
        place, settings = self._connection.place, self._settings
        for key, asked in (("vendor_code", settings.vendor_code), ("product_code", settings.product_code)):
            if asked is not None and raw[key] != asked:
                raise Refused(
                    f"{place} is another device: its {key} is 0x{int(raw[key]):04X} and the settings ask for "
                    f"0x{asked:04X}, check address and wiring."
                )
        if "rated_torque" in raw:
            rated_nm = raw["rated_torque"] * self._map["rated_torque"].scale
            if not 0.0 < rated_nm < math.inf:
                raise Refused(f"{place} tells a rated torque of {rated_nm} N·m: enter the machine's data in it.")
            self._shaft = ShaftSide(
                torque_sign=settings.torque_sign,
                speed_sign=settings.speed_sign,
                gear_ratio=settings.gear_ratio,
                rated_torque_nm=rated_nm,
            )

    async def read(self) -> DriveReading:
        """State, speed, torque, link voltage, winding temperature in one exchange."""
        loop = asyncio.get_running_loop()
        with self._connection.call() as line:
            started_mono_s = loop.time()
            raw = await self._read(line, self._status)
            taken_mono_s = 0.5 * (started_mono_s + loop.time())
            state = self._state(raw)
        return DriveReading(
            state=state,
            speed_rpm=self._shaft.speed_rpm(self._map["velocity_actual"], raw["velocity_actual"]),
            torque_nm=self._shaft.torque_nm(self._map["torque_actual"], raw["torque_actual"]),
            dc_link_v=self._value_if_there(raw, "dc_link_voltage"),
            winding_degc=self._value_if_there(raw, "motor_temperature"),
            fault_code=int(raw.get("fault_code", 0)) if state in FAULTY else 0,  # many drives keep the last one
            taken_mono_s=taken_mono_s,
        )

    async def read_limits(self) -> DriveLimits:
        """Overspeed, torque limit and stop options that the drive holds by itself.

        Raises `Refused` where the map does not say in which registers they are.
        """
        for name in (*OWN_LIMITS, *STOP_OPTIONS):
            if name not in self._map:
                raise Refused(
                    f"{self._connection.place}: register map {self._map.source} has no {name}, so the drive cannot "
                    f"show its own limits: add its register."
                )
        with self._connection.call() as line:
            raw = await self._read(line, self._reads(*OWN_LIMITS)) | await self._read(line, self._reads(*STOP_OPTIONS))
        return drive_limits(self._map, raw, self._shaft)

    async def read_parameters(self) -> DriveParameters:
        """What the drive was commissioned with, in its own terms: all registers that the map names for it."""
        with self._connection.call() as line:
            raw = await self._read(line, self._parameters)
            try:
                return drive_parameters(self._map, raw, self._shaft)
            except ValueError as error:
                raise ReplyWrong(f"{self._connection.place}: {error}, check the register map.") from error

    async def enable(self) -> None:
        """Walk to Operation enabled, in torque mode with zero torque as target and the settings' bounds.

        Raises `Refused` when the drive stays in a state, `DeviceFault` when it is in Fault.
        """
        deadline_mono_s = self._deadline_mono_s()
        with self._connection.call() as line:
            state = await self._look(line)
            await self._arm_watchdog(line)
            await self._command(line, self._map.torque_mode, self._setpoints_for(torque_nm=0.0))
            while (step := TOWARDS_ENABLED.get(state)) is not None:
                state = await self._take(line, step, deadline_mono_s)
            await self._confirm_mode(line, self._map.torque_mode, deadline_mono_s)

    async def disable(self) -> None:
        """Leave Operation enabled by the drive's own disable option, then power stage off; both confirmed."""
        deadline_mono_s = self._deadline_mono_s()
        with self._connection.call() as line:
            state = self._state(await self._read(line, self._status))
            while (step := TOWARDS_OFF.get(state)) is not None:
                state = await self._take(line, step, deadline_mono_s, also=POWER_STAGE_OFF)

    async def follow_speed(self, speed_rpm: float, *, torque_limit_nm: float) -> None:
        """Follow a speed, never with more than this torque. Read back."""
        setpoints = self._setpoints_for(speed_rpm=speed_rpm, torque_limit_nm=torque_limit_nm)
        with self._connection.call() as line:
            if await self._command(line, self._map.speed_mode, setpoints):
                await self._confirm_mode(line, self._map.speed_mode, self._deadline_mono_s())

    async def follow_torque(self, torque_nm: float, *, speed_limit_rpm: float) -> None:
        """Follow a torque in house signs, never beyond this speed. Read back."""
        setpoints = self._setpoints_for(torque_nm=torque_nm, speed_limit_rpm=speed_limit_rpm)
        with self._connection.call() as line:
            if await self._command(line, self._map.torque_mode, setpoints):
                await self._confirm_mode(line, self._map.torque_mode, self._deadline_mono_s())

    async def clear_fault(self) -> None:
        """Acknowledge a fault by the rising edge of the reset bit; without a fault it does nothing."""
        deadline_mono_s = self._deadline_mono_s()
        with self._connection.call() as line:
            state = self._state(await self._read(line, self._status))
            if state is DriveState.FAULT_REACTION_ACTIVE:
                step = Step(controlword=None, leads_to=DriveState.FAULT)
                state = await self._take(line, step, deadline_mono_s, also=POWER_STAGE_OFF)
            if state is not DriveState.FAULT:
                return
            await self._send(line, Controlword.DISABLE_VOLTAGE)  # the bit must be low before it can rise
            await self._send(line, Controlword.FAULT_RESET)
            await self._await_state(
                line,
                POWER_STAGE_OFF - FAULTY,
                deadline_mono_s,
                after=Controlword.FAULT_RESET.words,
                faults_end_it=False,
            )
            await self._send(line, Controlword.DISABLE_VOLTAGE)

    async def make_safe(self) -> None:
        """No torque and power stage off, confirmed by the statusword, within the promised safe time.

        A connection that is busy or out of step is given up; the call that was on it ends with `LinkLost`.
        """
        self._connection.must_be_entered()
        deadline_mono_s = asyncio.get_running_loop().time() + SAFE_TIME_S
        while (other := self._safe_under_way) is not None:
            # Two of them would take the connection from each other; the other's success is this one's too.
            await asyncio.wait([other], timeout=deadline_mono_s - asyncio.get_running_loop().time())
            if not other.done():
                raise LinkLost(
                    f"{self._connection.place} did not confirm in {SAFE_TIME_S} s that it is without torque."
                )
            if other.result():
                return
        done: asyncio.Future[bool] = asyncio.get_running_loop().create_future()
        self._safe_under_way = done
        confirmed = False
        try:
            await self._disable_voltage(deadline_mono_s)
            confirmed = True
        finally:
            self._safe_under_way = None
            done.set_result(confirmed)

    async def _disable_voltage(self, deadline_mono_s: float) -> None:
        place = self._connection.place
        last: DriverError = LinkLost(f"{place} did not confirm in {SAFE_TIME_S} s that it is without torque.")
        try:
            async with asyncio.timeout_at(deadline_mono_s):
                while True:
                    # A device with room for one connection refuses a new one until it has noticed the old one's end.
                    try:
                        await self._connection.secure()
                        with self._connection.call() as line:
                            await self._send(line, Controlword.DISABLE_VOLTAGE)
                            await self._await_state(
                                line,
                                POWER_STAGE_OFF,
                                deadline_mono_s - 2.0 * _POLL_S,
                                after=Controlword.DISABLE_VOLTAGE.words,
                                faults_end_it=False,
                            )
                    except DriverError as error:
                        last = error
                        await asyncio.sleep(_POLL_S)
                    else:
                        return
        except TimeoutError:
            raise last from None

    async def _take(
        self, line: Line, step: Step, deadline_mono_s: float, *, also: frozenset[DriveState] = frozenset()
    ) -> DriveState:
        if step.controlword is not None:
            await self._send(line, step.controlword)
        after = step.controlword.words if step.controlword is not None else "waiting"
        wanted = frozenset({step.leads_to}) | also
        return await self._await_state(line, wanted, deadline_mono_s, after=after, faults_end_it=not wanted & FAULTY)

    async def _await_state(
        self,
        line: Line,
        wanted: frozenset[DriveState],
        deadline_mono_s: float,
        *,
        after: str,
        faults_end_it: bool,
    ) -> DriveState:
        loop = asyncio.get_running_loop()
        while True:
            if faults_end_it:
                state = await self._look(line)
                code = ""
            else:
                raw = await self._read(line, self._status)
                state = self._state(raw)
                code = f" with fault code 0x{int(raw.get('fault_code', 0)):04X}" if state in FAULTY else ""
            if state in wanted:
                return state
            if loop.time() >= deadline_mono_s:
                raise Refused(
                    f'{self._connection.place} stays in "{state.value}"{code} after {after}: {WHAT_TO_LOOK_AT[state]}.'
                )
            await asyncio.sleep(_POLL_S)

    async def _look(self, line: Line) -> DriveState:
        """The state; raises `DeviceFault` with the fault code."""
        raw = await self._read(line, self._status)
        state = self._state(raw)
        if state in FAULTY:
            code = f"fault code 0x{int(raw['fault_code']):04X}" if "fault_code" in raw else "a fault of unknown code"
            raise DeviceFault(f'{self._connection.place} is in "{state.value}" with {code}: {WHAT_TO_LOOK_AT[state]}.')
        return state

    async def _arm_watchdog(self, line: Line) -> None:
        if "communication_watchdog" not in self._map:
            return
        asked_ms = self._settings.communication_watchdog_ms
        held_by = self._map["communication_watchdog"]
        raw = {held_by.name: held_by.nearest(DEFAULT_WATCHDOG_MS if asked_ms is None else asked_ms)}
        await self._write(line, self._writes(held_by.name), raw)
        self._compare(raw, await self._read(line, self._reads(held_by.name)))

    async def _command(self, line: Line, mode: int, setpoints: dict[str, float]) -> bool:
        """Write mode and set-points in one request, read them back in one; whether the mode was written anew."""
        switches = self._mode_on != (line, mode)
        setpoints["mode"] = mode
        self._mode_on = None
        await self._write(line, self._setpoints_and_mode if switches else self._setpoints, setpoints)
        self._compare(setpoints, await self._read(line, self._readback))
        self._mode_on = (line, mode)
        return switches

    async def _confirm_mode(self, line: Line, mode: int, deadline_mono_s: float) -> None:
        while (shown := (await self._read(line, self._mode_display))["mode_display"]) != mode:
            if asyncio.get_running_loop().time() >= deadline_mono_s:
                raise Refused(
                    f"{self._connection.place} stays in mode of operation {shown} where {mode} was asked: check the "
                    f"modes in register map {self._map.source}."
                )
            await asyncio.sleep(_POLL_S)

    def _setpoints_for(
        self,
        *,
        torque_nm: float = 0.0,
        speed_rpm: float = 0.0,
        torque_limit_nm: float | None = None,
        speed_limit_rpm: float | None = None,
    ) -> dict[str, float]:
        settings = self._settings
        torque_bound_nm = settings.max_torque_nm if torque_limit_nm is None else torque_limit_nm
        speed_bound_rpm = settings.max_speed_rpm if speed_limit_rpm is None else speed_limit_rpm
        self._check(abs(torque_nm), settings.max_torque_nm, "torque", "N·m")
        self._check(torque_bound_nm, settings.max_torque_nm, "torque limit", "N·m")
        self._check(abs(speed_rpm), settings.max_speed_rpm, "speed", "r/min")
        self._check(speed_bound_rpm, settings.max_speed_rpm, "speed limit", "r/min")
        shaft, here = self._shaft, self._map
        raw = {
            "max_torque": shaft.raw_torque_bound(here["max_torque"], torque_bound_nm),
            "max_speed": shaft.raw_speed_bound(here["max_speed"], speed_bound_rpm),
            "target_torque": shaft.raw_torque(here["target_torque"], torque_nm),
            "target_velocity": shaft.raw_speed(here["target_velocity"], speed_rpm),
        }
        for name, number in raw.items():
            try:
                here[name].encode(number)
            except ValueError as error:
                raise OutOfRange(
                    f"{self._connection.place} cannot hold this {name} ({error}): lower it, nothing was sent."
                ) from error
        return raw

    def _check(self, magnitude: float, bound: float, what: str, unit: str) -> None:
        if not 0.0 <= magnitude <= bound:
            raise OutOfRange(
                f"{self._connection.place}: a {what} of {magnitude:g} {unit} is outside 0 to {bound:g} {unit} of its "
                f"settings, nothing was sent."
            )

    def _compare(self, written: Mapping[str, float], read: Mapping[str, float]) -> None:
        for name, number in written.items():
            held_by = self._map[name]
            if held_by.encode(number) != held_by.encode(read[name]):
                raise ReplyWrong(
                    f"{self._connection.place} holds {read[name]:g} in {name} (register {held_by.address}) where "
                    f"{number:g} was written: look who else writes it, or whether the drive limits it."
                )

    def _state(self, raw: Mapping[str, float]) -> DriveState:
        try:
            return state_of(int(raw["statusword"]))
        except ValueError as error:
            raise ReplyWrong(f"{self._connection.place}: {error}, check the register map.") from error

    def _value_if_there(self, raw: Mapping[str, float], name: str) -> float | None:
        if name not in raw or raw[name] == self._map[name].missing:
            return None
        return raw[name] * self._map[name].scale

    async def _send(self, line: Line, controlword: Controlword) -> None:
        await line.write_registers(self._map["controlword"].address, (int(controlword),))

    async def _read(self, line: Line, plan: tuple[Span, ...]) -> dict[str, float]:
        raw: dict[str, float] = {}
        for each in plan:
            raw |= each.decode(await line.read_registers(each.table, each.address, each.count))
        return raw

    async def _write(self, line: Line, plan: tuple[Span, ...], raw: Mapping[str, float]) -> None:
        for each in plan:
            await line.write_registers(each.address, each.encode(raw))

    def _reads(self, *names: str) -> tuple[Span, ...]:
        objects: list[MappedObject] = self._map.those_of(*names)
        return spans(objects, through_gaps=self._map.read_through_gaps, longest=LONGEST_READ)

    def _writes(self, *names: str) -> tuple[Span, ...]:
        objects = self._map.those_of(*names)
        return spans(objects, through_gaps=self._map.write_through_gaps, longest=LONGEST_WRITE)

    def _deadline_mono_s(self) -> float:
        return asyncio.get_running_loop().time() + self._settings.state_time_s
