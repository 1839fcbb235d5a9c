"""Turns the shaft slowly and pushes it lightly once the bench is enabled, and refuses it where a lead is wrong.

Moves go through the set-points like those of any test, so slopes, clamps and limits hold. Bounded in speed, torque,
current and time. It judges nothing itself (`rules.jog`), and whatever comes of it, no set-point stays in force.
"""

import asyncio
import math
from collections.abc import Mapping

from benchd.live.engine import ActFailed
from benchd.live.plan import RunPlan
from benchd.live.rack import LOOK_AGAIN_S, SPEEDS, Rack
from benchd.live.targets import at_zero
from benchd.rules.channels import Quality
from benchd.rules.jog import Jog, Means, wrong_brake, wrong_push, wrong_speeds, wrong_supply
from benchd.rules.moves import Role, Speed, Target, Torque, Voltage

SETTLE_S = 0.25  # after the set-points have arrived: speed loops and the analyser's window
BEYOND_RATIO = 2.5  # of the jog's speed: a shaft that is faster obeys nobody
BEYOND_RPM = 60.0
PATIENCE_S = 0.5  # for a speed to be reached: a lead that is wrong never gets there
REACHED_RATIO = 0.1
MEANT = (
    *("shaft_speed", "drive_speed", "motor_drive_speed", "shaft_torque", "drive_torque", "motor_drive_torque"),
    *("supply_voltage", "supply_current", "sink_current", "link_voltage", "dc_voltage", "dc_current", "motor_current"),
)


class Jogger:
    """Tries directions, signs and ratios on an enabled bench at rest; raises `ActFailed` with the one lead to look at.

    The numbers are an event, whether they are plausible or not. `fastest_rpm` is the greatest speed that was read.
    """

    def __init__(self, rack: Rack) -> None:
        self._rack = rack
        self._plan = rack.plan
        load, motor = rack.plan.load_drive.device, (rack.plan.motor_drive or rack.plan.load_drive).device
        self._devices = {
            "drive_speed": load,
            "drive_torque": load,
            "motor_drive_speed": motor,
            "motor_drive_torque": motor,
        }
        self.fastest_rpm = 0.0

    async def try_out(self, run: RunPlan) -> None:
        """The whole jog; the set-points are open, at rest and at zero afterwards.

        May be cancelled; the set-points are then on their way to zero.
        """
        jog = run.jog
        if jog is None:
            if run.no_jog:
                self._rack.on_event("jog_skipped", why=run.no_jog)
            return
        self.fastest_rpm = 0.0
        steps: dict[str, Means] = {}
        sentence: str | None = None
        try:
            async with asyncio.timeout(jog.time_limit_s):
                sentence = await self._play(jog, steps)
                await self._rest()
        except TimeoutError:
            sentence = (
                f"The jog took longer than {jog.time_limit_s:g} s: look at the drives, or raise time_limit_s in [jog]."
            )
        except ActFailed as failure:
            sentence = str(failure)
        finally:
            self._to_zero()
        self._tell(steps, sentence)
        if sentence is not None:
            raise ActFailed(sentence)
        self._rack.setpoints.open(run)

    async def _play(self, jog: Jog, steps: dict[str, Means]) -> str | None:
        """Every step and what it tells; ends with the first that contradicts."""
        names, beyond_rpm = self._devices, BEYOND_RATIO * jog.speed_rpm
        free = Torque(0.0, beyond_rpm)
        feed = Voltage(0.0 if jog.brushed else jog.voltage_v, jog.current_a)
        pushing = (
            {Role.SUPPLY: Voltage(jog.voltage_v, jog.current_a)}
            if jog.brushed
            else {Role.MOTOR_DRIVE: Torque(jog.torque_nm, beyond_rpm)}
        )
        turning: dict[Role, Target] = {Role.SUPPLY: feed, Role.LOAD_DRIVE: Speed(jog.speed_rpm, jog.holding_torque_nm)}
        if not jog.brushed:
            turning[Role.MOTOR_DRIVE] = free
        steps["turned"] = before = await self._step("load_drive turns the shaft", turning, jog, "drive_speed")
        if wrong := wrong_speeds(before, jog, names, holds="drive_speed"):
            return wrong
        steps["pushed"] = after = await self._step("the specimen pushes", pushing, jog)
        if wrong := wrong_supply(after, jog) or wrong_push(before, after, jog, names):
            return wrong
        if jog.brushed:
            return None
        await self._rest(but={Role.SUPPLY})
        driving: dict[Role, Target] = {
            Role.MOTOR_DRIVE: Speed(jog.speed_rpm, jog.holding_torque_nm),
            Role.LOAD_DRIVE: free,
        }
        steps["driven"] = before = await self._step("motor_drive turns the shaft", driving, jog, "motor_drive_speed")
        if wrong := wrong_speeds(before, jog, names, holds="motor_drive_speed"):
            return wrong
        braking: dict[Role, Target] = {Role.LOAD_DRIVE: Torque(jog.torque_nm, beyond_rpm)}
        steps["braked"] = after = await self._step("load_drive brakes", braking, jog)
        return wrong_brake(before, after, jog, names)

    async def _step(self, what: str, targets: Mapping[Role, Target], jog: Jog, holds: str = "") -> Means:
        """Ask for these, wait until they are taken and have settled, and average over a revolution."""
        loop = asyncio.get_running_loop()
        self._rack.setpoints.ask(targets)
        while not self._rack.setpoints.taken:
            await self._look(what, jog)
        reached_s, settled_s = loop.time() + PATIENCE_S, loop.time() + SETTLE_S
        while loop.time() < settled_s or (holds and loop.time() < reached_s and not self._reached(holds, jog)):
            await self._look(what, jog)
        began_s = loop.time()
        taken: dict[str, dict[float, float]] = {}
        while loop.time() < began_s + jog.window_s:
            await self._look(what, jog)
            for name in MEANT:
                sample = self._rack.intake.samples.get(name)
                if sample is not None and sample.quality is Quality.GOOD and sample.taken_mono_s > began_s:
                    taken.setdefault(name, {})[sample.taken_mono_s] = sample.value
        return {name: math.fsum(values.values()) / len(values) for name, values in taken.items()}

    async def _look(self, what: str, jog: Jog) -> None:
        """Wait a little. Raises `ActFailed` for a shaft that obeys nobody."""
        await asyncio.sleep(LOOK_AGAIN_S)
        for name in SPEEDS:
            speed_rpm = self._rack.believed(name)
            self.fastest_rpm = max(self.fastest_rpm, abs(speed_rpm) if math.isfinite(speed_rpm) else 0.0)
            if abs(speed_rpm) > BEYOND_RATIO * jog.speed_rpm + BEYOND_RPM:
                raise ActFailed(
                    f"{name} reached {speed_rpm:.0f} r/min in the jog while {what} at {jog.speed_rpm:g} r/min: look at "
                    "the phase order, commutation and encoders of both drives."
                )

    def _reached(self, holds: str, jog: Jog) -> bool:
        return abs(self._rack.believed(holds) - jog.speed_rpm) <= REACHED_RATIO * jog.speed_rpm

    async def _rest(self, *, but: frozenset[Role] | set[Role] = frozenset()) -> None:
        """Every set-point at zero and taken, the shaft at standstill; `but` these keep theirs."""
        self._to_zero(but=but)
        standstill_rpm = self._plan.stopping.standstill_rpm
        while not self._rack.setpoints.taken or not self._rack.shaft_speed_rpm() <= standstill_rpm:
            await asyncio.sleep(LOOK_AGAIN_S)

    def _to_zero(self, *, but: frozenset[Role] | set[Role] = frozenset()) -> None:
        setpoints = self._rack.setpoints
        setpoints.ask({role: at_zero(target) for role, target in setpoints.targets.items() if role not in but})

    def _tell(self, steps: Mapping[str, Means], sentence: str | None) -> None:
        self._rack.on_event(
            "plausible" if sentence is None else "implausible",
            fastest_rpm=round(self.fastest_rpm, 1),
            **({} if sentence is None else {"sentence": sentence}),
            **{step: {name: float(f"{value:.6g}") for name, value in means.items()} for step, means in steps.items()},
        )
