"""Watches a bench on its twin and says what it may never do, by the twin's truth and by a table of its own.

Nothing here asks benchd what is allowed: the states are written down by hand from ISA-TR88.00.02 (the OPC Foundation's
PackML companion specification prints the same table), the times from what devices promise, and what is energised is
read from the simulated plant.
"""

import asyncio
import math
from collections.abc import Mapping

from benchd.live.causes import Cause
from benchd_rig.bench import Bench as Rig

from .any_order_breakages import Breakages
from .twin_bench import OnTwin

LOOK_S = 0.005
COMMANDS: Mapping[str, Mapping[str, str]] = {
    "Reset": {"Stopped": "Resetting", "Complete": "Resetting"},
    "Start": {"Idle": "Starting"},
    "Hold": {"Execute": "Holding"},
    "Unhold": {"Held": "Unholding"},
    "Clear": {"Aborted": "Clearing"},
    "Stop": dict.fromkeys(
        ("Resetting", "Idle", "Starting", "Execute", "Holding", "Held", "Unholding", "Completing", "Complete"),
        "Stopping",
    ),
    "Abort": dict.fromkeys(
        (
            *("Clearing", "Stopped", "Starting", "Idle", "Execute", "Stopping", "Holding", "Held", "Unholding"),
            *("Resetting", "Completing", "Complete"),
        ),
        "Aborting",
    ),
}
DONE = {
    "Clearing": "Stopped",
    "Resetting": "Idle",
    "Starting": "Execute",
    "Execute": "Completing",
    "Holding": "Held",
    "Unholding": "Execute",
    "Completing": "Complete",
    "Stopping": "Stopped",
    "Aborting": "Aborted",
}
ONLY_WHEN_ASKED = {"Resetting", "Starting", "Unholding", "Clearing"}  # nothing restarts by itself (ISO 14118)
RUNS = {"Execute", "Holding", "Held", "Unholding"}
OFF = {"Stopped", "Resetting", "Idle", "Complete", "Aborted", "Clearing"}  # nothing may be energised
MAY_TAKE_S = {  # what an act may last: slopes, braking, coasting, discharging, and each promise once
    "Starting": 8.0,
    "Holding": 8.0,
    "Unholding": 8.0,
    "Resetting": 25.0,
    "Clearing": 25.0,
    "Completing": 30.0,
    "Stopping": 30.0,
    "Aborting": 35.0,
}
SILENT = {"hang", "refuse", "drop", "garbage", "truncated_reply", "wrong_transaction"}  # no reading comes any more
AGE_S = {  # how old a reading may get (bench file, half a second for devices) and how long to tell it, see `_stale`
    "supply": 0.5,
    "sink": 0.5,
    "measuring_unit": 0.5,
    "load_drive": 0.5,
    "safety_chain": 0.5,
    "thermometers": 3.0,
    "cabinet_thermometers": 5.0,
}
POLL_S = {"thermometers": 0.2, "cabinet_thermometers": 0.5}
NO_NUMBER = {"supply", "sink", "measuring_unit", "thermometers", "cabinet_thermometers"}  # watched values become NaN
BLIND = {  # faults of the plant that leave a watched channel without a number
    "encoder_lost": 0.5,
    "transducer_lead_open": 0.5,
    "current_lead_open": 0.5,
    "winding_thermometer_open": 3.2,
}
FLUSHED_S = 0.5
SLACK_S = 0.35  # a call that was on the wire, one late reply, one poll and one tick
SUPPLY_OFF_S = 2.2  # after a cut: hold first 0.3, relief 0.2, a promise of 1.0, the chain's heartbeat 0.5
STAGE_OFF_S = 8.0  # and the same after 5 s of braking
RAMP_S = 6.0  # slopes 1 s and 1.8 s, and 1 s of patience before a ramp down counts as a cut
CHAIN_OPENS_S = 0.3
GIVEN_UP_S = 1.2  # the chain opens for want of a heartbeat (0.5 s) after a stop that did not confirm
HOT_DEGC = 100.0  # a jammed rotor's winding, warned of from 105 °C
STILL_RPM = 20.0  # twice the standstill of the bench file


class Witness:
    """Looks every 5 ms and after every step; `wrong` is what was seen that may never be.

    `relays_welded`: the hardware takes nothing away, so that what software does is seen alone; no promise is then kept
    for a device that is broken itself.
    """

    def __init__(self, bench: OnTwin, *, relays_welded: bool) -> None:
        self.bench = bench
        self.relays_welded = relays_welded
        self.broken = Breakages(bench)
        self.asked: str | None = None  # the command that is being given in this very moment
        self.opened = 0  # run folders
        self.fastest_rpm = 0.0
        self.wrong: list[str] = []
        self.state = "Stopped"
        self.entered_s = self._now_s()
        self.states = ["Stopped"]
        self.causes: set[str] = set()
        self._read = 0
        self._cause: Cause | None = None
        self._explained = 0
        self._latched_s: dict[str, float] = {}  # by reaction
        self._permit_lost_s = math.inf
        self._gave_up = False
        self._limits_shown = False

    @property
    def touched(self) -> bool:
        """Whether anything was broken since the bench was reset, or has burnt itself hot before."""
        return bool(self.broken.touched) or self.bench.rig.plant.winding_degc > HOT_DEGC

    async def watch(self) -> None:
        while True:
            self.look()
            await asyncio.sleep(LOOK_S)

    def look(self) -> None:
        """Everything that may never be, at this moment."""
        self.bench.rig.advance()
        self._read_log()
        now_s = self._now_s()
        if self.bench.live.settled.is_set() is (self.state in DONE):
            self._say(f"it is in {self.state} and settled is {self.state in DONE}")
        truth = self.bench.rig.plant
        self.fastest_rpm = max(self.fastest_rpm, abs(truth.motor_speed_rpm), abs(truth.load_speed_rpm))
        if self.state != self.bench.state.title:
            self._say(f"it is in {self.bench.state.title} and told {self.state}")
        for what, is_on in self._energy().items():
            if is_on:
                self._energised(what, now_s)
        self._latch(now_s)
        self._reacts(now_s)
        self._stale(now_s)
        self._ends(now_s)

    def _read_log(self) -> None:
        log = self.bench.log
        while self._read < len(log):
            name, fields = log[self._read]
            self._read += 1
            if name == "state":
                self._moved(fields["before"], fields["after"])
            elif name == "permit_withdrawn":
                self._gave_up = True
                if not self.touched:
                    self._say(f"nothing is broken and the permit was withdrawn: {fields['because']}")
            elif name == "limits_in_force":
                self._limits_shown = True
            elif name == "explained":
                self._explained += 1

    def _moved(self, before: str, after: str) -> None:
        """One change of state, against the table."""
        asked, self.asked = self.asked, None
        if before != self.state:
            self._say(f"it left {before} while it was in {self.state}")
        by_command = None if asked is None else COMMANDS[asked].get(before)
        by_itself = {DONE.get(before), COMMANDS["Stop"].get(before), COMMANDS["Abort"].get(before)}
        by_itself |= {COMMANDS["Hold"].get(before)}
        if asked is not None and after != by_command:
            self._say(f"{asked} led from {before} to {after}, the table says {by_command}")
        if asked is None and (after not in by_itself or after in ONLY_WHEN_ASKED):
            self._say(f"it went from {before} to {after} by itself")
        if after == "Stopped" and before == "Clearing":
            self._cause = None
            self._latched_s.clear()
        if after in {"Stopped", "Complete"} and before in {"Stopping", "Completing"}:
            self._stands(after)
        if after == "Resetting":
            self.broken.reset()
            self._gave_up = False
        if after == "Starting":
            self._limits_shown = False
        self.state, self.entered_s = after, self._now_s()
        self.states.append(after)

    def _energy(self) -> Mapping[str, bool]:
        plant = self.bench.rig.plant
        return {"supply": plant.supply.output_on, "load_drive": plant.load.power_stage_on}

    def _energised(self, what: str, now_s: float) -> None:
        """Something is on. May it be?"""
        plant, here_s = self.bench.rig.plant, now_s - self.entered_s
        if what == "supply" and plant.supply.voltage_v > 12.01:
            self._say(f"the supply is set to {plant.supply.voltage_v:g} V, the programme asks for 12 V at most")
        if self.relays_welded and self.broken.of(what):
            return
        if self.state in OFF and not (self._gave_up and here_s < GIVEN_UP_S and not self.relays_welded):
            self._say(f"{what} is on in {self.state}")
        if self.state == "Starting" and not (self._limits_shown and here_s > 0.35):
            self._say(f"{what} was switched on before the start was proved and people were warned")
        for reaction, latched_s in self._latched_s.items():
            longest_s = SUPPLY_OFF_S if what == "supply" else STAGE_OFF_S
            longest_s += RAMP_S if reaction == "RAMP_DOWN" else 0.0
            if now_s - latched_s > longest_s:
                self._say(f"{what} is still on {longest_s:g} s after a trip ({reaction})")
        lost_s = now_s - self._permit_lost_s
        if self.relays_welded and not self.broken.of("safety_chain") and lost_s > STAGE_OFF_S:
            self._say(f"{what} is on {lost_s:.2g} s after the permit was lost")

    def _latch(self, now_s: float) -> None:
        """The first cause stays the cause; it grows harder and more doubtful, and goes with Clear alone."""
        before, cause = self._cause, self.bench.live.cause
        if cause is not None and self.state in {"Stopped", "Idle", "Complete", "Resetting", "Starting"}:
            self._say(f"a trip is latched in {self.state}: {cause.sentence}")
        if cause is not None and not self.touched and not cause.sentence.startswith("Abort was asked for"):
            self._say(f"nothing is broken and it tripped: {cause.sentence}")
        if cause is None:
            if before is not None:
                self._say(f"the cause went without Clear in {self.state}: {before.sentence}")
            if self.state == "Aborted":
                self._say("it is in Aborted without a cause")
        else:
            self.causes.add(cause.key or cause.sentence)
            self._latched_s.setdefault(cause.reaction.name, now_s)
            if before is not None and cause.sentence != before.sentence:
                may = before.looks_like_chain and (cause.chain_open or cause.chain_silent)
                if not self._explained or not may:
                    self._say(f"the first cause was {before.sentence!r} and became {cause.sentence!r}")
                self._explained = 0
            if before is not None and (cause.reaction < before.reaction or not before.doubted <= cause.doubted):
                self._say(f"a cause grew milder: {before} became {cause}")
        self._cause = cause

    def _reacts(self, now_s: float) -> None:
        """A latched trip or an open chain ends a run; no act lasts for ever."""
        chain = self.bench.rig.safety_chain
        open_now = not (chain.permit and chain.torque_enabled)
        self._permit_lost_s = min(self._permit_lost_s, now_s) if open_now else math.inf
        if self.state in RUNS:
            if self.bench.live.cause is not None:
                self._say(f"a trip is latched in {self.state}: {self.bench.live.cause.sentence}")
            open_s = now_s - max(self._permit_lost_s, self.entered_s)
            if open_s > CHAIN_OPENS_S + (0.0 if not self.broken.of("safety_chain") else AGE_S["safety_chain"]):
                drives_tell = not self.relays_welded
                if drives_tell or not self.broken.of("safety_chain"):
                    self._say(f"{self.state} goes on {open_s:.2g} s after the safety chain opened")
        if now_s - self.entered_s > MAY_TAKE_S.get(self.state, math.inf):
            self._say(f"{self.state} lasts for more than {MAY_TAKE_S[self.state]:g} s")

    def _stale(self, now_s: float) -> None:
        """A watched channel without a good reading ends the run in time, and so does a disk that is full."""
        if self.state not in RUNS:
            return
        for what, since_s in self.broken.since_s.items():
            device, _, kind = what.partition(":")
            if device == "plant":
                age_s = BLIND.get(kind, math.inf)
            elif device == "disk":
                age_s = FLUSHED_S
            elif kind in SILENT or (kind == "nan" and device in NO_NUMBER):
                age_s = AGE_S[device] + POLL_S.get(device, 0.0)
            else:
                continue
            blind_s = now_s - max(since_s, self.entered_s if self.state == "Execute" else since_s)
            if blind_s > age_s + SLACK_S:
                self._say(f"{self.state} goes on {blind_s:.2g} s after {what}")

    def _stands(self, after: str) -> None:
        """ "Stopped" and "Complete" are measured standstill of both ends, where what measures them was sound."""
        truth = self.bench.truth
        if not self.broken.touched and max(abs(truth.motor_speed_rpm), abs(truth.load_speed_rpm)) > STILL_RPM:
            self._say(f"{after} with the shaft at {truth.motor_speed_rpm:.0f} and {truth.load_speed_rpm:.0f} r/min")

    def _ends(self, now_s: float) -> None:
        if self.state in OFF - {"Resetting", "Clearing"} and now_s - self.entered_s > LOOK_S:
            ended = len(self.bench.recorded.endings)
            if ended != self.opened:
                self._say(f"{self.opened} folders were opened and {ended} ended")

    def _say(self, sentence: str) -> None:
        self.wrong.append(f"at {self._now_s():.3f} s: {sentence}")

    @staticmethod
    def _now_s() -> float:
        return asyncio.get_running_loop().time()


def weld_relays(rig: Rig) -> None:
    """The chain's contacts switch nothing any more: whatever goes off is software's doing."""

    def switches_nothing(*, closed: bool) -> None:
        return

    rig._release = switches_nothing
