"""Takes energy away, in the order that the cause allows, and says "stopped" only at measured standstill.

Order for a controlled stop: the specimen's supply off and confirmed, the load drive brakes the shaft to standstill
within a torque bound, its power stage off, and the sink disarmed last, once the link is discharged. Where the load
drive or what measures the shaft is doubted there is no braking: the machine that drives is confirmed without torque
first, then the other. What does not confirm in time withdraws the safety chain's permit. A software stop is not a
safety function.
"""

import asyncio
import math
from collections.abc import Callable

from benchd.contract import DriverError
from benchd.live.causes import Cause, stops_by_braking
from benchd.live.engine import ActFailed
from benchd.live.plan import PortRef
from benchd.live.rack import LOOK_AGAIN_S, Rack
from benchd.rules.moves import Role, Speed, Target, Torque, Voltage

STEADY_S = 0.2  # the shaft must have been still for this long
RAMP_PATIENCE_S = 1.0  # beyond the time that the slopes need


class Stopper:
    """The ways to come to rest. Every method is bounded in time and may be cancelled by a harder one."""

    def __init__(self, rack: Rack) -> None:
        self._rack = rack
        self._plan = rack.plan

    async def ramp_down(self) -> None:
        """Bring every set-point to zero on the slopes; gives up after the time they need, silently (a cut follows)."""
        setpoints, plan = self._rack.setpoints, self._plan
        if not setpoints.is_open:
            return
        supply, load = setpoints.now(Role.SUPPLY), setpoints.now(Role.LOAD_DRIVE)
        voltage_v = supply.voltage_v if isinstance(supply, Voltage) else 0.0
        current_a = supply.current_limit_a if isinstance(supply, Voltage) else 0.0
        torque_nm = load.torque_nm if isinstance(load, Torque) else 0.0
        speed_rpm = load.speed_limit_rpm if isinstance(load, Torque) else 0.0
        setpoints.ask({Role.SUPPLY: Voltage(0.0, current_a), Role.LOAD_DRIVE: Torque(0.0, speed_rpm)})
        needs_s = max(voltage_v / plan.slopes.voltage_v_per_s, abs(torque_nm) / plan.slopes.torque_nm_per_s)
        loop = asyncio.get_running_loop()
        until_s = loop.time() + needs_s + RAMP_PATIENCE_S
        roles = (Role.SUPPLY, Role.LOAD_DRIVE)
        while loop.time() < until_s and any(
            _still_ramping(setpoints.now(role)) or setpoints.due(role) for role in roles
        ):
            await asyncio.sleep(LOOK_AGAIN_S)

    async def controlled_stop(self) -> None:
        """Ramp down, supply off, brake to standstill, power stage off, link discharged, sink disarmed.

        Raises `ActFailed` in one sentence when the shaft does not come to rest or a device does not confirm. Where
        nothing had been energised since the bench last rested, what does not confirm is told and no more.
        """
        if not self._rack.energised:
            await self._stay_at_rest()
            return
        await self.ramp_down()
        self._rack.setpoints.close()
        trouble = [await self._rack.safe(self._plan.supply)]
        trouble += [await self._brake()]
        trouble += [await self._rack.safe(self._plan.load_drive)]
        trouble += [await self._come_to_rest()]
        await self._end(trouble)

    async def _stay_at_rest(self) -> None:
        self._rack.setpoints.close()
        trouble = list(
            await asyncio.gather(*(self._rack.safe(ref) for ref in (self._plan.supply, self._plan.load_drive)))
        )
        trouble.append(await self._disarm())
        sentences = [sentence for sentence in trouble if sentence is not None]
        if sentences:
            self._rack.on_event("not_safe", sentence=" ".join(sentences))

    async def cut(self, cause_now: Callable[[], Cause]) -> None:
        """Take energy away for the cause, as fast as its order allows. Raises `ActFailed` as `controlled_stop` does.

        `cause_now` gives the cause with whatever came to be doubted since: braking ends when the drive joins them.
        """
        self._rack.setpoints.close()
        cause = cause_now()
        if cause.chain_open:
            # The hardware has acted already; the devices are told the same, none waiting for another.
            trouble = list(
                await asyncio.gather(*(self._rack.safe(ref) for ref in (self._plan.supply, self._plan.load_drive)))
            )
        elif stops_by_braking(cause, self._plan):
            trouble = await self._cut_by_braking(lambda: stops_by_braking(cause_now(), self._plan))
        else:
            trouble = await self._cut_by_coasting()
        trouble.append(await self._come_to_rest(doubted=cause_now().doubted))
        await self._end(trouble)

    async def _cut_by_braking(self, believed: Callable[[], bool]) -> list[str | None]:
        """Supply off and confirmed, then the load drive brakes within its bound, then off."""
        trouble = [await self._withdrawing(self._plan.supply)]
        trouble.append(await self._brake(believed))
        trouble.append(await self._withdrawing(self._plan.load_drive))
        return trouble

    async def _cut_by_coasting(self) -> list[str | None]:
        """The machine that drives is confirmed without torque first; the other holds its torque bound until then."""
        first, second = self._plan.supply, self._plan.load_drive
        if self._load_machine_drives():
            first, second = second, first
        self._rack.on_event("coasting", first=str(first), second=str(second))
        trouble = [await self._withdrawing(first)]
        trouble.append(await self._withdrawing(second))
        return trouble

    async def _withdrawing(self, ref: PortRef) -> str | None:
        """Safe, or the permit is withdrawn at once."""
        trouble = await self._rack.safe(ref)
        if trouble is not None:
            await self.withdraw_permit(trouble)
        return trouble

    def _load_machine_drives(self) -> bool:
        """Whether power came from the load machine when last believed: the set-point's sign against the speed's."""
        load = self._rack.setpoints.now(Role.LOAD_DRIVE)
        speed = self._rack.intake.samples.get("shaft_speed")
        if not isinstance(load, Torque) or speed is None or math.isnan(speed.value):
            return False
        return load.torque_nm * speed.value < 0.0

    async def _brake(self, believed: Callable[[], bool] = lambda: True) -> str | None:
        """The load drive follows standstill within the braking torque, for at most the controlled stop's time."""
        stopping = self._plan.stopping
        if self._rack.shaft_speed_rpm() <= stopping.standstill_rpm:
            return None
        loop = asyncio.get_running_loop()
        try:
            await self._rack.call(
                self._plan.load_drive,
                lambda drive: drive.follow_speed(0.0, torque_limit_nm=stopping.braking_torque_nm),
            )
        except DriverError as error:
            return f"{self._plan.load_drive} did not brake the shaft: {error}"
        until_s = loop.time() + stopping.controlled_stop_time_s
        while loop.time() < until_s and believed():
            if self._rack.shaft_speed_rpm() <= stopping.standstill_rpm:
                return None
            await asyncio.sleep(LOOK_AGAIN_S)
        return (
            f"The shaft still turned at {self._rack.shaft_speed_rpm():.0f} r/min after "
            f"{loop.time() - until_s + stopping.controlled_stop_time_s:.2g} s of braking."
        )

    async def _come_to_rest(self, *, doubted: frozenset[str] = frozenset()) -> str | None:
        """Wait for measured standstill, or for the coasting time where no speed is believed; then the sink's turn."""
        stopping = self._plan.stopping
        loop = asyncio.get_running_loop()
        until_s = loop.time() + stopping.coasting_time_s
        still_since_s = math.inf
        seen = False
        while loop.time() < until_s:
            speed_rpm = self._rack.shaft_speed_rpm(doubted=doubted)
            seen = seen or not math.isnan(speed_rpm)
            if speed_rpm <= stopping.standstill_rpm:
                still_since_s = min(still_since_s, loop.time())
                if loop.time() - still_since_s >= STEADY_S:
                    self._rack.on_event("standstill", measured=True)
                    return await self._discharge(until_s)
            else:
                still_since_s = math.inf
            await asyncio.sleep(LOOK_AGAIN_S)
        if seen:
            return (
                f"The shaft did not come to rest within the coasting time of {stopping.coasting_time_s:g} s: "
                "keep the guard closed."
            )
        return (
            f"No believable speed was read for the coasting time of {stopping.coasting_time_s:g} s: "
            "make sure that the shaft is at rest before opening the guard."
        )

    async def _discharge(self, until_s: float) -> str | None:
        """Disarm the sink once the link is below the touch limit; it stays armed otherwise."""
        loop = asyncio.get_running_loop()
        until_s = max(until_s, loop.time() + 1.0)
        while (link_v := self._rack.link_voltage_v()) >= self._plan.stopping.discharged_v:
            if loop.time() > until_s:
                return f"The DC link still shows {link_v:g} V: wait and measure before touching anything."
            await asyncio.sleep(LOOK_AGAIN_S)
        return await self._disarm()

    async def _disarm(self) -> str | None:
        try:
            await self._rack.call(self._plan.sink, lambda sink: sink.disarm())
        except DriverError as error:
            return f"{self._plan.sink} did not confirm that it is disarmed: {error}"
        return None

    async def withdraw_permit(self, because: str) -> None:
        """Ask the safety chain to open. Only a person at the bench can close it again."""
        self._rack.on_event("permit_withdrawn", because=because)
        try:
            await self._rack.call(self._plan.safety_chain, lambda chain: chain.withdraw_permit())
        except DriverError as error:
            self._rack.on_event("permit_not_withdrawn", because=str(error))

    async def _end(self, trouble: list[str | None]) -> None:
        sentences = [sentence for sentence in trouble if sentence is not None]
        if sentences:
            raise ActFailed(" ".join(sentences))
        self._rack.energised = False

    async def everything_safe(self) -> None:
        """Every port that can energise, at once, none waiting for another; used before Idle and after Clear.

        Raises `ActFailed` with what did not confirm.
        """
        self._rack.setpoints.close()
        trouble = await asyncio.gather(*(self._rack.safe(ref) for ref in (self._plan.supply, self._plan.load_drive)))
        await self._end(list(trouble))


def _still_ramping(target: Target) -> bool:
    match target:
        case Voltage(voltage_v=amount) | Torque(torque_nm=amount) | Speed(speed_rpm=amount):
            return amount != 0.0
