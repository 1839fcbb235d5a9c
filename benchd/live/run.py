"""What a run is to the live room: its limits, its tests and where it is recorded. Protocols and values only."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from benchd.live.capture import CapturedWindow
from benchd.live.fault import FaultWindow
from benchd.live.manual import ManualDesk
from benchd.live.plan import RunPlan
from benchd.live.player import PlayedTest
from benchd.rules.moves import Ask


class Recorder(Protocol):
    """Where a run's frames and events go. `append` and `event` are cheap and never wait; the others may be slow."""

    def append(
        self,
        *,
        time_mono_s: float,
        state: int,
        test: int,
        point: int,
        values: Sequence[float],
        ages_s: Sequence[float],
        quality: Sequence[int],
    ) -> None:
        """One frame, channels in the order they were declared in."""

    def event(self, name: str, *, time_mono_s: float, **fields: object) -> None:
        """One event."""

    def flush(self) -> None:
        """Bring to disk what is pending. Raises `RecordingFailed` in one sentence."""

    def keep_window(self, window: CapturedWindow) -> None:
        """One captured window to disk. Raises `RecordingFailed` in one sentence; a recorder in a test may lack it."""

    def keep_fault(self, window: FaultWindow) -> None:
        """The fault record as it stands, in place of what was kept of it before; a recorder in a test may lack it.

        Raises `RecordingFailed` in one sentence.
        """

    def end(self, ending: str, why: str) -> None:
        """Write the ending while the fault record goes on: no frame follows, events do. Raises `RecordingFailed`."""

    def close(self, ending: str, why: str) -> None:
        """Write the ending, unless `end` did, and finish the folder. Raises `RecordingFailed` in one sentence."""


class RecordingFailed(Exception):
    """What should be recorded could not be written; the sentence says why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One execution of a programme on a specimen, ready to be started. `open_recorder` may be slow."""

    title: str
    plan: RunPlan
    tests: Sequence[PlayedTest]
    attended: bool = False  # somebody is there to answer what a test asks
    confirmations: Mapping[int, Ask] = field(default_factory=dict)  # asked before the test of that number begins
    desk: ManualDesk | None = None  # of a manual session, whose one test it is
    open_recorder: Callable[[], Recorder]
