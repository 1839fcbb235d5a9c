"""What happens at every tick and at every reading: frame, test, set-points, record, and causes to take energy away.

It says what it saw through `trip`; it never changes a state and never waits.
"""

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from benchd.contract import Reading, ResistanceReading, SafetyChainReading
from benchd.live.balance import Balancing
from benchd.live.causes import Cause, cause_of
from benchd.live.interlocks import Interlocks
from benchd.live.link import Link
from benchd.live.link_state import LinkState
from benchd.live.plan import BenchPlan, PortRef
from benchd.live.player import NOWHERE, Player
from benchd.live.poller import UNTAKEN_IN_A_ROW, Poller
from benchd.live.rack import Rack
from benchd.live.recording import Recording
from benchd.live.regulation import Regulation
from benchd.live.supervision import (
    NOBODY_OPENED,
    STALL_TOO_LONG_S,
    STALL_WORTH_TELLING_S,
    objection,
    other_contacts,
    silence,
    silent_after_s,
    stall,
    untaken,
)
from benchd.live.ticker import Tick
from benchd.rules.channels import Channel
from benchd.rules.frames import Frame
from benchd.rules.limits import Crossing, Reaction
from benchd.rules.moves import CannotGoOn, Role
from benchd.rules.states import ENERGISED, State

WATCHED = ENERGISED | {State.STOPPING, State.ABORTING}


class Watch:
    """The bench's eyes. `state` gives the present state; `trip` is told of every cause, at once."""

    def __init__(
        self,
        plan: BenchPlan,
        links: Mapping[str, Link],
        *,
        state: Callable[[], State],
        trip: Callable[[Cause], None],
        on_event: Callable[..., None],
    ) -> None:
        self._plan = plan
        self._links = links
        self._state = state
        self._trip = trip
        self._on_event = on_event
        self._channels = {channel.name: channel for channel in plan.channels}
        self._pollers: dict[str, Poller] = {}
        self._rack: Rack | None = None
        self._interlocks = Interlocks()
        self.player: Player | None = None
        self.balancing: Balancing | None = None
        self.regulation: Regulation | None = None
        self.ticks = 0
        self.missed_ticks = 0
        self._leapt_s = 0.0  # since the last tick, in a rehearsal

    def begin(self, rack: Rack, pollers: Sequence[Poller]) -> None:
        """What it watches; called once, before the first tick."""
        self._rack = rack
        self._pollers = {poller.device.name: poller for poller in pollers}

    @property
    def _energised(self) -> bool:
        return self._rack is not None and self._rack.energised and self._state() in WATCHED

    def pulse(self, tick: Tick, recording: Recording) -> None:
        """One tick."""
        rack = self._rack
        if rack is None:
            return
        period_s = 1.0 / self._plan.tick_hz
        self.ticks += 1
        missed = max(0, tick.missed - round(self._leapt_s / period_s))
        self._leapt_s = 0.0
        self.missed_ticks += missed
        if missed * period_s > STALL_WORTH_TELLING_S and self._state() in WATCHED:
            self._stood_still(rack, missed * period_s, time_mono_s=tick.time_mono_s)
        frame = rack.intake.frame(tick.time_mono_s)
        place = NOWHERE
        if self.player is not None:
            try:
                place = self.player.frame(frame)
            except Exception as error:  # noqa: BLE001 - a test's own error must take energy away, not the tick
                own = f"The test ended in an error of its own ({type(error).__name__}: {error})."
                self.player.stop()
                sentence = str(error) if isinstance(error, CannotGoOn) else own
                self._trip(Cause(sentence=sentence, reaction=Reaction.RAMP_DOWN))
        if self.balancing is not None:
            playing = self.player is not None and self.player.playing
            self.balancing.look(frame, rack.setpoints.targets, playing=playing)
        rack.setpoints.advance(period_s)  # missed ticks are not made up for: a set-point must not step
        self._regulate(frame, period_s)
        recording.append(frame, state=self._state(), place=place)
        self._listen_for_silence(rack, tick.time_mono_s)

    def _regulate(self, frame: Frame, period_s: float) -> None:
        """One step of the outer loops. Their own error ends them and the run, not the tick."""
        if self.regulation is None:
            return
        regulated = {} if self.player is None else self.player.regulated
        try:
            self.regulation.look(frame, regulated, dt_s=period_s)
        except Exception as error:  # noqa: BLE001 - see the docstring
            self.regulation = None
            if self._rack is not None:
                for role in self._rack.setpoints.targets:
                    self._rack.setpoints.set_trim(role, 0.0)
            sentence = f"The outer loops ended in an error of their own ({type(error).__name__}: {error})."
            self._trip(Cause(sentence=sentence, reaction=Reaction.RAMP_DOWN))

    @property
    def may_leap_s(self) -> float:
        """How long nothing changes from now on, as the test that plays says, with every set-point taken; else 0."""
        rack, player = self._rack, self.player
        if rack is None or player is None or self._leapt_s or self._state() is not State.EXECUTE:
            return 0.0
        if not player.playing or not rack.setpoints.taken or any(poller.busy for poller in self._pollers.values()):
            return 0.0
        return player.dwell_s

    def leap(self, seconds: float) -> None:
        """A rehearsal moved the clock by so much: every device was heard on and on and stayed as it was."""
        self._leapt_s += seconds
        if self._rack is not None:
            self._rack.intake.leap(seconds)
        for poller in self._pollers.values():
            poller.heard_mono_s += seconds

    def _stood_still(self, rack: Rack, seconds: float, *, time_mono_s: float) -> None:
        """This process was held up: that is nobody's silence, and too long of it is a cause of its own."""
        self._on_event("stalled", seconds=seconds)
        if rack.intake.monitor is not None:
            rack.intake.monitor.restart_ages(time_mono_s, stalled_s=seconds)
        for poller in self._pollers.values():
            poller.heard_mono_s = min(poller.heard_mono_s + seconds, time_mono_s)
        if rack.energised and seconds > STALL_TOO_LONG_S:
            self._trip(stall(seconds))

    def _listen_for_silence(self, rack: Rack, time_mono_s: float) -> None:
        if not self._energised:
            return
        needed = {ref.device for ref in rack.in_service} | {self._plan.safety_chain.device}
        if rack.measuring:  # whether they are off is known from their readings alone
            needed |= {self._plan.supply.device, *(ref.device for ref in self._plan.drives)}
        if self._state() in ENERGISED - {State.COMPLETING}:  # Hold may cut enabling short: on and not in service yet
            needed |= {ref.device for ref in (self._plan.supply, *self._plan.drives) if rack.shows_on(ref)}
        for name, poller in self._pollers.items():
            silent_s = time_mono_s - poller.heard_mono_s
            if name in needed and silent_s > silent_after_s(poller.device.poll_hz):
                link = self._links[name]
                said = self._trouble(name) or "no reply comes"
                why = said if link.state is LinkState.UP else link.last_error
                chain = name == self._plan.safety_chain.device
                self._trip(silence(name, silent_s=silent_s, why=why, chain=chain))

    def _trouble(self, device: str) -> str:
        """What is known to go wrong with a device: the stop's own order first, then its set-points and readings."""
        stop = "" if self._rack is None else self._rack.trouble.get(device, "")
        poller = self._pollers.get(device)
        return stop or ("" if poller is None else poller.trouble)

    def arrived(self, ref: PortRef, reading: Reading) -> None:
        """One reading of one port."""
        rack = self._rack
        if rack is None:
            return
        rack.intake.arrived(ref, reading)
        if isinstance(reading, SafetyChainReading) and ref == self._plan.safety_chain:
            for change in self._interlocks.changes(reading):
                self._on_event("interlock", **dataclasses.asdict(change))
            if objection(ref, reading, plan=self._plan, enabled=False) is not None:
                rack.chain_objected_s = reading.taken_mono_s
        if not self._energised:
            return
        enabled = ref in rack.in_service
        cause = objection(ref, reading, plan=self._plan, enabled=enabled, measuring=rack.measuring)
        if cause is None and rack.measuring and enabled and isinstance(reading, ResistanceReading):
            asked = rack.setpoints.now(Role.RESISTANCE_METER)
            if rack.setpoints.is_open and rack.setpoints.due(Role.RESISTANCE_METER) is None:
                cause = other_contacts(ref, reading, asked)
        if cause is not None:
            self._trip(self._explained(cause, ref))

    def _explained(self, cause: Cause, ref: PortRef) -> Cause:
        """A chain that took no heartbeat opens for want of it, and shows no more than that it is open."""
        refused = self._pollers[ref.device].beat_refused if cause.chain_open else ""
        if not refused or cause.sentence not in NOBODY_OPENED:
            return cause
        sentence = f"The safety chain took no heartbeat ({refused.rstrip('.')}). {cause.sentence}"
        return replace(cause, sentence=sentence)

    def crossed(self, crossings: list[Crossing]) -> None:
        """Limits that were crossed."""
        for crossing in crossings:
            channel = self._channels[crossing.limit.channel]
            blind = self._blind(channel, crossing)
            trouble = next((said for device in blind if (said := self._trouble(device))), "")
            self._trip(cause_of(crossing, channel, trouble=trouble, blind=blind))

    def _blind(self, channel: Channel, crossing: Crossing) -> tuple[str, ...]:
        """The devices that a channel's silence would be due to."""
        if self._rack is None:
            return (channel.device,)
        return self._rack.intake.blind(channel, time_mono_s=crossing.time_mono_s)

    def refused(self, ref: PortRef, sentence: str) -> None:
        """A device took no set-point; one that will not follow a ramp down either is cut."""
        state = self._state()
        in_vain = state is State.ABORTING and self._pollers[ref.device].untaken >= UNTAKEN_IN_A_ROW
        self._trip(untaken(ref, sentence, stopping=state is State.STOPPING or in_vain))
