"""Hands frames and events to the run's recorder and has it flushed beside the tick. It must never wait in the tick."""

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from functools import partial

from benchd.live.capture import CapturedWindow
from benchd.live.engine import ActFailed
from benchd.live.player import Place
from benchd.live.run import Recorder, RecordingFailed, Run
from benchd.rules.channels import Channel
from benchd.rules.frames import NOTHING_YET, Frame
from benchd.rules.states import State

FLUSH_EVERY_S = 0.5


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
    ) -> None:
        self._names = tuple(channel.name for channel in channels)
        self._offload = offload
        self._on_failure = on_failure
        self._on_window_lost = on_window_lost
        self._opened: list[Recorder] | None = None  # gets the recorder, perhaps only after `open` was cancelled
        self._failed = False
        self._windows: list[CapturedWindow] = []  # captured, not kept yet

    @property
    def _recorder(self) -> Recorder | None:
        return self._opened[0] if self._opened else None

    async def open(self, run: Run) -> None:
        """Open the run's folder; raises `ActFailed` in one sentence, before anything is energised.

        Cancelled meanwhile, the folder is opened all the same and `close` finishes it.
        """
        opened: list[Recorder] = []
        self._opened, self._failed = opened, False
        self._windows = []
        try:
            await self._offload(lambda: opened.append(run.open_recorder()))
        except Exception as error:
            self._opened = None
            raise ActFailed(_words("opened", error)) from error

    async def close(self, ending: str, *, why: str) -> None:
        """Finish the folder. A failure is told, never raised: it must not keep the bench from coming to rest."""
        opened, self._opened = self._opened, None
        windows, self._windows = self._windows, []
        if opened is None:
            return
        for recorder in opened:
            await self._keep(windows, recorder)

        def finish() -> None:
            for recorder in opened:
                recorder.close(ending, why)

        try:
            await self._offload(finish)
        except Exception as error:  # noqa: BLE001 - see the class
            self._on_failure(_words("finished", error))

    def window(self, window: CapturedWindow) -> None:
        """A captured window for the open recorder, kept with the next flush."""
        if self._recorder is not None:
            self._windows.append(window)

    async def run(self) -> None:
        """Keep windows and flush until cancelled."""
        while True:
            await asyncio.sleep(FLUSH_EVERY_S)
            recorder = self._recorder
            if recorder is None:
                continue
            windows, self._windows = self._windows, []
            await self._keep(windows, recorder)
            try:
                await self._offload(recorder.flush)
            except Exception as error:  # noqa: BLE001 - see the class
                self._fail(error)

    async def _keep(self, windows: Sequence[CapturedWindow], recorder: Recorder) -> None:
        """Windows to disk; one that is lost is told and ends nothing, for what else is recorded is sound."""
        keep: Callable[[CapturedWindow], None] = getattr(recorder, "keep_window", lambda _window: None)
        for window in windows:
            try:
                await self._offload(partial(keep, window))
            except Exception as error:  # noqa: BLE001 - see the class
                self._on_window_lost(_words("completed by a captured window", error))

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
        """One event into the open recorder."""
        recorder = self._recorder
        if recorder is None:
            return
        try:
            recorder.event(name, time_mono_s=asyncio.get_running_loop().time(), **fields)
        except Exception as error:  # noqa: BLE001 - see the class
            self._fail(error)

    def _fail(self, error: Exception) -> None:
        if not self._failed:
            self._failed = True
            self._on_failure(_words("written", error))


def _words(what: str, error: Exception) -> str:
    if isinstance(error, RecordingFailed):
        return str(error)
    return f"The run's folder could not be {what} ({type(error).__name__}: {error}): report this defect."
