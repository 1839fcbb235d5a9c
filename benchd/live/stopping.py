"""Takes energy away, as the cause allows, and says "stopped" only at measured standstill.

A stop with braking ramps the set-points down first; then the machines are let go in order (`letting_go`), the shaft is
waited for, and the sink is disarmed last, once the link is discharged (`resting`). A software stop is not a safety
function.
"""

import asyncio
import math
from collections.abc import Callable

from benchd.contract import SafetyChainReading
from benchd.live.causes import Cause, stops_by_braking
from benchd.live.engine import ActFailed
from benchd.live.letting_go import NOTHING_DOUBTED, LettingGo, Trouble
from benchd.live.link_state import LinkState
from benchd.live.plan import PortRef
from benchd.live.rack import LOOK_AGAIN_S, Rack
from benchd.live.resting import Rester
from benchd.live.targets import RESTING, at_zero, zero_within_s
from benchd.rules.limits import Reaction
from benchd.rules.moves import Role
from benchd.rules.states import State

RAMP_PATIENCE_S = 1.0  # beyond the time that the slopes need
MAKE_GOOD_EVERY_S = 0.5
RESTS = frozenset({State.STOPPED, State.IDLE, State.COMPLETE, State.ABORTED})


class Stopper:
    """The ways to come to rest. Every method is bounded in time and may be cancelled by a harder one.

    `on_unconfirmed` is told of a port that did not confirm, before the permit is withdrawn for it.
    """

    def __init__(self, rack: Rack, *, on_unconfirmed: Callable[[PortRef, str], None]) -> None:
        self._rack = rack
        self._plan = rack.plan
        self._letting_go = LettingGo(rack, on_unconfirmed=on_unconfirmed)
        self._rester = Rester(rack)
        self._was_off = False  # everything has been told to be off since the bench came up

    async def ramp_down(self, *, goes_on: Callable[[], bool] = lambda: True) -> None:
        """Bring every set-point to zero on the slopes, while `goes_on`.

        Both drives brake within the torque bounds that they have. A converter that was asked for anything keeps its
        supply voltage meanwhile: one that loses its link can no longer brake. Gives up after the time that the slopes
        need, silently: what follows takes the energy away.
        """
        setpoints, plan = self._rack.setpoints, self._plan
        if not setpoints.is_open:
            return
        converter = setpoints.targets.get(Role.MOTOR_DRIVE, RESTING[Role.MOTOR_DRIVE])
        stays = {Role.SUPPLY} if converter != RESTING[Role.MOTOR_DRIVE] else set()
        now = {role: setpoints.now(role) for role in setpoints.targets if role not in stays}
        setpoints.ask({role: at_zero(target) for role, target in now.items()})
        needs_s = max((zero_within_s(target, plan.slopes) for target in now.values()), default=0.0)
        loop = asyncio.get_running_loop()
        until_s = loop.time() + needs_s + RAMP_PATIENCE_S
        while goes_on() and loop.time() < until_s and not setpoints.taken:
            await asyncio.sleep(LOOK_AGAIN_S)

    async def controlled_stop(self) -> None:
        """Ramp down, supply and motor drive off, brake to standstill, stage off, link discharged, sink disarmed.

        Raises `ActFailed` in one sentence when the shaft does not come to rest or a device does not confirm. Where
        nothing had been energised since the bench last rested, what does not confirm is told and no more.
        """
        if not self._rack.energised:
            await self._stay_at_rest()
            return
        await self.ramp_down()
        self._rack.setpoints.close()
        trouble = await self._letting_go.by_braking(lambda: True)
        trouble.append(await self._rester.come_to_rest())
        await self._end(trouble)

    async def _stay_at_rest(self) -> None:
        self._rack.setpoints.close()
        trouble = await self._letting_go.all_at_once()
        trouble.append(await self._rester.disarm_at_rest())
        sentences = [sentence for sentence in trouble if sentence is not None]
        if sentences:
            self._rack.on_event("not_safe", sentence=" ".join(sentences))

    async def cut(self, cause_now: Callable[[], Cause]) -> None:
        """Take energy away for the cause, as fast as its order allows. Raises `ActFailed` as `controlled_stop` does.

        `cause_now` gives the cause with whatever was learnt since: a ramp ends when the reaction becomes a cut, braking
        ends when a drive joins the doubted.
        """
        if cause_now().reaction is Reaction.RAMP_DOWN:
            await self.ramp_down(goes_on=lambda: cause_now().reaction is Reaction.RAMP_DOWN)
        self._rack.setpoints.close()
        cause = cause_now()
        if cause.chain_open:
            # The hardware has acted already; the devices are told the same, none waiting for another.
            trouble = await self._letting_go.all_at_once()
        elif stops_by_braking(cause, self._plan):
            trouble = await self._letting_go.by_braking(lambda: stops_by_braking(cause_now(), self._plan))
        else:
            trouble = await self._letting_go.by_coasting(doubted=cause.doubted)
        trouble.append(await self._rester.come_to_rest(lambda: cause_now().doubted))
        await self._end(trouble)

    async def everything_safe(self) -> None:
        """What can energise is off, whatever was on before; used at the beginning, before Idle and after Clear.

        A shaft that turns, or that a drive may hold against another, is let go in order and waited for. A heartbeat
        that was withheld comes back. Raises `ActFailed` with what did not confirm.
        """
        rack = self._rack
        rack.setpoints.close()
        speed_rpm = rack.shaft_speed_rpm()
        if rack.energised or speed_rpm > self._plan.stopping.standstill_rpm or self._letting_go.any_drive_on():
            trouble = await self.off_by_coasting()
            if not math.isnan(rack.shaft_speed_rpm()):
                trouble.append(await self._rester.come_to_rest())
        elif math.isnan(speed_rpm):  # it may turn for all that is known: one after the other, never in a race
            trouble = await self._letting_go.in_turn()
        else:
            trouble = await self._letting_go.all_at_once()
        self._was_off = True  # or it is among `rack.unsafe`
        self._refuse(trouble)
        self._at_rest()
        rack.beat_wanted = True  # nothing is left on for which it was withheld; without it no chain can be reset

    async def off_by_coasting(self, *, doubted: frozenset[str] = NOTHING_DOUBTED) -> Trouble:
        """The side that drives is confirmed off first, while the other holds its torque bound; then the other."""
        return await self._letting_go.by_coasting(doubted=doubted)

    async def last_resort(self, because: str) -> None:
        """No stop helps here, or it failed itself: the chain is asked to open, and every device is told once more."""
        self._rack.setpoints.close()
        await asyncio.gather(self._letting_go.withdraw_permit(because), self._letting_go.in_turn())

    async def make_good(self, state: Callable[[], State]) -> None:
        """Tell what did not confirm once more whenever it answers again while the bench rests; never returns.

        A device whose wire was lost keeps its output until somebody tells it: without this until the next Clear. One
        that had confirmed and comes back on by itself opens the chain, once each time.
        """
        rack = self._rack
        told = None
        while True:
            await asyncio.sleep(MAKE_GOOD_EVERY_S)
            for ref in tuple(rack.unsafe):
                if state() in RESTS and rack.links[ref.device].state is LinkState.UP:
                    await rack.safe(ref)
            back_on = await self._back_on() if state() in RESTS else None
            if back_on is not None and back_on != told and state() in RESTS:
                rack.on_event("back_on", sentence=back_on)
                await self.last_resort(back_on)
            told = back_on

    async def _back_on(self) -> str | None:
        """What shows itself on at rest after it had confirmed off; who has turned the selector to local may do so."""
        chain = self._rack.latest(self._plan.safety_chain, SafetyChainReading)
        local = self._plan.starting.remote_required and chain is not None and not chain.remote_selected
        return None if local or not self._was_off or self._rack.unsafe else await self._rester.still_off()

    async def _end(self, trouble: Trouble) -> None:
        """Everything is off and was seen off once more, or `ActFailed` says what is not."""
        back_on = await self._rester.still_off()
        if back_on is not None:
            await self._letting_go.withdraw_permit(back_on)
        self._refuse([*trouble, back_on])
        self._at_rest()

    def _at_rest(self) -> None:
        self._rack.energised = self._rack.measuring = False

    def _refuse(self, trouble: Trouble) -> None:
        sentences = [sentence for sentence in trouble if sentence is not None]
        if sentences:
            raise ActFailed(" ".join(sentences))
