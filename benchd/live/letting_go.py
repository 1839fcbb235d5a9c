"""Lets the machines on the shaft go, in the order that the cause allows. It never says that anything is at rest.

The machine that drives is confirmed without torque first while the other one holds its torque bound, then both go off:
two machines zeroed in a race throw the shaft up, because the torque of one outlasts the other's. What feeds the
specimen is one side of the shaft (the supply, and the motor drive where there is one), the load machine the other.
What does not confirm in time withdraws the safety chain's permit. A software stop is not a safety function.
"""

import asyncio
import contextlib
import math
from collections.abc import Awaitable, Callable, Coroutine

from benchd.contract import DriveReading, DriverError, DriveState
from benchd.live.braking import slowing
from benchd.live.plan import PortRef
from benchd.live.rack import LOOK_AGAIN_S, Rack
from benchd.live.runaway import Runaway
from benchd.live.targets import torque_bound_nm
from benchd.rules.moves import Role, Torque

RELIEF_S = 0.2  # for a drive's torque to be seen gone after it was told to make none
SILENT_S = 0.2  # without a reading, after which a drive is not expected to hear an order either
SPED_UP_RATIO = 0.05  # of the run's speed, more than two machines let go in order throw a shaft up
SPED_UP_STANDSTILLS = 10.0  # and more than the standstill speed so many times, where no run tells a speed
HOLD_FIRST_S = 0.3  # for the other machine to take its hold before the one that drives is told to let go
HOLD_FIRST_AT_LEAST_S = 0.05  # and no longer than this once the shaft speeds up meanwhile
SIGNED_SPEEDS = ("shaft_speed", "drive_speed", "motor_drive_speed")  # the first that is believed tells
Trouble = list[str | None]  # a sentence for each thing that did not confirm
Confirm = Callable[[PortRef], Awaitable[str | None]]  # a way to make a port safe that gives such a sentence
NOTHING_DOUBTED: frozenset[str] = frozenset()


class LettingGo:
    """The ways to take torque and voltage away. Every method is bounded in time and may be cancelled.

    `on_unconfirmed` is told of a port that did not confirm, before the permit is withdrawn for it: the open chain that
    follows must not be taken for the cause.
    """

    def __init__(self, rack: Rack, *, on_unconfirmed: Callable[[PortRef, str], None]) -> None:
        self._rack = rack
        self._on_unconfirmed = on_unconfirmed
        self._plan = plan = rack.plan
        self._load = plan.load_drive
        self._motor = plan.motor_drive
        self._withdrew = False  # in the stop that is under way
        self._held = False  # likewise: a drive has confirmed that it holds standstill
        self._feeding = (plan.supply,) if plan.motor_drive is None else (plan.motor_drive, plan.supply)

    async def by_braking(self, believed: Callable[[], bool]) -> Trouble:
        """Driving machines relieved, supply and motor drive off, shaft braked by the load drive, its stage off.

        `believed` says whether the load drive and what measures the shaft still count; braking ends when not.
        """
        return await self._beside_the_meter(self._watched(self._braking(believed)))

    async def by_coasting(self, *, doubted: frozenset[str] = NOTHING_DOUBTED) -> Trouble:
        """The side that drives is confirmed off first, while the other holds its torque bound; then the other."""
        return await self._beside_the_meter(self._watched(self._coasting(doubted), doubted=doubted))

    async def all_at_once(self) -> Trouble:
        """None waiting for another: only where nothing drives, or the hardware has let go of both sides."""
        refs = [*self._feeding, self._load]
        if self._plan.resistance_meter is not None:
            refs.append(self._plan.resistance_meter)
        return list(await asyncio.gather(*(self._rack.safe(ref) for ref in refs)))

    async def in_turn(self) -> Trouble:
        """One side after the other, nothing held and nothing withdrawn: where nobody knows what turns."""
        load_first = self.load_machine_drives()
        return await self._beside_the_meter(
            self._turns(load_first=load_first, confirm=self._rack.safe), confirm=self._rack.safe
        )

    def any_drive_on(self) -> bool:
        """Whether a drive shows its power stage on, whatever was asked of it."""
        return any(self._is_on(ref) for ref in self._plan.drives)

    def load_machine_drives(self, *, doubted: frozenset[str] = NOTHING_DOUBTED) -> bool:
        """Whether power comes from the load machine: by what is measured and believed, else by what was asked of it.

        A torque within the transducer's zero limit drives nothing. Without a speed the shaft is taken to turn forwards:
        a supply of one polarity turns it no other way. At a shaft that stands (rotor locked) the machine that makes a
        torque against one that holds the speed counts as the one that drives.
        """
        rack, plan = self._rack, self._plan
        speed_rpm = self._signed_speed_rpm(doubted)
        torque_nm = rack.believed("shaft_torque", "drive_torque", "motor_drive_torque", doubted=doubted)
        load = rack.setpoints.now(Role.LOAD_DRIVE)
        makes_torque = isinstance(load, Torque) and load.torque_nm != 0.0
        if self._motor is not None and abs(speed_rpm) <= plan.stopping.standstill_rpm:
            return makes_torque and not isinstance(rack.setpoints.now(Role.MOTOR_DRIVE), Torque)
        if math.isnan(torque_nm):
            torque_nm = load.torque_nm if isinstance(load, Torque) else 0.0
        if abs(torque_nm) <= plan.starting.transducer_zero_limit_nm:
            return False
        return torque_nm * (1.0 if math.isnan(speed_rpm) else speed_rpm) < 0.0

    def _signed_speed_rpm(self, doubted: frozenset[str]) -> float:
        return self._rack.believed(*SIGNED_SPEEDS, doubted=doubted)

    async def withdraw_permit(self, because: str) -> None:
        """Ask the safety chain to open; where it does not confirm, let its heartbeat end, which opens it too.

        Only a person at the bench can close it again.
        """
        self._withdrew = True
        self._rack.on_event("permit_withdrawn", because=because)
        try:
            await self._rack.call(self._plan.safety_chain, lambda chain: chain.withdraw_permit())
        except DriverError as error:
            self._rack.beat_wanted = False
            self._rack.on_event("permit_not_withdrawn", because=str(error), instead="the heartbeat is withheld")

    async def _watched(
        self, work: Coroutine[None, None, Trouble], *, doubted: frozenset[str] = NOTHING_DOUBTED
    ) -> Trouble:
        """The work of a stop. A shaft that runs away meanwhile withdraws the permit, whatever the drives confirm."""
        rack = self._rack
        self._withdrew = self._held = False
        runaway = Runaway(
            lambda: rack.believed_at(*SIGNED_SPEEDS, doubted=doubted),
            bound_rpm=rack.setpoints.speed_bound_rpm(Role.LOAD_DRIVE),
            standstill_rpm=self._plan.stopping.standstill_rpm,
            braked=lambda: self._held,
        )
        async with asyncio.TaskGroup() as group:
            going = group.create_task(work)
            sentence = None
            while not going.done() and not self._withdrew:
                sentence = runaway.sentence()
                if sentence is not None:
                    driving = self._load if self.load_machine_drives(doubted=doubted) else self._feeding[0]
                    self._on_unconfirmed(driving, sentence)
                    await self.withdraw_permit(sentence)
                    break
                await asyncio.wait({going}, timeout=LOOK_AGAIN_S)
            return [sentence, *await going]

    async def _braking(self, believed: Callable[[], bool]) -> Trouble:
        """The brake does not wait for the supply's word.

        A load drive left following its torque would turn the shaft backwards as soon as the supply is gone; one that
        follows standstill cannot. A motor drive is relieved in any case: it may hold a speed without driving just now.
        """
        drivers = [self._load] if self.load_machine_drives() else []
        if self._motor is not None and self._is_on(self._motor):
            drivers.append(self._motor)
        for ref in drivers:
            unrelieved = await self._relieve(ref)
            if unrelieved is not None:  # it does not do what it is told: the hardware has to act, and at once
                self._on_unconfirmed(ref, unrelieved)
                await self.withdraw_permit(unrelieved)
                return [unrelieved, *await self._turns(load_first=ref == self._load, confirm=self._withdrawing)]
        off = [*map(self._withdrawing, self._feeding), self._brake(believed)]
        trouble = list(await asyncio.gather(*off))
        return [*trouble, await self._withdrawing(self._load)]

    async def _coasting(self, doubted: frozenset[str]) -> Trouble:
        """Where the load machine is second, a believed load drive follows standstill meanwhile.

        Left with its torque it would turn the shaft backwards when what feeds the specimen is gone and only its word is
        late. A doubted machine opposite is asked for nothing; its turn comes as soon as the shaft stands.
        """
        self._rack.setpoints.close()
        load_first = self.load_machine_drives(doubted=doubted)
        feeding = ", ".join(map(str, self._feeding))
        first, second = (str(self._load), feeding) if load_first else (feeding, str(self._load))
        self._rack.on_event("coasting", first=first, second=second)
        began_rpm = self._signed_speed_rpm(doubted)
        async with asyncio.TaskGroup() as group:
            holding = group.create_task(self._held_against(load=load_first, doubted=doubted))
            await self._held_first(holding, doubted=doubted)
            going = group.create_task(self._machine_off(load=load_first, began_rpm=began_rpm, doubted=doubted))
            beside = [] if load_first else [group.create_task(self._withdrawing(ref)) for ref in self._feeding[1:]]
            while not going.done() and not self._pulled_to_a_stand(
                load_first=load_first, began_rpm=began_rpm, doubted=doubted
            ):
                await asyncio.wait({going}, timeout=LOOK_AGAIN_S)
            holding.cancel()  # the other's turn must not wait for a drive that does not answer
            trouble = await self._opposite_off(load=not load_first)
        return [*going.result(), *(task.result() for task in beside), *trouble]

    async def _opposite_off(self, *, load: bool) -> Trouble:
        """The side that is second. A drive on it that has gone silent with a torque set does not hear this either.

        Left alone with the shaft it would turn it backwards until its own watchdog acts: the hardware lets go now.
        """
        ref = self._load if load else self._motor
        if ref is None or not self._silent_with_torque(ref):
            return await self._side_off(load=load)
        sentence = f"{ref} is silent and was told last to make torque."
        self._on_unconfirmed(ref, sentence)
        _, trouble = await asyncio.gather(self.withdraw_permit(sentence), self._side_off(load=load))
        return [sentence, *trouble]

    def _silent_with_torque(self, ref: PortRef) -> bool:
        own = self._rack.latest(ref, DriveReading)
        heard = own is not None and asyncio.get_running_loop().time() - own.taken_mono_s <= SILENT_S
        asked = self._rack.setpoints.now(Role.LOAD_DRIVE if ref == self._load else Role.MOTOR_DRIVE)
        return not heard and self._is_on(ref) and torque_bound_nm(asked) > 0.0

    async def _machine_off(self, *, load: bool, began_rpm: float, doubted: frozenset[str]) -> Trouble:
        """The machine that drives: its stage or output confirmed off, and a drive's torque seen gone too."""
        ref = self._load if load else self._feeding[0]
        trouble = await self._withdrawing(ref)
        if trouble is not None or ref == self._plan.supply:
            return [trouble]
        lasting = await self._torque_gone(ref, began_rpm=began_rpm, doubted=doubted)
        if lasting is not None:
            self._on_unconfirmed(ref, lasting)
            await self.withdraw_permit(lasting)
        return [lasting]

    def _pulled_to_a_stand(self, *, load_first: bool, began_rpm: float, doubted: frozenset[str]) -> bool:
        """Whether a doubted machine opposite, which may still make a torque, has nothing to hold any more."""
        opposite = self._motor if load_first else self._load
        target = self._rack.setpoints.now(Role.MOTOR_DRIVE if load_first else Role.LOAD_DRIVE)
        if opposite is None or opposite.device not in doubted or not isinstance(target, Torque):
            return False
        now_rpm = self._signed_speed_rpm(doubted) * math.copysign(1.0, began_rpm)
        return now_rpm <= self._plan.stopping.standstill_rpm

    async def _turns(self, *, load_first: bool, confirm: Confirm) -> Trouble:
        """One machine and then the other side; a supply behind a motor drive goes beside it and is not waited for."""
        async with asyncio.TaskGroup() as group:
            beside = [] if load_first else [group.create_task(_confirmed(confirm, ref)) for ref in self._feeding[1:]]
            first = await confirm(self._load if load_first else self._feeding[0])
            trouble = await self._side_off(load=not load_first, confirm=confirm)
        return [first, *(task.result() for task in beside), *trouble]

    async def _side_off(self, *, load: bool, confirm: Confirm | None = None) -> Trouble:
        """One side of the shaft; what feeds the specimen goes at once, for it is one machine."""
        return list(await asyncio.gather(*map(confirm or self._withdrawing, (self._load,) if load else self._feeding)))

    async def _beside_the_meter(self, work: Awaitable[Trouble], *, confirm: Confirm | None = None) -> Trouble:
        """The resistance meter is made safe in every stop, and nothing waits for it."""
        meter = self._plan.resistance_meter
        if meter is None:
            return await work
        trouble, of_meter = await asyncio.gather(work, (confirm or self._withdrawing)(meter))
        return [*trouble, of_meter]

    async def _relieve(self, ref: PortRef) -> str | None:
        """This drive is told to make no torque, confirmed by read-back and by what is measured; the other holds."""
        rack = self._rack
        role = Role.LOAD_DRIVE if ref == self._load else Role.MOTOR_DRIVE
        bound_rpm = rack.setpoints.speed_bound_rpm(role)
        async with asyncio.TaskGroup() as group:
            holding = group.create_task(self._held_against(load=ref == self._load, doubted=NOTHING_DOUBTED))
            await self._held_first(holding)
            began_rpm = rack.shaft_speed_rpm()
            try:
                await rack.tell(
                    ref, "make no torque", lambda drive: drive.follow_torque(0.0, speed_limit_rpm=bound_rpm)
                )
            except DriverError as error:
                holding.cancel()
                return f"{ref} was told to make no torque and did not let go of the shaft: {error}"
            unrelieved = await self._torque_gone(ref, began_rpm=began_rpm)
            if unrelieved is not None:
                holding.cancel()
                return unrelieved
        rack.on_event("without_torque", port=str(ref))
        return None

    async def _torque_gone(
        self, ref: PortRef, *, began_rpm: float, doubted: frozenset[str] = NOTHING_DOUBTED
    ) -> str | None:
        """Wait for it, `RELIEF_S` at most from now, when the drive was told; no longer once the shaft speeds up."""
        loop = asyncio.get_running_loop()
        told_s = loop.time()
        rise_rpm = self._rise_rpm()
        while not self._without_torque(ref, told_s=told_s, began_rpm=began_rpm, doubted=doubted):
            if (speed_rpm := abs(self._signed_speed_rpm(doubted))) > abs(began_rpm) + rise_rpm:
                return (
                    f"{ref} was told to make no torque and the shaft went from {abs(began_rpm):.0f} to "
                    f"{speed_rpm:.0f} r/min."
                )
            if loop.time() > told_s + RELIEF_S:
                return f"{ref} made torque {RELIEF_S:g} s after it was told to make none."
            await asyncio.sleep(LOOK_AGAIN_S)
        return None

    def _without_torque(self, ref: PortRef, *, told_s: float, began_rpm: float, doubted: frozenset[str]) -> bool:
        """By the drive's own word after it was told, and by the transducer where that can tell.

        The transducer also sees a rotor's inertia give its energy back, so its word counts against the drive only while
        the shaft does not slow down.
        """
        rack = self._rack
        nothing_nm = self._plan.starting.transducer_zero_limit_nm
        own = rack.latest(ref, DriveReading)
        if own is None or own.taken_mono_s <= told_s or abs(own.torque_nm) > nothing_nm:
            return False
        speed_rpm = self._signed_speed_rpm(doubted)
        ways = math.copysign(1.0, speed_rpm) * (-1.0 if ref == self._load else 1.0)
        driving_nm = rack.believed("shaft_torque", doubted=doubted) * ways
        turns = abs(speed_rpm) > self._plan.stopping.standstill_rpm
        slows = abs(speed_rpm) < abs(began_rpm) - self._plan.stopping.standstill_rpm
        return not (turns and driving_nm > nothing_nm and not slows)  # NaN, not measured, says nothing against it

    async def _held_first(self, holding: asyncio.Task[None], *, doubted: frozenset[str] = NOTHING_DOUBTED) -> None:
        """Wait for the hold between two drives: without it a light rotor is reversed as soon as one lets go.

        While it holds a speed nothing changes by waiting; one that speeds the shaft up is not waited for.
        """
        if self._motor is None:
            return
        loop = asyncio.get_running_loop()
        began_s, began_rpm, rise_rpm = loop.time(), abs(self._signed_speed_rpm(doubted)), self._rise_rpm()
        while not holding.done() and loop.time() < began_s + HOLD_FIRST_S:
            sped_up = not abs(self._signed_speed_rpm(doubted)) <= began_rpm + rise_rpm
            if sped_up and loop.time() >= began_s + HOLD_FIRST_AT_LEAST_S:
                return
            await asyncio.wait({holding}, timeout=LOOK_AGAIN_S)

    def _rise_rpm(self) -> float:
        """More than two machines that are let go in order throw a shaft up."""
        bound_rpm = self._rack.setpoints.speed_bound_rpm(Role.LOAD_DRIVE)
        return max(SPED_UP_RATIO * bound_rpm, SPED_UP_STANDSTILLS * self._plan.stopping.standstill_rpm)

    async def _held_against(self, *, load: bool, doubted: frozenset[str]) -> None:
        """The machine opposite the load drive (or opposite what feeds the specimen) holds its torque bound.

        One that makes a torque follows standstill by its own encoder within that torque: it goes on braking and cannot
        turn the shaft backwards once the other one has let go. A motor drive that holds a speed goes on doing so, and
        one without torque stays so. Nothing is asked of a doubted drive; a refusal is no news here.
        """
        setpoints, braking_nm = self._rack.setpoints, self._plan.stopping.braking_torque_nm
        if not load:
            ref, bound_nm = self._load, max(braking_nm, torque_bound_nm(setpoints.now(Role.LOAD_DRIVE)))
        else:
            target = setpoints.now(Role.MOTOR_DRIVE)
            if self._motor is None or not isinstance(target, Torque) or target.torque_nm == 0.0:
                return
            ref, bound_nm = self._motor, torque_bound_nm(target)
        if ref.device in doubted or not self._is_on(ref):
            return
        with contextlib.suppress(DriverError):
            await self._rack.tell(
                ref, "hold the shaft", lambda drive: drive.follow_speed(0.0, torque_limit_nm=bound_nm)
            )
            self._held = True

    def _is_on(self, ref: PortRef) -> bool:
        """Whether a drive makes torque for all that is known: it shall be on, or shows that it is."""
        reading = self._rack.latest(ref, DriveReading)
        shows = reading is not None and reading.state is DriveState.OPERATION_ENABLED
        return ref in self._rack.in_service or shows

    async def _brake(self, believed: Callable[[], bool]) -> str | None:
        """The load drive follows standstill within the braking torque, for at most the controlled stop's time."""
        stopping, rack = self._plan.stopping, self._rack
        if rack.shaft_speed_rpm() <= stopping.standstill_rpm or self._load not in rack.in_service:
            return None
        if math.isnan(rack.shaft_speed_rpm()):
            return "The shaft was not braked: no believable speed was read."
        try:
            await rack.tell(
                self._load,
                "brake the shaft",
                lambda drive: drive.follow_speed(0.0, torque_limit_nm=stopping.braking_torque_nm),
            )
        except DriverError as error:  # deaf to this order it keeps its last one, which may turn the shaft backwards
            unbraked = f"{self._load} did not brake the shaft: {error}"
            self._on_unconfirmed(self._load, unbraked)
            await self.withdraw_permit(unbraked)
            return unbraked
        self._held = True
        return await slowing(rack, believed)

    async def _withdrawing(self, ref: PortRef) -> str | None:
        """Safe, or the permit is withdrawn at once."""
        trouble = await self._rack.safe(ref)
        if trouble is not None:
            self._on_unconfirmed(ref, trouble)
            await self.withdraw_permit(trouble)
        return trouble


async def _confirmed(confirm: Confirm, ref: PortRef) -> str | None:
    return await confirm(ref)
