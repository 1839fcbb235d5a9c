"""Two machines on one small rotor, each with a drive, and a resistance meter: a make-believe brushless bench.

The torque of each machine lags behind what its drive was told, also when its stage goes off. Not a test.
"""

import asyncio
import math
from dataclasses import dataclass, field, replace

from benchd.contract import (
    Drive,
    DriveReading,
    DriveState,
    MeasuringReading,
    Refused,
    ResistanceMeter,
    ResistanceReading,
    SupplyReading,
)
from benchd.live.plan import BenchPlan, DcLink, DevicePlan, PortRef
from benchd.live.rack import Rack
from benchd.rules.moves import Role, Speed, Torque, Voltage, Winding
from benchd.rules.ramps import Slopes

from .parts import (
    LOAD,
    RPM,
    SAFE_TIME_S,
    SINK,
    SOUND,
    SUPPLY,
    UNIT,
    Device,
    World,
    bench_plan,
    channel,
    readings,
    run_plan,
)

MOTOR = PortRef("motor_drive", "axis")
METER = PortRef("resistance_meter", "winding")
INERTIA_KGM2 = 5e-4
MOTOR_SHARE = 0.5  # of the inertia, on the specimen's side of the transducer
STIFFNESS_NM_S = 0.1  # of the drives' speed loops, N·m for a rad/s
LINK_V = 48.0


@dataclass(slots=True)
class Axis:
    """One drive: what it was told, and the torque that it makes on the shaft (positive drives it forwards)."""

    lag_s: float = 0.0
    on: bool = False
    torque_nm: float = 0.0
    speed_rpm: float | None = None  # None: it follows torque
    bound_nm: float = 0.0
    made_nm: float = 0.0
    runs_away_nm: float | None = None  # made whatever it is told, until its stage is off
    claims_nm: float | None = None  # shown instead of what is made

    def step(self, speed_rpm: float, dt_s: float) -> None:
        wanted_nm = self.torque_nm
        if self.speed_rpm is not None:
            loop_nm = STIFFNESS_NM_S * (self.speed_rpm - speed_rpm) / RPM
            wanted_nm = max(-self.bound_nm, min(self.bound_nm, loop_nm))
        if self.runs_away_nm is not None:
            wanted_nm = self.runs_away_nm
        if not self.on:
            wanted_nm = 0.0
        share = 1.0 if self.lag_s == 0.0 else 1.0 - math.exp(-dt_s / self.lag_s)
        self.made_nm += share * (wanted_nm - self.made_nm)

    def follow(self, target: Torque | Speed, *, sign: float) -> None:
        if isinstance(target, Torque):
            self.torque_nm, self.speed_rpm = sign * target.torque_nm, None
        else:
            self.speed_rpm, self.bound_nm = target.speed_rpm, target.torque_limit_nm


@dataclass(slots=True)
class PairWorld(World):
    """The load machine's torque counts as the house counts it: positive brakes a shaft that turns forwards."""

    drag_nm: float = 0.2
    motor: Axis = field(default_factory=Axis)
    load: Axis = field(default_factory=Axis)
    shaft_nm: float = 0.0
    began_rpm: float = 0.0  # when everything was in its steady state
    fastest_rpm: float = 0.0
    slowest_rpm: float = 0.0
    pair: int = 0
    leads_open: bool = False
    winding_a: float = 0.0
    leads_weld: bool = False  # closed whatever they are told
    shows_pair: int | None = None  # instead of the truth

    def plan(self) -> BenchPlan:
        plan = bench_plan()
        more = {MOTOR: Drive, METER: ResistanceMeter}
        return replace(
            plan,
            devices=dict(plan.devices)
            | {
                ref.device: DevicePlan(
                    name=ref.device, poll_hz=100.0, reply_time_s=0.2, safe_time_s=SAFE_TIME_S, ports={ref.port: kind}
                )
                for ref, kind in more.items()
            },
            channels=(
                *plan.channels,
                channel("motor_drive_speed", "r/min", MOTOR, "speed_rpm"),
                channel("winding_current", "A", METER, "current_a"),
            ),
            slopes=Slopes(voltage_v_per_s=48.0, torque_nm_per_s=20.0, speed_rpm_per_s=10_000.0),
            dc_link=DcLink(
                sink_threshold_v=54.0,
                sink_current_limit_a=20.0,
                over_voltage_protection_v=58.0,
                component_rating_v=63.0,
            ),
            motor_drive=MOTOR,
            resistance_meter=METER,
        )

    def __post_init__(self) -> None:
        self.shows["supply"] = replace(SOUND["supply"], over_voltage_protection_v=58.0)
        self.shows["sink"] = replace(SOUND["sink"], threshold_v=54.0)

    def device(self, name: str) -> Device:
        return PairDevice(self, name)

    def follow(self, role: Role, target: object) -> None:
        if role is Role.MOTOR_DRIVE:
            self.motor.follow(target, sign=1.0)
        elif role is Role.LOAD_DRIVE:
            self.load.follow(target, sign=-1.0)
        elif isinstance(target, Winding):
            self.pair, self.winding_a, self.leads_open = target.pair, target.current_a, target.pair != 0
        elif isinstance(target, Voltage):
            self.volts = target.voltage_v

    def step(self, dt_s: float) -> None:
        if not self.permit:
            self.output_on = self.stage_on = self.motor.on = False
        self.load.on = self.stage_on
        fed = self.output_on or self.link_v > 0.5 * LINK_V
        motor_on = self.motor.on
        self.motor.on = motor_on and fed and not self.leads_open
        self.motor.step(self.speed_rpm, dt_s)
        self.motor.on = motor_on
        self.load.step(self.speed_rpm, dt_s)
        driving_nm = self.motor.made_nm + self.load.made_nm
        before_rpm = self.speed_rpm
        speed = before_rpm + driving_nm / INERTIA_KGM2 * dt_s * RPM
        loss = self.drag_nm / INERTIA_KGM2 * dt_s * RPM
        self.speed_rpm = max(0.0, speed - loss) if speed > 0.0 else min(0.0, speed + loss)
        accelerating_nm = MOTOR_SHARE * INERTIA_KGM2 * (self.speed_rpm - before_rpm) / RPM / dt_s
        self.shaft_nm = self.motor.made_nm - accelerating_nm
        self.fastest_rpm = max(self.fastest_rpm, self.speed_rpm)
        self.slowest_rpm = min(self.slowest_rpm, self.speed_rpm)
        self.link_v = self.volts if self.output_on else max(0.0, self.link_v - 200.0 * dt_s)

    def off(self) -> bool:
        return not (self.output_on or self.stage_on or self.motor.on or self.pair)

    def readings(self, now_s: float) -> dict[PortRef, object]:
        shown = readings(self, now_s)
        encoder_rpm = self.speed_rpm if self.says_speed_rpm is None else self.says_speed_rpm
        values = {"encoder_rpm": encoder_rpm, "torque_nm": self.shaft_nm, "link_v": self.link_v}
        shown[UNIT] = MeasuringReading(values=values, overloaded=frozenset(), taken_mono_s=now_s)
        shown[SUPPLY] = SupplyReading(
            voltage_v=self.link_v, current_a=0.0, output_on=self.output_on, tripped=False, taken_mono_s=now_s
        )
        shown[LOAD] = self._drive(self.load, self.stage_on, -1.0, now_s)
        shown[MOTOR] = self._drive(self.motor, self.motor.on, 1.0, now_s)
        shown[METER] = ResistanceReading(
            voltage_v=0.0,
            current_a=self.winding_a,
            pair=self.pair if self.shows_pair is None else self.shows_pair,
            power_leads_open=self.leads_open,
            taken_mono_s=now_s,
        )
        return shown

    def _drive(self, axis: Axis, on: bool, sign: float, now_s: float) -> DriveReading:
        state = DriveState.OPERATION_ENABLED if on else DriveState.SWITCH_ON_DISABLED
        return DriveReading(
            state=state if self.says_state is None or axis is not self.motor else self.says_state,
            speed_rpm=self.speed_rpm,
            torque_nm=sign * axis.made_nm if axis.claims_nm is None else axis.claims_nm,
            dc_link_v=None,
            winding_degc=None,
            fault_code=0,
            taken_mono_s=now_s,
        )


class PairDevice(Device):
    """As its parent, with two drives and the meter's contacts."""

    world: PairWorld

    @property
    def _axis(self) -> Axis:
        return self.world.motor if self.name == "motor_drive" else self.world.load

    @property
    def _sign(self) -> float:
        return 1.0 if self.name == "motor_drive" else -1.0

    def _stage(self, *, on: bool) -> None:
        if self.name == "motor_drive":
            self.world.motor.on = on
        else:
            self.world.stage_on = on

    async def make_safe(self) -> None:
        await self._answer("make_safe")
        if self.name == "supply":
            self.world.output_on = False
        elif self.name == "resistance_meter":
            self.world.pair, self.world.winding_a = 0, 0.0
        else:
            self._stage(on=False)

    async def enable(self) -> None:
        await self._answer("enable")
        self._axis.follow(Torque(0.0, 0.0), sign=self._sign)
        self._stage(on=True)

    async def follow_speed(self, speed_rpm: float, *, torque_limit_nm: float) -> None:
        await self._answer(f"follow_speed {speed_rpm:g} within {torque_limit_nm:g}")
        self._axis.follow(Speed(speed_rpm, torque_limit_nm), sign=self._sign)

    async def follow_torque(self, torque_nm: float, *, speed_limit_rpm: float) -> None:
        await self._answer(f"follow_torque {torque_nm:g}")
        self._axis.follow(Torque(torque_nm, speed_limit_rpm), sign=self._sign)

    async def read_limits(self) -> object:
        await self._answer("read_limits")
        return self.world.shows.get(self.name, SOUND["load_drive"])

    async def connect(self, pair: int) -> None:
        await self._answer(f"connect {pair}")
        if self.world.leads_weld:
            raise Refused("The resistance_meter sees the power leads stay closed.")
        assert self.world.winding_a == 0.0
        self.world.leads_open, self.world.pair = True, pair

    async def set_current(self, current_a: float) -> None:
        await self._answer(f"set_current {current_a:g}")
        assert self.world.pair != 0
        self.world.winding_a = current_a

    async def disconnect(self) -> None:
        await self._answer("disconnect")
        self.world.pair, self.world.winding_a, self.world.leads_open = 0, 0.0, False


async def paired(
    rack: Rack, world: PairWorld, *, motor: Torque | Speed, load: Torque | Speed, speed_rpm: float = 2000.0
) -> None:
    """As in Execute: both drives and the supply on, the shaft in a steady state."""
    world.output_on = world.stage_on = world.motor.on = world.sink_on = True
    world.speed_rpm, world.link_v, world.volts = speed_rpm, LINK_V, LINK_V
    rack.energised = True
    rack.in_service |= {SUPPLY, SINK, LOAD, MOTOR, METER}
    rack.setpoints.open(
        run_plan(torque_limit_nm=20.0, motor_torque_limit_nm=20.0, voltage_limit_v=LINK_V, speed_limit_rpm=9000.0)
    )
    rack.setpoints.ask({Role.SUPPLY: Voltage(LINK_V, 10.0), Role.MOTOR_DRIVE: motor, Role.LOAD_DRIVE: load})
    rack.setpoints.advance(100.0)
    await asyncio.sleep(0.3)
    world.began_rpm = world.fastest_rpm = world.slowest_rpm = world.speed_rpm
    world.log.clear()
