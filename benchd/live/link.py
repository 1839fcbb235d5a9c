"""The link to one device: keeps its connection, gives its callers one lane, and lets make_safe overtake everything.

It alone retries, waits and reopens, so that no driver has to. It must never resend a call: what was on the wire when
something went wrong is the caller's to judge.
"""

import asyncio
import contextlib
from collections.abc import Awaitable, Callable, Mapping
from functools import partial
from typing import Any, TypeVar

from benchd.contract import (
    DeviceFault,
    Driver,
    Energises,
    LinkLost,
    OutOfRange,
    Port,
    Refused,
    ReplyWrong,
)
from benchd.live.lane import Job, Lane
from benchd.live.link_state import Announcer, Backoff, LinkChange, LinkCounters, LinkState, Overtaken, sentence_of
from benchd.live.wire import PATIENCE_S, Wire

T = TypeVar("T")

BAD_IN_A_ROW = 3  # wrong or late replies after which the device counts as lost
REFUSED_RETRY_S = 30.0  # a device of another identity is asked again this seldom
SAFE_RETRY_S = 0.05  # between two attempts of make_safe within its time


class Link:
    """One device's link; `run()` owns the device, `call()` and `make_safe()` may come from any task of the same loop.

    One call at a time goes to the driver, in the order of asking. A call's `deadline_s` (default `reply_time_s`) counts
    from the moment it goes to the driver; waiting in line is bounded apart from it, by `queue_time_s` (default four
    reply times). Calls wait while a connection is replaced at once, and fail at once while the link is down.

    Reactions: `LinkLost` closes and reopens with backoff; `ReplyWrong` and a missed deadline replace the connection at
    once, three in a row count as lost; a cancelled call or an error outside the contract replaces the connection;
    `Refused`, `OutOfRange` and `DeviceFault` go to the caller and change nothing. The pause between attempts doubles
    from `backoff_s[0]` to `backoff_s[1]` and is short again once the link has answered for `backoff_s[1]`.
    """

    def __init__(
        self,
        name: str,
        driver: Driver,
        *,
        reply_time_s: float,
        safe_time_s: float,
        on_change: Callable[[LinkChange], None],
        backoff_s: tuple[float, float] = (0.05, 5.0),
        queue_time_s: float | None = None,
    ) -> None:
        self.name = name
        self.counters = LinkCounters()
        self._driver = driver
        self._reply_time_s = reply_time_s
        self._safe_time_s = safe_time_s
        self._queue_time_s = 4.0 * reply_time_s if queue_time_s is None else queue_time_s
        self._announcer = Announcer(name, on_change)
        self._backoff = Backoff(first_s=backoff_s[0], cap_s=backoff_s[1])
        self._wire = Wire(name, on_free=self._go_on)
        self._lane = Lane(self._wire, on_late=self._late, on_end=self._judge, on_free=self._go_on)
        self._ports: Mapping[str, Port] | None = None  # None: the device has not been entered
        self._entered = asyncio.Event()
        self._wake = asyncio.Event()
        self._spoiled = True  # the connection must be replaced before the next call
        self._bad_in_a_row = 0
        self._retry_at_mono_s = 0.0
        self._opening: asyncio.Task[Any] | None = None
        self._opening_cut = False
        self._closed_under_held = False  # the wire was replaced under a call that would not let go
        self._safes: dict[str, asyncio.Future[None]] = {}
        self._safe_turn = asyncio.Lock()
        self._left: asyncio.Future[None] | None = None

    @property
    def state(self) -> LinkState:
        """Where the link stands."""
        return self._announcer.state

    @property
    def last_error(self) -> str:
        """The sentence for the last thing that went wrong; it stays when the link is up again."""
        return self._announcer.last_error

    async def run(self) -> None:
        """Own the device until cancelled: enter it, keep the connection alive, at the end leave it.

        Leaving removes energy and takes `safe_time_s` at most, also when cancelled again meanwhile; a make_safe that is
        under way ends first. Then run() waits for driver calls that ignore their cancellation. Whoever waits in
        `call()` gets `LinkLost`. Runs once.
        """
        if self._wire.group is not None:
            raise RuntimeError(f"the link to {self.name} runs once: make a new one")
        async with asyncio.TaskGroup() as group:
            self._wire.group = group
            try:
                await self._supervise()
            finally:
                self._left = asyncio.get_running_loop().create_future()
                leaving = group.create_task(self._leave(self._left))
                while not leaving.done():
                    # Not swallowed: the first cancellation is on its way out through this very block.
                    with contextlib.suppress(asyncio.CancelledError):
                        await asyncio.wait({leaving})

    async def call(self, port: str, action: Callable[[Any], Awaitable[T]], *, deadline_s: float | None = None) -> T:
        """What `action(port object)` returns, alone on the wire.

        Raises the five error kinds of the contract: `LinkLost` also for a missed deadline, a link that is down and a
        line that is too long, `Overtaken` (a `Refused`) when it made way for make_safe. Whatever else the action raises
        comes through. Raises `KeyError` for a port that the device does not have.
        """
        if self.state is not LinkState.UP or self._ports is None or self._left is not None:
            raise LinkLost(self.last_error)
        if port not in self._ports:
            raise KeyError(f"{self.name} has no port '{port}'; it has {', '.join(sorted(self._ports))}")
        if self._safes:
            self.counters.overtaken += 1
            raise Overtaken(f"{self.name}: not sent, the device is just being made safe")
        deadline_s = self._reply_time_s if deadline_s is None else deadline_s
        job = Job(port, action, deadline_s=deadline_s, outcome=asyncio.get_running_loop().create_future())
        if self._may_start() and not self._lane.queue:
            self._lane.start(job, port=self._ports[port])
        else:
            waited = LinkLost(
                f"{self.name}: a call waited {self._queue_time_s:g} s for its turn and was not sent; "
                "the device is asked more than it can answer"
            )
            self._lane.wait_in_line(job, longest_s=self._queue_time_s, error=waited)
        try:
            return await job.outcome  # type: ignore[no-any-return]  # the outcome of an action that returns T
        except asyncio.CancelledError:
            self._caller_gone(job)
            raise

    async def make_safe(self, port: str) -> None:
        """The port confirmed as safe, within `safe_time_s` of its turn; goes to the wire ahead of everything.

        Running and queued calls of the whole device make way with `Overtaken`, as do calls that come meanwhile; a
        driver that ignores the cancellation is waited for `PATIENCE_S` and no longer. Works while the link is down: the
        driver opens what it needs, and an attempt that failed is made again while time is left. A second call for the
        same port joins the first, which goes on when its callers are cancelled; two ports of one device take turns.
        Raises what the driver raised last, `LinkLost` when the time is over, `TypeError` for a port without make_safe.
        """
        if self._left is not None:
            return await asyncio.shield(self._left)  # leaving removes the energy too
        if self._wire.group is None:
            raise LinkLost(f"{self.name} cannot be made safe: {self.last_error}")
        confirmed = self._safes.get(port)
        if confirmed is None:
            confirmed = self._safes[port] = asyncio.get_running_loop().create_future()
            self._overtake()
            self._wire.group.create_task(self._confirm_safe(port, confirmed))
        return await asyncio.shield(confirmed)

    def _may_start(self) -> bool:
        return (
            not self._spoiled
            and self.state is LinkState.UP
            and self._lane.running is None
            and not self._safes
            and not self._wire.held
            and self._left is None
        )

    def _go_on(self) -> None:
        """Start the next call where possible, and let the supervisor look at the rest."""
        if self._lane.queue and self._ports is not None and self._may_start():
            job = self._lane.queue.popleft()
            self._lane.start(job, port=self._ports[job.port])
        elif self._spoiled:
            self._wake.set()

    def _judge(self, job: Job) -> None:
        """One reaction for each way in which a driver call ended."""
        self.counters.calls += 1
        error = job.error
        if job.dropped:
            pass  # judged when it was dropped
        elif job.task is not None and job.task.cancelled():
            self._spoiled = True
            job.fail(LinkLost(f"{self.name}: the driver gave the call to {job.port} up by itself"))
        elif error is None or isinstance(error, Refused | DeviceFault):
            self._bad_in_a_row = 0
            self._backoff.answered(self._now_s())
        elif isinstance(error, LinkLost):
            self._lose(str(error))
        elif isinstance(error, ReplyWrong):
            self.counters.wrong += 1
            self._bad_reply(str(error))
        elif not isinstance(error, OutOfRange):
            self._spoiled = True
        self._go_on()

    def _late(self, job: Job) -> None:
        self.counters.late += 1
        sentence = (
            f"{self.name}: no answer from {job.port} within {job.deadline_s:g} s; look at the device and its cable"
        )
        self._lane.drop(job, LinkLost(sentence))
        self._bad_reply(sentence)

    def _bad_reply(self, sentence: str) -> None:
        self._spoiled = True
        self._bad_in_a_row += 1
        self._announcer.last_error = sentence
        if self._bad_in_a_row >= BAD_IN_A_ROW:
            self._bad_in_a_row = 0
            self._lose(f"{sentence} ({BAD_IN_A_ROW} bad replies in a row)")

    def _caller_gone(self, job: Job) -> None:
        if job.outcome.done() and not job.outcome.cancelled():
            job.outcome.exception()  # seen: the caller was cancelled just when it was told
        if job is self._lane.running:
            if job.task is not None and not job.task.done():
                self._spoiled = True
                self._lane.drop(job, LinkLost(f"{self.name}: the caller was cancelled"))
        else:
            self._lane.leave_line(job)

    def _overtake(self) -> None:
        """Clear the wire for make_safe: queued calls are refused, what runs is cancelled."""
        way = Overtaken(f"{self.name}: the call made way, the device is being made safe")
        self.counters.overtaken += self._lane.refuse_queued(way)
        if self._lane.running is not None and not self._lane.running.dropped:
            self.counters.overtaken += 1
            self._spoiled = True
            self._lane.drop(self._lane.running, way)
        if self._ports is not None:
            self._cut_opening()
        else:
            self._retry_at_mono_s = 0.0  # there is nothing to call yet: enter now
            self._wake.set()

    def _cut_opening(self) -> None:
        if self._opening is not None and not self._opening.done():
            self._opening_cut = True
            self._spoiled = True
            self._opening.cancel()

    async def _supervise(self) -> None:
        """Enter the device and replace its connection whenever that is due; never returns."""
        while True:
            self._wake.clear()
            if self._nothing_to_open():
                await self._wake.wait()
            elif self._now_s() < self._retry_at_mono_s:
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout_at(self._retry_at_mono_s):
                        await self._wake.wait()
            else:
                await self._open()

    def _nothing_to_open(self) -> bool:
        if self._wire.held and (self._ports is None or self._closed_under_held):
            return True
        busy = bool(self._safes) or self._lane.running is not None
        return self._ports is not None and (busy or not self._spoiled)

    async def _open(self) -> None:
        """One attempt to enter the device or to replace its connection, with everything that follows from it."""
        again = self._ports is not None
        under_held = bool(self._wire.held)
        self._opening_cut = False
        work = self._driver.reconnect if again else self._enter
        limit_s = max(self._safe_time_s, self._reply_time_s)
        what = "opening the connection"
        failure = await self._wire.attempt(work, limit_s=limit_s, what=what, started=self._note_opening)
        self._closed_under_held = bool(self._wire.held)
        if self._opening_cut:
            return  # by make_safe, which has the wire now; the connection counts as spoiled
        if failure is not None:
            self._not_open(failure)
        elif self._wire.held:
            self._down(LinkState.LOST, f"{self.name}: the driver does not let go of a cancelled call; waiting for it")
        elif not under_held:  # else what was held may have written into the new connection: once more
            self._spoiled = False
            self.counters.reopened += again
            self._backoff.opened(self._now_s())
            self._announcer.become(LinkState.UP, f"{self.name} is connected")
            self._go_on()

    def _note_opening(self, task: "asyncio.Task[Any]") -> None:
        self._opening = task

    async def _enter(self) -> None:
        ports = await self._driver.__aenter__()
        if self._left is not None:  # came in late, after the link was told to leave
            await self._driver.__aexit__(None, None, None)
            return
        self._ports = ports
        self._entered.set()

    def _not_open(self, error: Exception) -> None:
        if isinstance(error, Refused):
            pause_s, state = REFUSED_RETRY_S, LinkState.REFUSED
        else:
            pause_s = self._backoff.next_s()
            state = LinkState.OPENING if self._ports is None else LinkState.LOST
        if self._safes:
            pause_s = self._backoff.first_s
        self._retry_at_mono_s = self._now_s() + pause_s
        self._down(state, sentence_of(self.name, error))

    def _lose(self, sentence: str) -> None:
        self._retry_at_mono_s = self._now_s() + self._backoff.next_s()
        self._down(LinkState.LOST, sentence)

    def _down(self, state: LinkState, sentence: str) -> None:
        self._spoiled = True
        self._bad_in_a_row = 0
        self.counters.lost += self.state is LinkState.UP
        self._lane.refuse_queued(LinkLost(sentence))
        self._announcer.become(state, sentence)

    def _now_s(self) -> float:
        return asyncio.get_running_loop().time()

    async def _clear_wire(self) -> None:
        """Wait until what was cancelled has left the driver, `PATIENCE_S` at most; then go on without it."""
        running = self._lane.running
        cut = (running.task if running is not None else None, self._opening if self._opening_cut else None)
        leaving = {task for task in cut if task is not None and not task.done()}
        if leaving:
            await asyncio.wait(leaving, timeout=PATIENCE_S)
        if running is not None:
            self._lane.set_aside(running)

    async def _confirm_safe(self, port: str, confirmed: "asyncio.Future[None]") -> None:
        error: Exception = LinkLost(f"{self.name}: making {port} safe was cut short")
        try:
            async with self._safe_turn:
                await self._make_safe_in_time(port)
            self._retry_at_mono_s = 0.0  # it answers: a link that is down may reopen at once
            confirmed.set_result(None)
        except Exception as other:  # noqa: BLE001  # handed to those who wait
            error = other
        finally:
            del self._safes[port]
            if not confirmed.done():
                self._spoiled = True
                confirmed.set_exception(error)
                confirmed.exception()  # seen, also when every caller has gone
            self._wake.set()
            self._go_on()

    async def _make_safe_in_time(self, port: str) -> None:
        until_mono_s = self._now_s() + self._safe_time_s
        await self._clear_wire()
        while True:
            try:
                return await self._make_safe_once(port, until_mono_s=until_mono_s)
            except (LinkLost, ReplyWrong):
                if self._now_s() + SAFE_RETRY_S >= until_mono_s:
                    raise
            await asyncio.sleep(SAFE_RETRY_S)

    async def _make_safe_once(self, port: str, *, until_mono_s: float) -> None:
        try:
            async with asyncio.timeout_at(until_mono_s):
                await self._entered.wait()
        except TimeoutError:
            kind = Refused if self.state is LinkState.REFUSED else LinkLost
            raise kind(f"{self.name}: {port} cannot be made safe: {self.last_error}") from None
        target = (self._ports or {}).get(port)
        if not isinstance(target, Energises):
            raise TypeError(f"{self.name} has no port '{port}' that can be made safe")
        limit_s = until_mono_s - self._now_s()
        error = await self._wire.attempt(target.make_safe, limit_s=limit_s, what=f"making {port} safe")
        if error is not None:
            raise error

    async def _leave(self, left: "asyncio.Future[None]") -> None:
        sentence = f"{self.name} was left and its connection closed"
        self._announcer.last_error = f"{self.name} is being left"
        gone = LinkLost(self.last_error)
        self._lane.refuse_queued(gone)
        if self._lane.running is not None:
            self._lane.drop(self._lane.running, gone)
        self._cut_opening()
        await self._clear_wire()
        if self._safes:
            await asyncio.wait(set(self._safes.values()))
        error: Exception | None = LinkLost(f"{self.name} was never reached")
        if self._ports is not None:
            work = partial(self._driver.__aexit__, None, None, None)
            error = await self._wire.attempt(work, limit_s=self._safe_time_s, what="leaving the device")
        if error is None:
            left.set_result(None)
        else:
            sentence = f"{sentence_of(self.name, error)}; see at the bench that {self.name} is off"
            left.set_exception(error)
            left.exception()  # seen: nobody has to ask
        self._announcer.become(LinkState.CLOSED, sentence)
