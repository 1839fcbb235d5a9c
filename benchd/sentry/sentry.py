"""Watches one daemon and holds the safety chain's heartbeat. It must never do anything else: it may only ask for less.

It beats only while the daemon's tick advances and the daemon wants it. A tick that stops or falls behind while
something is energised, and a daemon that dies then, withdraw the permit; a daemon that stands still is ended, so that
whoever starts it again finds it in Stopped. All of it is software below the hardware chain, and no safety function.
"""

import asyncio
import contextlib
import time
from collections.abc import Callable
from typing import cast

from benchd.contract import Driver, DriverError, SafetyChain, SafetyChainReading
from benchd.sentry.judge import Judge, Rules, Verdict
from benchd.sentry.process import NOTHING, WatchedProcess
from benchd.sentry.shared import INPUTS, DaemonSigns, NoSigns, SharedFile
from benchd.sentry.start_warning import StartWarning, announcing

LOOK_EVERY_S = 0.005
AGAIN_AFTER_S, AGAIN_AT_ONCE_S = 0.2, 0.01
IN_FLIGHT_S = 0.005  # what an exchange that works may still take when the chain is to be opened


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
    ) -> None:
        self._driver = driver
        self._shared = shared
        self._rules = rules
        self._port = port
        self._on_event = on_event
        self._judge = Judge(rules)
        self._process: WatchedProcess | None = None
        self._look_now = asyncio.Event()  # the daemon has ended
        self._chain: SafetyChain | None = None
        self._reading: SafetyChainReading | None = None
        self._connected = False
        self._sentence = "The safety chain was not reached yet."
        self._urgent = asyncio.Event()  # the chain is to be opened now
        self._because = ""
        self._asked = 0  # requests to open the chain, by number
        self._start_warning = StartWarning(shared)
        self._judged: tuple[int, int] | None = None  # the daemon that was judged already
        self._beats = self._beaten_ticks = 0  # of the daemon, when the chain had its last beat
        self._beaten_mono_s = 0.0
        self._high = False
        self._limit: asyncio.Timeout | None = None  # of the exchange that is under way

    async def run(self) -> None:
        """Look at the daemon and speak to the chain, beside each other: a stuck wire never blinds the sentry."""
        with contextlib.suppress(NoSigns):
            self._take_up(self._shared.daemon())
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._look(), name="looking")
                group.create_task(self._speak(), name="chain")
        finally:
            self._let_go_of_process()
            with contextlib.suppress(Exception):
                await self._driver.__aexit__(None, None, None)

    def _take_up(self, signs: DaemonSigns) -> None:
        """Begin beside a daemon that is there. Whatever a sentry before has lost is not given back by a new one."""
        self._asked = signs.asked
        self._start_warning.take_up(signs)
        self._beats, self._beaten_ticks = signs.beats, signs.ticks
        if signs.energised and not signs.ended:
            self._open_now("the sentry was started while something is energised, which nobody had watched until then")

    # the daemon

    async def _look(self) -> None:
        while True:
            self._show()
            signs = self._signs()
            process = self._process_of(signs)
            there = process is not None and process.lives
            doing = process.doing() if process is not None and there else NOTHING
            verdict = self._judge.verdict(signs, now_mono_s=time.monotonic(), there=there, doing=doing)
            if signs is not None and verdict in {Verdict.STOPPED, Verdict.BEHIND}:
                self._condemn(signs, verdict, process if there else None)
            if signs is not None and signs.asked > self._asked:
                self._asked = signs.asked
                self._open_now("the daemon asked for it")
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(LOOK_EVERY_S):
                    await self._look_now.wait()
            self._look_now.clear()

    def _process_of(self, signs: DaemonSigns | None) -> WatchedProcess | None:
        """The process of these signs, or None where there is none any more; a daemon that ends is looked at at once."""
        held = self._process
        if signs is None or (held is not None and (held.pid, held.began) == (signs.pid, signs.born)):
            return held
        self._let_go_of_process()
        with contextlib.suppress(OSError):
            self._process = held = WatchedProcess(signs.pid, began=signs.born)
            asyncio.get_running_loop().add_reader(held.descriptor, self._ended, held.descriptor)
        return self._process

    def _ended(self, descriptor: int) -> None:
        asyncio.get_running_loop().remove_reader(descriptor)  # it stays readable
        self._look_now.set()

    def _let_go_of_process(self) -> None:
        if self._process is not None:
            asyncio.get_running_loop().remove_reader(self._process.descriptor)
            self._process.close()
            self._process = None

    def _signs(self) -> DaemonSigns | None:
        try:
            return self._shared.daemon()
        except NoSigns:
            return None

    def _condemn(self, signs: DaemonSigns, verdict: Verdict, process: WatchedProcess | None) -> None:
        who = (signs.pid, signs.born)
        if who == self._judged:
            return
        self._judged = who
        silent_ms = (time.monotonic() - signs.tick_mono_s) * 1e3
        if process is None:
            because = f"the daemon (process {signs.pid}) is gone while something is energised"
        elif verdict is Verdict.STOPPED:
            because = f"the daemon's tick has stood still for {silent_ms:.0f} ms"
        else:
            because = "the daemon's tick falls behind"
        self._open_now(because)
        if process is not None:
            with contextlib.suppress(OSError):
                process.end()
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
        inputs = {} if reading is None else {name: getattr(reading, name) for name in INPUTS}
        self._shared.show_sentry(
            taken_mono_s=0.0 if reading is None else reading.taken_mono_s,
            inputs=inputs,
            connected=self._connected and reading is not None,
            sentence=self._sentence,
            announces_start=announcing(self._chain) is not None,
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
        signs = self._signs()
        there = self._process is not None and self._process.lives
        await self._start_warning.follow(chain, signs, there=there)
        now_mono_s = time.monotonic()
        if signs is None or signs.ended or now_mono_s - signs.tick_mono_s > self._rules.tick_silent_s:
            return
        wanted = signs.beats != self._beats and signs.ticks != self._beaten_ticks
        if wanted and now_mono_s - self._beaten_mono_s >= self._rules.beat_every_s:
            await chain.beat(high=not self._high)
            self._high = not self._high
            self._beats, self._beaten_ticks, self._beaten_mono_s = signs.beats, signs.ticks, now_mono_s

    async def _withdraw(self, chain: SafetyChain) -> None:
        """Ask the chain to open until it confirms; what is asked meanwhile is answered with it."""
        asked = self._asked
        async with asyncio.timeout(self._rules.withdraw_time_s):
            await chain.withdraw_permit()
        self._urgent.clear()
        self._reading = await chain.read()
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
