"""Hands frames and events to the run's recorder and has it flushed beside the tick. It must never wait in the tick."""

import asyncio
from collections.abc import Awaitable, Callable, Sequence

from benchd.live.engine import ActFailed
from benchd.live.player import Place
from benchd.live.run import Recorder, RecordingFailed, Run
from benchd.rules.channels import Channel
from benchd.rules.frames import NOTHING_YET, Frame
from benchd.rules.states import State

FLUSH_EVERY_S = 0.5


class Recording:
    """The open recorder, if there is one. `offload` runs a slow call beside the event loop, or inside it."""

    def __init__(
        self,
        channels: Sequence[Channel],
        *,
        offload: Callable[[Callable[[], object]], Awaitable[object]],
        on_failure: Callable[[str], None],
    ) -> None:
        self._names = tuple(channel.name for channel in channels)
        self._offload = offload
        self._on_failure = on_failure
        self._recorder: Recorder | None = None
        self._failed = False

    async def open(self, run: Run) -> None:
        """Open the run's folder; raises `ActFailed` in one sentence, before anything is energised."""
        opened: list[Recorder] = []
        try:
            await self._offload(lambda: opened.append(run.open_recorder()))
        except RecordingFailed as error:
            raise ActFailed(str(error)) from error
        self._recorder = opened[0]
        self._failed = False

    async def close(self, ending: str, *, why: str) -> None:
        """Finish the folder. A failure is told, never raised: it must not keep the bench from coming to rest."""
        recorder, self._recorder = self._recorder, None
        if recorder is None:
            return
        try:
            await self._offload(lambda: recorder.close(ending, why))
        except RecordingFailed as error:
            self._on_failure(str(error))

    async def run(self) -> None:
        """Flush until cancelled."""
        while True:
            await asyncio.sleep(FLUSH_EVERY_S)
            recorder = self._recorder
            if recorder is None:
                continue
            try:
                await self._offload(recorder.flush)
            except RecordingFailed as error:
                if not self._failed:
                    self._failed = True
                    self._on_failure(str(error))

    def append(self, frame: Frame, *, state: State, place: Place) -> None:
        """One frame into the open recorder."""
        recorder = self._recorder
        if recorder is None:
            return
        samples = [frame.samples.get(name, NOTHING_YET) for name in self._names]
        recorder.append(
            time_mono_s=frame.time_mono_s,
            state=int(state),
            test=place.test,
            point=place.point,
            values=[sample.value for sample in samples],
            ages_s=[frame.time_mono_s - sample.taken_mono_s for sample in samples],
            quality=[int(sample.quality) for sample in samples],
        )

    def event(self, name: str, **fields: object) -> None:
        """One event into the open recorder."""
        if self._recorder is not None:
            self._recorder.event(name, time_mono_s=asyncio.get_running_loop().time(), **fields)
