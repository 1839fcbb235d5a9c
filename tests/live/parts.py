"""A small make-believe bench for the parts of the live room: real rack, intake and set-points, invented devices.

Everything happens in virtual time. The shaft is a flywheel; the devices obey, are silent, refuse, lie or have a defect.
"""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field

from benchd.contract import (
    Drive,
    DriveLimits,
    DriveReading,
    DriveState,
    LinkLost,
    MeasuringReading,
    MeasuringUnit,
    Refused,
    ReplyWrong,
    SafetyChain,
    SafetyChainReading,
    Sink,
    SinkReading,
    SinkSettings,
    Supply,
    SupplyReading,
    SupplySettings,
)
from benchd.live.intake import Intake
from benchd.live.link_state import LinkState
from benchd.live.plan import BenchPlan, DcLink, DevicePlan, PortRef, RunPlan, Starting, Stopping
from benchd.live.rack import Rack
from benchd.live.setpoints import SetPoints
from benchd.rules.channels import Channel
from benchd.rules.limits import Bound, Limit, Reaction
from benchd.rules.moves import Role, Torque, Voltage
from benchd.rules.ramps import Slopes

SUPPLY = PortRef("supply", "output")
SINK = PortRef("sink", "input")
LOAD = PortRef("load_drive", "axis")
CHAIN = PortRef("safety_chain", "chain")
UNIT = PortRef("measuring_unit", "inputs")
SLOPES = Slopes(voltage_v_per_s=12.0, torque_nm_per_s=1.0, speed_rpm_per_s=2000.0)
SAFE_TIME_S = 0.5
INERTIA_KGM2 = 3e-4
RPM = 60.0 / 6.283185307179586


def channel(name: str, unit: str, ref: PortRef, signal: str, **more) -> Channel:
    return Channel(name=name, unit=unit, device=ref.device, port=ref.port, signal=signal, age_limit_s=0.3, **more)


CHANNELS = (
    channel("shaft_speed", "r/min", UNIT, "encoder_rpm"),
    channel("shaft_torque", "N·m", UNIT, "torque_nm", zeroed=True),
    channel("link_voltage", "V", UNIT, "link_v"),
    channel("drive_speed", "r/min", LOAD, "speed_rpm"),
    channel("drive_torque", "N·m", LOAD, "torque_nm"),
    channel("supply_voltage", "V", SUPPLY, "voltage_v"),
)
CAPABILITIES = {SUPPLY: Supply, SINK: Sink, LOAD: Drive, CHAIN: SafetyChain, UNIT: MeasuringUnit}


def bench_plan() -> BenchPlan:
    return BenchPlan(
        name="parts",
        tick_hz=100.0,
        devices={
            ref.device: DevicePlan(
                name=ref.device, poll_hz=100.0, reply_time_s=0.2, safe_time_s=SAFE_TIME_S, ports={ref.port: capability}
            )
            for ref, capability in CAPABILITIES.items()
        },
        channels=CHANNELS,
        supply=SUPPLY,
        sink=SINK,
        load_drive=LOAD,
        safety_chain=CHAIN,
        slopes=SLOPES,
        dc_link=DcLink(
            sink_threshold_v=30.0, sink_current_limit_a=20.0, over_voltage_protection_v=36.0, component_rating_v=50.0
        ),
        stopping=Stopping(standstill_rpm=10.0, braking_torque_nm=0.3, controlled_stop_time_s=5.0, coasting_time_s=15.0),
        starting=Starting(
            remote_required=True, pre_start_warning_s=0.1, transducer_zero_limit_nm=0.02, zero_time_s=0.2
        ),
    )


def run_plan(**changes) -> RunPlan:
    limit = Limit(
        channel="shaft_speed", bound=Bound.HIGH, value=6000.0, delay_s=0.0, reaction=Reaction.CUT, origin="the test"
    )
    values = {
        "limits": (limit,),
        "train_speed_rpm": 8000.0,
        "train_torque_nm": 2.5,
        "voltage_limit_v": 24.0,
        "current_limit_a": 10.0,
        "torque_limit_nm": 1.0,
        "speed_limit_rpm": 6000.0,
        "motor_torque_limit_nm": 0.8,
        "motor_speed_limit_rpm": 5500.0,
        "winding_current_limit_a": 2.0,
    }
    return RunPlan(**{**values, **changes})


SOUND = {
    "supply": SupplySettings(voltage_v=0.0, current_limit_a=10.0, over_voltage_protection_v=36.0, output_on=False),
    "sink": SinkSettings(armed=True, threshold_v=30.0, current_limit_a=20.0),
    "load_drive": DriveLimits(
        overspeed_rpm=6000.0,
        torque_limit_nm=1.8,
        rated_torque_nm=2.0,
        quick_stop_option=2,
        disable_option=1,
        fault_reaction_option=2,
    ),
}


@dataclass(slots=True)
class World:
    """The shaft and everything that was done to it, with times."""

    speed_rpm: float = 0.0
    link_v: float = 0.0
    output_on: bool = False
    stage_on: bool = False
    sink_on: bool = False
    permit: bool = True
    remote: bool = True
    release: bool | None = None  # the release of a start; None: this chain has none
    horn: list[bool] | None = None  # what the start warning was switched to; None: this chain has none
    torque_nm: float = 0.0  # asked of the load drive, house sign
    braking_nm: float | None = None  # bound of a speed target at standstill
    drag_nm: float = 0.02
    behaviour: dict[str, str] = field(default_factory=dict)  # device: silent, refuses, lies or defect
    says_speed_rpm: float | None = None  # what the encoder shows instead of the truth
    says_state: DriveState | None = None  # what the drive shows instead of the truth
    volts: float = 0.0
    shows: dict[str, object] = field(default_factory=dict)  # device: settings or limits that it reads back instead
    beats: list[float] = field(default_factory=list)
    log: list[tuple[float, str]] = field(default_factory=list)
    events: list[tuple[str, dict]] = field(default_factory=list)

    def plan(self) -> BenchPlan:
        return bench_plan()

    def device(self, name: str) -> "Device":
        return Device(self, name)

    def readings(self, now_s: float) -> dict[PortRef, object]:
        return readings(self, now_s)

    def follow(self, role: Role, target: object) -> None:
        """A set-point that the parts' own loop has brought to a device."""
        if isinstance(target, Torque):
            self.torque_nm = target.torque_nm

    def note(self, what: str) -> None:
        self.log.append((asyncio.get_running_loop().time(), what))

    def names(self) -> list[str]:
        return [what for _, what in self.log]

    def told(self, event: str) -> list[dict]:
        return [fields for name, fields in self.events if name == event]

    def when(self, what: str) -> float:
        return next(at for at, name in self.log if name == what)

    def step(self, dt_s: float) -> None:
        if not self.permit:
            self.output_on = self.stage_on = False
        friction_nm = self.drag_nm
        if self.stage_on and self.braking_nm is not None:
            friction_nm += self.braking_nm
        drive_nm = -self.torque_nm if self.stage_on and self.braking_nm is None else 0.0
        if self.output_on:
            drive_nm += (250.0 * self.volts - self.speed_rpm) * 1e-3
        speed = self.speed_rpm + drive_nm / INERTIA_KGM2 * dt_s * RPM
        loss = friction_nm / INERTIA_KGM2 * dt_s * RPM
        self.speed_rpm = max(0.0, speed - loss) if speed > 0.0 else min(0.0, speed + loss)


class Device:
    """One device's port as the live room sees it."""

    def __init__(self, world: World, name: str) -> None:
        self.world = world
        self.name = name

    async def _answer(self, what: str) -> None:
        """Take as long as a device does, and fail as it does."""
        self.world.note(f"{self.name}.{what}")
        behaviour = self.world.behaviour.get(self.name)
        if behaviour == "silent":
            await asyncio.sleep(0.2)
            raise LinkLost(f"{self.name}: no reply")
        await asyncio.sleep(0.002)
        if behaviour == "refuses":
            raise Refused(f"{self.name}: no")
        if behaviour == "lies":
            raise ReplyWrong(f"{self.name} reads back something else")
        if behaviour == "defect":
            raise ZeroDivisionError("a defect of the driver")
        self.world.note(f"{self.name}.{what} done")

    async def make_safe(self) -> None:
        await self._answer("make_safe")
        if self.name == "supply":
            self.world.output_on = False
        else:
            self.world.stage_on = False

    async def follow_speed(self, speed_rpm: float, *, torque_limit_nm: float) -> None:
        await self._answer(f"follow_speed {speed_rpm:g}")
        self.world.braking_nm = torque_limit_nm

    async def follow_torque(self, torque_nm: float, *, speed_limit_rpm: float) -> None:
        await self._answer(f"follow_torque {torque_nm:g}")
        self.world.torque_nm = torque_nm
        self.world.braking_nm = None

    async def set_voltage(self, voltage_v: float, *, current_limit_a: float) -> None:
        await self._answer(f"set_voltage {voltage_v:g}")
        self.world.volts = voltage_v

    async def set_over_voltage_protection(self, voltage_v: float) -> None:
        await self._answer("set_over_voltage_protection")

    async def switch_output(self, *, on: bool) -> None:
        await self._answer(f"switch_output {on}")
        self.world.output_on = on

    async def clear_protection(self) -> None:
        await self._answer("clear_protection")

    async def clear_fault(self) -> None:
        await self._answer("clear_fault")

    async def enable(self) -> None:
        await self._answer("enable")
        self.world.stage_on = True
        self.world.braking_nm = None

    async def arm(self, *, threshold_v: float, current_limit_a: float) -> None:
        await self._answer("arm")
        self.world.sink_on = True

    async def beat(self, *, high: bool) -> None:
        self.world.beats.append(asyncio.get_running_loop().time())

    async def read_settings(self) -> object:
        await self._answer("read_settings")
        return self.world.shows.get(self.name, SOUND[self.name])

    async def read_limits(self) -> object:
        await self._answer("read_limits")
        return self.world.shows.get(self.name, SOUND[self.name])

    async def read(self) -> object:
        await asyncio.sleep(0.2 if self.world.behaviour.get(self.name) == "silent" else 0.002)
        if self.world.behaviour.get(self.name) == "silent":
            raise LinkLost(f"{self.name}: no reply")
        now_s = asyncio.get_running_loop().time()
        return next(reading for ref, reading in self.world.readings(now_s).items() if ref.device == self.name)

    async def disarm(self) -> None:
        self.world.note(f"disarm at {abs(self.world.speed_rpm):.0f} r/min, {self.world.link_v:.0f} V")
        await self._answer("disarm")
        self.world.sink_on = False

    @property
    def announces_start(self) -> bool:
        return self.world.horn is not None

    async def announce_start(self, *, on: bool) -> None:
        await self._answer(f"announce_start {on}")
        self.world.horn = [*(self.world.horn or []), on]

    async def withdraw_permit(self) -> None:
        await self._answer("withdraw_permit")
        self.world.permit = False


class MadeUpLink:
    """What the live room needs of a link."""

    def __init__(self, port: Device) -> None:
        self.port = port
        self.state = LinkState.UP
        self.last_error = ""

    async def run(self) -> None:
        await asyncio.Event().wait()

    async def call(self, _port: str, action: Callable, *, deadline_s: float | None = None):
        return await action(self.port)

    async def make_safe(self, _port: str) -> None:
        await self.port.make_safe()


def readings(world: World, now_s: float) -> dict[PortRef, object]:
    """What every device that answers shows now."""
    encoder_rpm = world.speed_rpm if world.says_speed_rpm is None else world.says_speed_rpm
    torque_nm = world.torque_nm if world.stage_on and world.braking_nm is None else 0.0
    state = DriveState.OPERATION_ENABLED if world.stage_on else DriveState.SWITCH_ON_DISABLED
    state = world.says_state or state
    values = {"encoder_rpm": encoder_rpm, "torque_nm": torque_nm, "link_v": world.link_v}
    return {
        SUPPLY: SupplyReading(
            voltage_v=world.link_v, current_a=0.0, output_on=world.output_on, tripped=False, taken_mono_s=now_s
        ),
        SINK: SinkReading(
            voltage_v=world.link_v, current_a=0.0, input_on=world.sink_on, tripped=False, taken_mono_s=now_s
        ),
        LOAD: DriveReading(
            state=state,
            speed_rpm=world.speed_rpm,
            torque_nm=torque_nm,
            dc_link_v=None,
            winding_degc=None,
            fault_code=0,
            taken_mono_s=now_s,
        ),
        CHAIN: SafetyChainReading(
            guard_closed=True,
            estop_released=True,
            remote_selected=world.remote,
            torque_enabled=world.permit,
            permit=world.permit,
            taken_mono_s=now_s,
            release_pressed=world.release,
        ),
        UNIT: MeasuringReading(values=values, overloaded=frozenset(), taken_mono_s=now_s),
    }


@contextlib.asynccontextmanager
async def parts(world: World) -> AsyncIterator[Rack]:
    """A rack whose devices are polled every 10 ms."""
    plan = world.plan()
    links = {name: MadeUpLink(world.device(name)) for name in plan.devices}
    intake = Intake(plan.channels, on_crossings=lambda _crossings: None)
    setpoints = SetPoints(plan.slopes, roles=plan.roles)

    def event(name: str, **fields) -> None:
        world.events.append((name, fields))

    rack = Rack(plan, links, intake, setpoints, on_event=event)

    async def turn() -> None:
        loop = asyncio.get_running_loop()
        while True:
            for ref, reading in world.readings(loop.time()).items():
                if world.behaviour.get(ref.device) != "silent":
                    intake.arrived(ref, reading)
            setpoints.advance(0.01)
            for role, ref in plan.roles.items():
                target = setpoints.due(role)
                if target is not None and ref.device not in world.behaviour:
                    setpoints.confirmed(role, target)
                    world.follow(role, target)
            await asyncio.sleep(0.01)
            for _ in range(10):
                world.step(0.001)

    async with asyncio.TaskGroup() as group:
        turning = group.create_task(turn())
        await asyncio.sleep(0.001)
        try:
            yield rack
        finally:
            turning.cancel()


async def energised(rack: Rack, world: World, *, torque_nm: float = 0.2, speed_rpm: float = 2000.0) -> None:
    """As in Execute, at this load torque (house sign) and speed."""
    world.output_on = world.stage_on = world.sink_on = True
    world.speed_rpm, world.torque_nm, world.link_v, world.volts = speed_rpm, torque_nm, 12.0, 12.0
    rack.energised = True
    rack.in_service |= {SUPPLY, LOAD, SINK}
    rack.setpoints.open(run_plan())
    rack.setpoints.ask({Role.SUPPLY: Voltage(12.0, 10.0), Role.LOAD_DRIVE: Torque(torque_nm, 6000.0)})
    rack.setpoints.advance(10.0)
    await asyncio.sleep(0.02)
