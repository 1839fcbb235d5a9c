"""Takes energy away, in the order that the cause allows, and says "stopped" only at measured standstill.

Order of a stop with braking: the machine that drives is confirmed without torque, the specimen's supply is off and
confirmed, the load drive brakes the shaft to standstill within a torque bound, its power stage goes off, and the sink
is disarmed last, once the link is discharged. Where the load drive or what measures the shaft is doubted there is no
braking: the machine that drives is confirmed off first, then the other, never both in a race. What does not confirm in
time withdraws the safety chain's permit. A software stop is not a safety function.
"""

import asyncio
import contextlib
import math
from collections.abc import Callable

from benchd.contract import DriverError
from benchd.live.causes import Cause, stops_by_braking
from benchd.live.engine import ActFailed
from benchd.live.plan import PortRef
from benchd.live.rack import LOOK_AGAIN_S, Rack
from benchd.live.resting import Rester
from benchd.rules.limits import Reaction
from benchd.rules.moves import Role, Speed, Target, Torque, Voltage

RAMP_PATIENCE_S = 1.0  # beyond the time that the slopes need
RELIEF_S = 0.2  # for a drive's torque to be seen gone after it was told to make none


class Stopper:
    """The ways to come to rest. Every method is bounded in time and may be cancelled by a harder one.

    `on_unconfirmed` is told of a port that did not confirm, before the permit is withdrawn for it: the open chain that
    follows must not be taken for the cause.
    """

    def __init__(self, rack: Rack, *, on_unconfirmed: Callable[[PortRef, str], None]) -> None:
        self._rack = rack
        self._on_unconfirmed = on_unconfirmed
        self._plan = rack.plan
        self._rester = Rester(rack)

    async def ramp_down(self, *, goes_on: Callable[[], bool] = lambda: True) -> None:
        """Bring every set-point to zero on the slopes, while `goes_on`.

        Gives up after the time they need, silently: what follows takes the energy away.
        """
        setpoints, plan = self._rack.setpoints, self._plan
        if not setpoints.is_open:
            return
        roles = (Role.SUPPLY, Role.LOAD_DRIVE)
        now = {role: setpoints.now(role) for role in roles}
        setpoints.ask({role: _at_zero(target) for role, target in now.items()})
        needs_s = max(
            abs(_amount(now[Role.SUPPLY])) / plan.slopes.voltage_v_per_s,
            abs(_amount(now[Role.LOAD_DRIVE]))
            / (plan.slopes.speed_rpm_per_s if isinstance(now[Role.LOAD_DRIVE], Speed) else plan.slopes.torque_nm_per_s),
        )
        loop = asyncio.get_running_loop()
        until_s = loop.time() + needs_s + RAMP_PATIENCE_S
        while (
            goes_on()
            and loop.time() < until_s
            and any(_amount(setpoints.now(role)) != 0.0 or setpoints.due(role) for role in roles)
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
        trouble = await self._off_by_braking(lambda: True)
        trouble.append(await self._rester.come_to_rest())
        await self._end(trouble)

    async def _stay_at_rest(self) -> None:
        self._rack.setpoints.close()
        trouble = await self._both_at_once()
        trouble.append(await self._rester.disarm_at_rest())
        sentences = [sentence for sentence in trouble if sentence is not None]
        if sentences:
            self._rack.on_event("not_safe", sentence=" ".join(sentences))

    async def cut(self, cause_now: Callable[[], Cause]) -> None:
        """Take energy away for the cause, as fast as its order allows. Raises `ActFailed` as `controlled_stop` does.

        `cause_now` gives the cause with whatever was learnt since: a ramp ends when the reaction becomes a cut, braking
        ends when the drive joins the doubted.
        """
        if cause_now().reaction is Reaction.RAMP_DOWN:
            await self.ramp_down(goes_on=lambda: cause_now().reaction is Reaction.RAMP_DOWN)
        self._rack.setpoints.close()
        cause = cause_now()
        if cause.chain_open:
            # The hardware has acted already; the devices are told the same, none waiting for another.
            trouble = await self._both_at_once()
        elif stops_by_braking(cause, self._plan):
            trouble = await self._off_by_braking(lambda: stops_by_braking(cause_now(), self._plan))
        else:
            trouble = await self.off_by_coasting(doubted=cause.doubted)
        trouble.append(await self._rester.come_to_rest(lambda: cause_now().doubted))
        await self._end(trouble)

    async def everything_safe(self) -> None:
        """What can energise is off, whatever was on before; used at the beginning, before Idle and after Clear.

        A shaft that turns is let go in order and waited for. Raises `ActFailed` with what did not confirm.
        """
        rack = self._rack
        rack.setpoints.close()
        speed_rpm = rack.shaft_speed_rpm()
        if rack.energised or speed_rpm > self._plan.stopping.standstill_rpm:
            trouble = await self.off_by_coasting()
            if not math.isnan(rack.shaft_speed_rpm()):
                trouble.append(await self._rester.come_to_rest())
        elif math.isnan(speed_rpm):  # it may turn for all that is known: one after the other, never in a race
            trouble = [await rack.safe(self._plan.supply), await rack.safe(self._plan.load_drive)]
        else:
            trouble = await self._both_at_once()
        self._refuse(trouble)
        rack.energised = False

    async def off_by_coasting(self, *, doubted: frozenset[str] = frozenset()) -> list[str | None]:
        """The machine that drives is confirmed off first, while the other holds its torque bound; then the other.

        A believed load drive follows standstill meanwhile: left with its torque it would turn the shaft backwards when
        the supply is gone and only its word is late.
        """
        self._rack.setpoints.close()
        first, second = self._plan.supply, self._plan.load_drive
        if self.load_machine_drives(doubted=doubted):
            first, second = second, first
        self._rack.on_event("coasting", first=str(first), second=str(second))
        holds = second == self._plan.load_drive and second.device not in doubted and second in self._rack.in_service
        async with asyncio.TaskGroup() as group:
            holding = group.create_task(self._hold_still()) if holds else None
            trouble = [await self._withdrawing(first)]
            if holding is not None:
                holding.cancel()  # the other's turn must not wait for a drive that does not answer
        return [*trouble, await self._withdrawing(second)]

    async def _hold_still(self) -> None:
        """The load drive follows standstill by its own encoder within the braking torque; its refusal is no news."""
        bound_nm = self._plan.stopping.braking_torque_nm
        with contextlib.suppress(DriverError):
            await self._rack.call(
                self._plan.load_drive, lambda drive: drive.follow_speed(0.0, torque_limit_nm=bound_nm)
            )

    async def last_resort(self, because: str) -> None:
        """A stop has failed by a defect of its own: the chain is asked to open, and every device is told once more."""
        self._rack.setpoints.close()
        await asyncio.gather(self.withdraw_permit(because), self._both_at_once())

    async def withdraw_permit(self, because: str) -> None:
        """Ask the safety chain to open; where it does not confirm, let its heartbeat end, which opens it too.

        Only a person at the bench can close it again.
        """
        self._rack.on_event("permit_withdrawn", because=because)
        try:
            await self._rack.call(self._plan.safety_chain, lambda chain: chain.withdraw_permit())
        except DriverError as error:
            self._rack.beat_wanted = False
            self._rack.on_event("permit_not_withdrawn", because=str(error), instead="the heartbeat is withheld")

    def load_machine_drives(self, *, doubted: frozenset[str] = frozenset()) -> bool:
        """Whether power comes from the load machine: by what is measured and believed, else by what was asked of it.

        A torque within the transducer's zero limit drives nothing. Without a speed the shaft is taken to turn forwards:
        a supply of one polarity turns it no other way.
        """
        speed_rpm = self._rack.believed("shaft_speed", "drive_speed", doubted=doubted)
        torque_nm = self._rack.believed("shaft_torque", "drive_torque", doubted=doubted)
        if math.isnan(torque_nm):
            load = self._rack.setpoints.now(Role.LOAD_DRIVE)
            torque_nm = load.torque_nm if isinstance(load, Torque) else 0.0
        if abs(torque_nm) <= self._plan.starting.transducer_zero_limit_nm:
            return False
        return torque_nm * (1.0 if math.isnan(speed_rpm) else speed_rpm) < 0.0

    async def _off_by_braking(self, believed: Callable[[], bool]) -> list[str | None]:
        """A driving load machine relieved, supply off while the brake is put on, power stage off.

        The brake does not wait for the supply's word: a drive left following its torque would turn the shaft backwards
        as soon as the supply is gone, and one that follows standstill cannot.
        """
        if self.load_machine_drives():
            unrelieved = await self._relieve()
            if unrelieved is not None:  # it does not do what it is told: the hardware has to act, and at once
                self._on_unconfirmed(self._plan.load_drive, unrelieved)
                await self.withdraw_permit(unrelieved)
                return [
                    unrelieved,
                    await self._withdrawing(self._plan.load_drive),
                    await self._withdrawing(self._plan.supply),
                ]
        trouble = list(await asyncio.gather(self._withdrawing(self._plan.supply), self._brake(believed)))
        return [*trouble, await self._withdrawing(self._plan.load_drive)]

    async def _relieve(self) -> str | None:
        """The load machine drives: it is told to make no torque, confirmed by read-back and by what is measured."""
        rack = self._rack
        load = rack.setpoints.now(Role.LOAD_DRIVE)
        if not isinstance(load, Torque):
            return None  # it holds a speed, and braking takes that away
        speed_rpm = load.speed_limit_rpm
        try:
            await rack.call(self._plan.load_drive, lambda drive: drive.follow_torque(0.0, speed_limit_rpm=speed_rpm))
        except DriverError as error:
            return f"{self._plan.load_drive} drove the shaft and did not let go of it: {error}"
        loop = asyncio.get_running_loop()
        until_s = loop.time() + RELIEF_S
        # The drive's own torque first: the transducer also sees the rotor's inertia when the shaft slows down.
        while abs(rack.believed("drive_torque", "shaft_torque")) > self._plan.starting.transducer_zero_limit_nm:
            if loop.time() > until_s:
                return f"{self._plan.load_drive} made torque {RELIEF_S:g} s after it was told to make none."
            await asyncio.sleep(LOOK_AGAIN_S)
        return None

    async def _brake(self, believed: Callable[[], bool]) -> str | None:
        """The load drive follows standstill within the braking torque, for at most the controlled stop's time."""
        stopping, rack = self._plan.stopping, self._rack
        if rack.shaft_speed_rpm() <= stopping.standstill_rpm or self._plan.load_drive not in rack.in_service:
            return None
        if math.isnan(rack.shaft_speed_rpm()):
            return "The shaft was not braked: no believable speed was read."
        loop = asyncio.get_running_loop()
        try:
            await rack.call(
                self._plan.load_drive,
                lambda drive: drive.follow_speed(0.0, torque_limit_nm=stopping.braking_torque_nm),
            )
        except DriverError as error:
            return f"{self._plan.load_drive} did not brake the shaft: {error}"
        began_s = loop.time()
        while loop.time() < began_s + stopping.controlled_stop_time_s and believed():
            speed_rpm = rack.shaft_speed_rpm()
            if speed_rpm <= stopping.standstill_rpm:
                return None
            if math.isnan(speed_rpm):
                break
            await asyncio.sleep(LOOK_AGAIN_S)
        if not believed():
            return None  # the cause has grown and says why
        return (
            f"The shaft still turned at {rack.shaft_speed_rpm():.0f} r/min after "
            f"{loop.time() - began_s:.2g} s of braking."
        )

    async def _withdrawing(self, ref: PortRef) -> str | None:
        """Safe, or the permit is withdrawn at once."""
        trouble = await self._rack.safe(ref)
        if trouble is not None:
            self._on_unconfirmed(ref, trouble)
            await self.withdraw_permit(trouble)
        return trouble

    async def _both_at_once(self) -> list[str | None]:
        """Neither waiting for the other: only where nothing drives, or the hardware has let go of both."""
        return list(await asyncio.gather(*(self._rack.safe(ref) for ref in (self._plan.supply, self._plan.load_drive))))

    async def _end(self, trouble: list[str | None]) -> None:
        """Everything is off and was seen off once more, or `ActFailed` says what is not."""
        back_on = await self._rester.still_off()
        if back_on is not None:
            await self.withdraw_permit(back_on)
        self._refuse([*trouble, back_on])
        self._rack.energised = False

    def _refuse(self, trouble: list[str | None]) -> None:
        sentences = [sentence for sentence in trouble if sentence is not None]
        if sentences:
            raise ActFailed(" ".join(sentences))


def _at_zero(target: Target) -> Target:
    """The same kind of target at zero, with its bound: how a set-point is ramped down."""
    match target:
        case Voltage(current_limit_a=current_a):
            return Voltage(0.0, current_a)
        case Torque(speed_limit_rpm=speed_rpm):
            return Torque(0.0, speed_rpm)
        case Speed(torque_limit_nm=torque_nm):
            return Speed(0.0, torque_nm)


def _amount(target: Target) -> float:
    match target:
        case Voltage(voltage_v=amount) | Torque(torque_nm=amount) | Speed(speed_rpm=amount):
            return amount
