"""Watches one daemon and holds the safety chain's heartbeat. It must never do anything else: it may only ask for less.

It beats only while the daemon's tick advances and the daemon wants it. A tick that stops or falls behind while
something is energised, and a daemon that dies then, withdraw the permit; a daemon that stands still is ended, so that
whoever starts it again finds it in Stopped. All of it is software below the hardware chain, and no safety function.
"""

import asyncio
import contextlib
import enum
import os
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import cast

from benchd.contract import Driver, DriverError, SafetyChain, SafetyChainReading
from benchd.sentry.shared import INPUTS, DaemonSigns, NoSigns, SharedFile, born

LOOK_EVERY_S = 0.005
AGAIN_AFTER_S, AGAIN_AT_ONCE_S = 0.2, 0.01
IN_FLIGHT_S = 0.005  # what an exchange that works may still take when the chain is to be opened


class Verdict(enum.Enum):
    """What the daemon's signs mean."""

    RESTING = "resting"  # nothing energised, or nobody there
    WELL = "well"
    STOPPED = "stopped"  # the tick stopped, or its process is gone
    BEHIND = "behind"  # it advances too slowly


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """How the sentry judges."""

    tick_hz: float
    tick_silent_s: float = 0.1
    behind_ratio: float = 0.5  # of the ticks that should come in `behind_s`
    behind_s: float = 1.0
    beat_every_s: float = 0.05
    read_every_s: float = 0.02
    reply_time_s: float = 0.2
    withdraw_time_s: float = 0.5


class Judge:
    """Judges signs as they are seen; time is handed in. Pure."""

    def __init__(self, rules: Rules) -> None:
        self._rules = rules
        self._since: tuple[float, int] | None = None  # when counting began, and the ticks then

    def verdict(self, signs: DaemonSigns | None, *, now_mono_s: float, there: bool) -> Verdict:
        """What these signs mean at this moment; `there` says whether their process still is."""
        if signs is None or not signs.energised or signs.ended:
            self._since = None
            return Verdict.RESTING
        if not there or now_mono_s - signs.tick_mono_s > self._rules.tick_silent_s:
            return Verdict.STOPPED
        if self._since is None:
            self._since = (now_mono_s, signs.ticks)
            return Verdict.WELL
        began_s, before = self._since
        if now_mono_s - began_s < self._rules.behind_s:
            return Verdict.WELL
        expected = (now_mono_s - began_s) * self._rules.tick_hz
        self._since = (now_mono_s, signs.ticks)
        return Verdict.BEHIND if signs.ticks - before < self._rules.behind_ratio * expected else Verdict.WELL


class Sentry:
    """One sentry with its chain. `run` until cancelled; `on_event` is told what is worth a log line."""

    def __init__(
        self,
        driver: Driver,
        shared: SharedFile,
        rules: Rules,
        *,
        port: str,
        on_event: Callable[..., None],
        end: Callable[[int], None] = lambda pid: os.kill(pid, signal.SIGKILL),
    ) -> None:
        self._driver = driver
        self._shared = shared
        self._rules = rules
        self._port = port
        self._on_event = on_event
        self._end = end
        self._judge = Judge(rules)
        self._chain: SafetyChain | None = None
        self._reading: SafetyChainReading | None = None
        self._connected = False
        self._sentence = "The safety chain was not reached yet."
        self._urgent = asyncio.Event()  # the chain is to be opened now
        self._because = ""
        self._asked = 0
        self._answered = 0
        self._judged: tuple[int, int] | None = None  # the daemon that was judged already
        self._beats = 0
        self._beaten_mono_s = 0.0
        self._high = False
        self._limit: asyncio.Timeout | None = None  # of the exchange that is under way

    async def run(self) -> None:
        """Look at the daemon and speak to the chain, beside each other: a stuck wire never blinds the sentry."""
        with contextlib.suppress(NoSigns):
            signs = self._shared.daemon()
            self._asked = self._answered = signs.asked
            self._beats = signs.beats
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._look(), name="looking")
                group.create_task(self._speak(), name="chain")
        finally:
            with contextlib.suppress(Exception):
                await self._driver.__aexit__(None, None, None)

    # the daemon

    async def _look(self) -> None:
        while True:
            self._show()
            signs = self._signs()
            there = signs is not None and born(signs.pid) == signs.born != 0
            verdict = self._judge.verdict(signs, now_mono_s=time.monotonic(), there=there)
            if signs is not None and verdict in {Verdict.STOPPED, Verdict.BEHIND}:
                self._condemn(signs, verdict, there=there)
            if signs is not None and signs.asked > self._asked:
                self._asked = signs.asked
                self._open_now("the daemon asked for it")
            await asyncio.sleep(LOOK_EVERY_S)

    def _signs(self) -> DaemonSigns | None:
        try:
            return self._shared.daemon()
        except NoSigns:
            return None

    def _condemn(self, signs: DaemonSigns, verdict: Verdict, *, there: bool) -> None:
        who = (signs.pid, signs.born)
        if who == self._judged:
            return
        self._judged = who
        silent_ms = (time.monotonic() - signs.tick_mono_s) * 1e3
        if not there:
            because = f"the daemon (process {signs.pid}) is gone while something is energised"
        elif verdict is Verdict.STOPPED:
            because = f"the daemon's tick has stood still for {silent_ms:.0f} ms"
        else:
            because = "the daemon's tick falls behind"
        self._open_now(because)
        if there:
            with contextlib.suppress(OSError):
                self._end(signs.pid)
            self._on_event("daemon_ended", pid=signs.pid, because=because)

    def _open_now(self, because: str) -> None:
        self._because = because
        self._urgent.set()
        loop = asyncio.get_running_loop()
        if self._limit is not None and (self._limit.when() or 0.0) > loop.time() + IN_FLIGHT_S:
            self._limit.reschedule(loop.time() + IN_FLIGHT_S)  # an exchange that is stuck makes way
        self._on_event("permit_withdrawn", because=because)

    def _show(self) -> None:
        reading = self._reading
        bits = 0 if reading is None else sum(getattr(reading, name) << bit for bit, name in enumerate(INPUTS))
        self._shared.show_sentry(
            taken_mono_s=0.0 if reading is None else reading.taken_mono_s,
            inputs=bits,
            connected=self._connected and reading is not None,
            sentence=self._sentence,
        )

    # the chain

    async def _speak(self) -> None:
        """One exchange after the other, urgent ones first: a call that is stuck is cut off for them."""
        entered = False
        while True:
            try:
                async with asyncio.timeout(2.0 + self._rules.reply_time_s):
                    if not entered:
                        self._chain = cast("SafetyChain", (await self._driver.__aenter__())[self._port])
                        entered = True
                    else:
                        await self._driver.reconnect()
                self._up()
                await self._exchanges()
            except (DriverError, TimeoutError, OSError) as error:
                self._down(str(error) or "no reply comes in time")
            self._limit = None
            if self._urgent.is_set():
                await asyncio.sleep(AGAIN_AT_ONCE_S)
            else:
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(AGAIN_AFTER_S):
                        await self._urgent.wait()

    async def _exchanges(self) -> None:
        chain = self._chain
        if chain is None:
            return
        next_s = time.monotonic()
        while True:
            if self._urgent.is_set():
                await self._withdraw(chain)
                continue
            async with asyncio.timeout(self._rules.reply_time_s) as self._limit:
                await self._read_and_beat(chain)
            self._limit = None
            next_s = max(next_s + self._rules.read_every_s, time.monotonic())
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(next_s - time.monotonic()):
                    await self._urgent.wait()

    async def _read_and_beat(self, chain: SafetyChain) -> None:
        self._reading = await chain.read()
        signs, now_mono_s = self._signs(), time.monotonic()
        if signs is None or signs.ended or now_mono_s - signs.tick_mono_s > self._rules.tick_silent_s:
            return
        if signs.beats != self._beats and now_mono_s - self._beaten_mono_s >= self._rules.beat_every_s:
            await chain.beat(high=not self._high)
            self._high = not self._high
            self._beats, self._beaten_mono_s = signs.beats, now_mono_s

    async def _withdraw(self, chain: SafetyChain) -> None:
        """Ask the chain to open until it confirms; what is asked meanwhile is answered with it."""
        asked = self._asked
        async with asyncio.timeout(self._rules.withdraw_time_s):
            await chain.withdraw_permit()
        self._urgent.clear()
        self._reading = await chain.read()
        self._answered = asked
        self._shared.confirm(asked)
        self._show()
        self._sentence = f"The permit was withdrawn: {self._because}."
        self._on_event("permit_gone", because=self._because)

    def _up(self) -> None:
        if not self._connected:
            self._on_event("chain", up=True, sentence="The safety chain answers.")
        self._connected = True
        self._sentence = ""

    def _down(self, sentence: str) -> None:
        if self._connected or self._reading is None:
            self._on_event("chain", up=False, sentence=sentence)
        self._connected = False
        self._sentence = sentence
