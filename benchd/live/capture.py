"""Runs the sample stream while a run plays and keeps the windows that its points ask for. It must never end a run.

A stream that fails costs windows and one event. It must not cost the averaged values either, which come over the same
connection: after a failure the stream is left alone for longer than the link's longest pause, and after three in a row
until the next run.
"""

import asyncio
import contextlib
import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from benchd.contract import DriverError, SampleBlock
from benchd.live.link import Link
from benchd.live.link_state import LinkState, Overtaken, sentence_of
from benchd.live.plan import PortRef

READ_EVERY_S = 0.05
RETRY_S = 6.0  # longer than the link's longest backoff, so that one lost reply of the stream never adds to another
FAILURES_AT_MOST = 3  # without a whole window between them
MOST_WINDOWS = 4  # at once; each holds its samples in memory
LATE_S = 0.1  # a window that begins this much after it was asked for says so
BLOCKS_FOR_TIME = 20  # the quickest reply of this many tells when the samples were taken
MISSING = b"\x00\x00\xc0\x7f"  # a float32 that is not a number, little endian


@dataclass(frozen=True, slots=True, kw_only=True)
class CapturedWindow:
    """The samples kept at one point of one test, as the measuring unit took them.

    `first_mono_s` is the event loop's time of the first sample, `first_index` its number since the stream was started,
    `lost` how many the unit had dropped by the end. Samples that are missing in the middle are NaN, so that every other
    keeps its place; `lossy` says in words what is missing or late, "" where nothing is.
    """

    test: int
    point: int
    signals: tuple[str, ...]
    rate_hz: float
    first_mono_s: float
    first_index: int
    lost: int
    lossy: str
    parts: tuple[bytes, ...]

    @property
    def data(self) -> bytes:
        """Little-endian float32, interleaved, the signals side by side. Copies megabytes: not beside a tick."""
        return b"".join(self.parts)

    @property
    def samples(self) -> int:
        """How many samples of each signal."""
        return sum(map(len, self.parts)) // (4 * len(self.signals))


class _Open:
    """A window that is being filled."""

    def __init__(self, *, test: int, point: int, seconds: float, asked_mono_s: float) -> None:
        self.test = test
        self.point = point
        self.seconds = seconds
        self.asked_mono_s = asked_mono_s
        self.parts: list[bytes] = []
        self.samples = 0
        self.missing = 0
        self.first_index = 0
        self.lost_before = 0
        self.late_s = 0.0
        self.zero_mono_s = math.nan  # when sample 0 was taken
        self.last: SampleBlock | None = None

    def take(self, block: SampleBlock, *, missing: int, zero_mono_s: float) -> bool:
        """Take what belongs to this window out of a block; whether it is full."""
        skip = 0
        if self.last is None:
            wanted = math.ceil((self.asked_mono_s - zero_mono_s) * block.rate_hz)
            skip = max(0, wanted - block.first_index)
            if skip >= block.samples:
                return False
            self.first_index = block.first_index + skip
            self.late_s = (self.first_index - wanted) / block.rate_hz
            self.lost_before = block.lost
        else:
            self._bridge(block, missing=missing)
        self.last = block
        self.zero_mono_s = zero_mono_s
        still = round(self.seconds * block.rate_hz) - self.samples
        width = 4 * len(block.signals)
        part = block.data[skip * width : (skip + max(0, still)) * width]
        self.parts.append(part)
        self.samples += len(part) // width
        return self.samples >= round(self.seconds * block.rate_hz)

    def _bridge(self, block: SampleBlock, *, missing: int) -> None:
        filled = min(missing, round(self.seconds * block.rate_hz) - self.samples)
        if filled > 0:
            self.parts.append(MISSING * (filled * len(block.signals)))
            self.samples += filled
            self.missing += filled

    def captured(self, *, cut_by: str = "") -> CapturedWindow | None:
        """The window as it is now; None where not one sample came."""
        block = self.last
        if block is None:
            return None
        return CapturedWindow(
            test=self.test,
            point=self.point,
            signals=block.signals,
            rate_hz=block.rate_hz,
            first_mono_s=self.zero_mono_s + self.first_index / block.rate_hz,
            first_index=self.first_index,
            lost=block.lost,
            lossy=" ".join(self._sentences(block, cut_by=cut_by)),
            parts=tuple(self.parts),
        )

    def _sentences(self, block: SampleBlock, *, cut_by: str) -> list[str]:
        said = []
        dropped = block.lost - self.lost_before
        if self.late_s > LATE_S:
            said.append(f"The window begins {self.late_s:.2f} s after its point.")
        if self.missing or dropped:
            said.append(f"{self.missing} of {self.samples} samples are missing; the measuring unit dropped {dropped}.")
        if cut_by:
            said.append(f"Only {self.samples / block.rate_hz:.2f} of {self.seconds:g} s were captured: {cut_by}.")
        return said


class Capturing:
    """The stream of one port, for as long as the bench runs; `open()` and `close()` say when a run wants it.

    `on_window` gets each window once, complete or marked as lossy; it must not wait, nor must `on_block`, which gets
    every block that is not empty. `on_event` is told "captured" for each window and "capture_failed" once, until a
    whole window came again.
    """

    def __init__(
        self,
        ref: PortRef,
        link: Link,
        *,
        on_window: Callable[[CapturedWindow], None],
        on_event: Callable[..., None],
        on_block: Callable[[SampleBlock], None] | None = None,
    ) -> None:
        self._ref = ref
        self._link = link
        self._on_window = on_window
        self._on_event = on_event
        self._on_block = on_block
        self._opened = False
        self._changed = asyncio.Event()
        self._windows: list[_Open] = []
        self._streaming = False
        self._next_index = 0
        self._zeros_mono_s: deque[float] = deque(maxlen=BLOCKS_FOR_TIME)
        self._failures = 0
        self._told = False
        self._retry_at_mono_s = -math.inf
        self.samples = 0  # of each signal, since the stream was last started
        self.missing = 0  # samples between blocks, since then
        self.lost = 0  # what the unit itself dropped, since then

    def open(self) -> None:
        """A run plays: let the stream run."""
        self._failures, self._told, self._retry_at_mono_s = 0, False, -math.inf
        self._opened = True
        self._changed.set()

    def close(self) -> None:
        """No run plays any more: hand out what there is of the windows, then let the stream end."""
        self._opened = False
        self._changed.set()
        self._cut_windows("the test was left")

    @property
    def fills(self) -> bool:
        """Whether a window is being filled."""
        return bool(self._windows)

    @property
    def rests(self) -> bool:
        """Whether no stream runs and none was asked for."""
        return not self._opened and not self._streaming

    def wanted(self, *, test: int, point: int, seconds: float) -> None:
        """Keep this much from now on; for the tick. Ignored while closed, failed, or with `MOST_WINDOWS` open."""
        failed = self._failures > 0 and not self._streaming
        if self._opened and seconds > 0.0 and not failed and len(self._windows) < MOST_WINDOWS:
            now_s = asyncio.get_running_loop().time()
            self._windows.append(_Open(test=test, point=point, seconds=seconds, asked_mono_s=now_s))

    async def run(self) -> None:
        """Run until cancelled."""
        loop = asyncio.get_running_loop()
        due_s = loop.time()
        while True:
            self._changed.clear()
            if not self._opened:
                await self._stop()
                await self._changed.wait()
            elif self._failures >= FAILURES_AT_MOST:
                await self._changed.wait()
            elif loop.time() < self._retry_at_mono_s:
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout_at(self._retry_at_mono_s):
                        await self._changed.wait()
            else:
                if self._link.state is LinkState.UP:  # else it is mended by the link, and nothing is counted
                    await self._look()
                due_s = max(due_s + READ_EVERY_S, loop.time())
                await asyncio.sleep(due_s - loop.time())

    async def _look(self) -> None:
        try:
            if not self._streaming:
                await self._link.call(self._ref.port, _start)
                self._begin()
            block = await self._link.call(self._ref.port, _read_block)
        except Overtaken:
            return  # another port of the device is being made safe
        except DriverError as error:
            self._fail(str(error))
        except Exception as error:  # noqa: BLE001 - a defect in a driver must end nothing but the capturing
            self._failures = FAILURES_AT_MOST
            self._fail(sentence_of(self._ref.device, error))
        else:
            if self._opened:
                self._take(block)

    def _begin(self) -> None:
        self._streaming = True
        self._next_index = self.samples = self.missing = self.lost = 0
        self._zeros_mono_s.clear()

    def _take(self, block: SampleBlock) -> None:
        missing = block.first_index - self._next_index
        if missing < 0 or block.lost < self.lost:
            self._fail(f"{self._ref}: the samples are counted anew, somebody else has started the stream.")
            return
        self._next_index = block.first_index + block.samples
        self.samples += block.samples
        self.missing += missing
        self.lost = block.lost
        if not block.samples:
            return  # what was dropped shows in the next block's number too
        self._zeros_mono_s.append(block.taken_mono_s - self._next_index / block.rate_hz)
        zero_mono_s = min(self._zeros_mono_s)
        for window in tuple(self._windows):
            if window.take(block, missing=missing, zero_mono_s=zero_mono_s):
                self._windows.remove(window)
                self._hand_out(window)
        self._show(block)

    def _show(self, block: SampleBlock) -> None:
        if self._on_block is None:
            return
        try:
            self._on_block(block)
        except Exception as error:  # noqa: BLE001 - who looks at the samples must not end the windows
            self._on_block = None
            self._tell(f"Nobody looks at the samples any more ({type(error).__name__}: {error}).")

    def _hand_out(self, window: _Open, *, cut_by: str = "") -> None:
        captured = window.captured(cut_by=cut_by)
        if captured is None:
            return
        if not captured.lossy:
            self._failures, self._told = 0, False
        self._on_event("captured", test=captured.test, point=captured.point, lossy=captured.lossy)
        try:
            self._on_window(captured)
        except Exception as error:  # noqa: BLE001 - what becomes of a window must end nothing but this window
            self._tell(f"A window could not be kept ({type(error).__name__}: {error}).")

    def _cut_windows(self, why: str) -> None:
        windows, self._windows = self._windows, []
        for window in windows:
            self._hand_out(window, cut_by=why)

    def _fail(self, sentence: str) -> None:
        self._streaming = False
        self._failures += 1
        self._retry_at_mono_s = asyncio.get_running_loop().time() + RETRY_S
        if self._opened:
            self._tell(sentence)
        self._cut_windows("the stream failed")

    def _tell(self, sentence: str) -> None:
        if not self._told:
            self._told = True
            self._on_event("capture_failed", port=str(self._ref), sentence=sentence)

    async def _stop(self) -> None:
        if not self._streaming:
            return
        self._streaming = False
        with contextlib.suppress(Exception):  # a unit that goes on streaming into its own memory harms nobody
            await self._link.call(self._ref.port, _stop)


async def _start(port: Any) -> None:
    await port.start()


async def _read_block(port: Any) -> SampleBlock:
    block: SampleBlock = await port.read_block()
    return block


async def _stop(port: Any) -> None:
    await port.stop()
