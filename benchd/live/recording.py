"""Hands frames and events to the run's recorder and has it flushed beside the tick. It must never wait in the tick.

After a trip the folder stays open until its fault record is whole; nobody waits for that but who asks for `quiet`.
"""

import asyncio
import contextlib
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

from benchd.live.capture import CapturedWindow
from benchd.live.causes import Cause
from benchd.live.engine import ActFailed
from benchd.live.fault import Fault, FaultWindow
from benchd.live.fault_ring import FaultRing, set_point_series
from benchd.live.player import Place
from benchd.live.run import Recorder, RecordingFailed, Run
from benchd.live.setpoints import SetPoints
from benchd.rules.channels import Channel
from benchd.rules.frames import NOTHING_YET, Frame, Sample
from benchd.rules.moves import Role
from benchd.rules.states import State

FLUSH_EVERY_S = 0.5
FAULT_EVERY_S = 1.0  # the fault record is written anew, a few milliseconds of another thread
LOOK_AGAIN_S = 0.1
ROWS = 50_000  # of the fault record's ring, where nobody knows the rates


@dataclass(frozen=True, slots=True)
class _Lingering:
    """A run that has ended and whose fault record is not whole yet."""

    opened: Sequence[Recorder]  # one, or none as long as it is being opened
    ending: str
    why: str


class Recording:
    """The open recorder, if there is one. `offload` runs slow calls one after the other, in the order of asking.

    Whatever a recorder raises is told once a run through `on_failure` (a captured window that could not be kept:
    through `on_window_lost`) and goes no further: a disk or a defect must never hold up a tick or a stop.
    """

    def __init__(
        self,
        channels: Sequence[Channel],
        *,
        offload: Callable[[Callable[[], object]], Awaitable[object]],
        on_failure: Callable[[str], None],
        on_window_lost: Callable[[str], None] = lambda _sentence: None,
        roles: Sequence[Role] = (),
        ring_rows: int = ROWS,
    ) -> None:
        self._names = tuple(channel.name for channel in channels)
        self._offload = offload
        self._on_failure = on_failure
        self._on_window_lost = on_window_lost
        self._opened: list[Recorder] | None = None  # gets the recorder, perhaps only after `open` was cancelled
        self._failed = False
        self._windows: list[CapturedWindow] = []  # captured, not kept yet
        self._ring = FaultRing(self._names, roles, rows=ring_rows)
        self._fault = Fault(self._ring, channels=self._names, set_points=set_point_series(roles))
        self._fault_kept_s: float | None = None  # when it was written last
        self._lingering: _Lingering | None = None
        self._early = False  # somebody waits for the folder that stays open
        self._running = False
        self._wake = asyncio.Event()
        self._quiet = asyncio.Event()
        self._quiet.set()

    @property
    def _recorder(self) -> Recorder | None:
        return self._opened[0] if self._opened else None

    async def open(self, run: Run) -> None:
        """Open the run's folder; raises `ActFailed` in one sentence, before anything is energised.

        A folder that stayed open for its fault record is finished first. Cancelled while it opens the folder is opened
        all the same and `close` finishes it.
        """
        if self._lingering is not None:
            self._hurry()
        await self._quiet.wait()
        opened: list[Recorder] = []
        self._opened, self._failed = opened, False
        self._windows = []
        self._fault.forget()
        self._fault_kept_s = None
        try:
            await self._offload(lambda: opened.append(run.open_recorder()))
        except Exception as error:
            self._opened = None
            raise ActFailed(_words("opened", error)) from error

    async def close(self, ending: str, *, why: str) -> None:
        """Finish the folder. A failure is told, never raised: it must not keep the bench from coming to rest.

        Where the fault record is not whole yet only the ending is written now, and `run` finishes the folder later.
        """
        opened, self._opened = self._opened, None
        windows, self._windows = self._windows, []
        if opened is None:
            return
        for recorder in opened:
            await self._keep(windows, recorder)
        run = _Lingering(opened, ending, why)
        if self._running and opened and hasattr(opened[0], "keep_fault") and not self._time_is_over():
            self._quiet.clear()
            self._lingering = run
            self._wake.set()
            await self._ended(partial(opened[0].end, ending, why))
        else:
            await self._finish(run)

    async def quiet(self, *, unless: asyncio.Event | None = None) -> None:
        """Wait until no folder stays open for its fault record, `AFTER_S` after the trip at the latest.

        Once `unless` is set it is finished at once, with what it holds until then.
        """
        while not self._quiet.is_set():
            if unless is not None and unless.is_set():
                self._hurry()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(FLUSH_EVERY_S if unless is None else LOOK_AGAIN_S):
                    await self._quiet.wait()

    def _hurry(self) -> None:
        self._early = True
        self._wake.set()

    def window(self, window: CapturedWindow) -> None:
        """A captured window for the open recorder, kept with the next flush."""
        if self._recorder is not None:
            self._windows.append(window)

    async def run(self) -> None:
        """Keep windows and flush until cancelled; then finish what is left of a fault record at once."""
        self._running = True
        try:
            while True:
                await self._pause()
                if (recorder := self._recorder) is not None:
                    windows, self._windows = self._windows, []
                    await self._keep(windows, recorder)
                    await self._flush(recorder)
                    await self._keep_fault(recorder)
                elif (lingering := self._lingering) is not None:
                    if self._early or self._time_is_over():
                        await self._leave(lingering)
                    else:
                        await self._flush(lingering.opened[0])
                        await self._keep_fault(lingering.opened[0])
        finally:
            self._running = False
            if self._lingering is not None:
                await self._leave(self._lingering)

    async def _pause(self) -> None:
        until_s = self._fault.until_mono_s if self._lingering is not None else None
        pause_s = FLUSH_EVERY_S if until_s is None else max(0.0, min(FLUSH_EVERY_S, until_s - _now()))
        try:
            async with asyncio.timeout(pause_s):
                await self._wake.wait()
        except TimeoutError:
            return
        self._wake.clear()

    def _time_is_over(self) -> bool:
        until_s = self._fault.until_mono_s
        return until_s is None or _now() >= until_s

    async def _flush(self, recorder: Recorder) -> None:
        try:
            await self._offload(recorder.flush)
        except Exception as error:  # noqa: BLE001 - see the class
            self._fail(error)

    async def _keep_fault(self, recorder: Recorder) -> None:
        """The fault record as it stands to disk: at once after the trip, then every second until it is whole."""
        now_s, kept_s = _now(), self._fault_kept_s
        if kept_s is not None and now_s - kept_s < FAULT_EVERY_S and not self._time_is_over():
            return
        window = self._unkept(recorder, now_s)
        if window is None:
            return
        self._fault_kept_s = now_s
        try:
            await self._offload(partial(recorder.keep_fault, window))
        except Exception as error:  # noqa: BLE001 - see the class
            self._fail(error)

    def _unkept(self, recorder: Recorder, now_mono_s: float) -> FaultWindow | None:
        """The fault record as it stands; None without one, and once it was kept whole: the ring runs on."""
        kept_s, until_s = self._fault_kept_s, self._fault.until_mono_s
        if until_s is None or (kept_s is not None and kept_s >= until_s) or not hasattr(recorder, "keep_fault"):
            return None
        return self._fault.window(now_mono_s)

    async def _leave(self, lingering: _Lingering) -> None:
        """Finish a folder that stayed open."""
        self._lingering, self._early = None, False
        try:
            await self._finish(lingering)
        finally:
            self._quiet.set()

    async def _finish(self, run: _Lingering) -> None:
        """The last of the fault record and the folder's end in one call: nobody can come between them."""
        window = self._unkept(run.opened[0], _now()) if run.opened else None
        failed: list[Exception] = []

        def finish() -> None:
            for recorder in run.opened:
                try:
                    if window is not None:
                        recorder.keep_fault(window)
                except Exception as error:  # noqa: BLE001 - the folder is finished all the same
                    failed.append(error)
                recorder.close(run.ending, run.why)

        await self._ended(finish)
        for error in failed:
            self._fail(error)

    async def _ended(self, work: Callable[[], object]) -> None:
        try:
            await self._offload(work)
        except Exception as error:  # noqa: BLE001 - see the class
            self._on_failure(_words("finished", error))

    async def _keep(self, windows: Sequence[CapturedWindow], recorder: Recorder) -> None:
        """Windows to disk; one that is lost is told and ends nothing, for what else is recorded is sound."""
        keep: Callable[[CapturedWindow], None] = getattr(recorder, "keep_window", lambda _window: None)
        for window in windows:
            try:
                await self._offload(partial(keep, window))
            except Exception as error:  # noqa: BLE001 - see the class
                self._on_window_lost(_words("completed by a captured window", error))

    def arrived(self, samples: Mapping[str, Sample], setpoints: SetPoints) -> None:
        """A reading has arrived: what is new of the channels' samples, and of the set-points, for a fault record."""
        self._ring.take(samples)
        self._ring.take_set_points(setpoints, _now())

    def tripped(self, cause: Cause) -> None:
        """Energy is taken away for this cause; without an open run there is no fault record."""
        if self._recorder is not None:
            self._fault.tripped(cause, _now())
            self._wake.set()

    def append(self, frame: Frame, *, state: State, place: Place) -> None:
        """One frame into the open recorder."""
        recorder = self._recorder
        if recorder is None:
            return
        samples = [frame.samples.get(name, NOTHING_YET) for name in self._names]
        try:
            recorder.append(
                time_mono_s=frame.time_mono_s,
                state=int(state),
                test=place.test,
                point=place.point,
                values=[sample.value for sample in samples],
                ages_s=[frame.time_mono_s - sample.taken_mono_s for sample in samples],
                quality=[int(sample.quality) for sample in samples],
            )
        except Exception as error:  # noqa: BLE001 - see the class
            self._fail(error)

    def event(self, name: str, **fields: object) -> None:
        """One event into the open recorder, and into that of a run whose fault record is not whole yet."""
        now_s = _now()
        self._fault.event(name, now_s, fields)
        recorder = self._recorder
        if recorder is None and self._lingering is not None:
            recorder = self._lingering.opened[0]
        if recorder is None:
            return
        try:
            recorder.event(name, time_mono_s=now_s, **fields)
        except Exception as error:  # noqa: BLE001 - see the class
            self._fail(error)

    def _fail(self, error: Exception) -> None:
        if not self._failed:
            self._failed = True
            self._on_failure(_words("written", error))


def _now() -> float:
    return asyncio.get_running_loop().time()


def _words(what: str, error: Exception) -> str:
    if isinstance(error, RecordingFailed):
        return str(error)
    return f"The run's folder could not be {what} ({type(error).__name__}: {error}): report this defect."
