"""Recording: every frame and event while open, and no error of a recorder ever reaches a tick or a stop."""

import asyncio

import pytest

from benchd.live.engine import ActFailed
from benchd.live.player import Place
from benchd.live.recording import FLUSH_EVERY_S, Recording
from benchd.live.run import RecordingFailed, Run
from benchd.rules.channels import Quality
from benchd.rules.frames import Frame, Sample
from benchd.rules.states import State

from .parts import CHANNELS, run_plan

pytestmark = pytest.mark.virtual_time


class Folder:
    """A recorder that keeps what it gets and fails where it is told to."""

    def __init__(self, *, fails: dict[str, Exception] | None = None) -> None:
        self.fails = fails or {}
        self.rows: list[dict] = []
        self.events: list[str] = []
        self.endings: list[tuple[str, str]] = []
        self.flushes = 0
        self.kept: list[str] = []

    def keep_window(self, window) -> None:
        self._may("keep_window")
        self.kept.append(window)

    def _may(self, what: str) -> None:
        if what in self.fails:
            raise self.fails[what]

    def append(self, **row) -> None:
        self._may("append")
        self.rows.append(row)

    def event(self, name: str, *, time_mono_s: float, **fields) -> None:
        self._may("event")
        self.events.append(name)

    def flush(self) -> None:
        self._may("flush")
        self.flushes += 1

    def close(self, ending: str, why: str) -> None:
        self.endings.append((ending, why))
        self._may("close")


class Desk:
    """A recording whose slow calls take `slow_s`, one after the other."""

    def __init__(self, folder: Folder, *, slow_s: float = 0.0) -> None:
        self.failures: list[str] = []
        self.folder = folder
        self.slow_s = slow_s
        self._turn = asyncio.Lock()
        self._jobs: set[asyncio.Task] = set()
        self.lost_windows: list[str] = []
        self.recording = Recording(
            CHANNELS,
            offload=self.offload,
            on_failure=self.failures.append,
            on_window_lost=self.lost_windows.append,
        )
        self.run = Run(title="run", plan=run_plan(), tests=(), open_recorder=self.opened)

    def opened(self) -> Folder:
        self.folder._may("open")
        return self.folder

    async def offload(self, slow):
        """As one executor thread does: what was begun ends, whoever waits for it."""

        async def work():
            async with self._turn:
                await asyncio.sleep(self.slow_s)
                return slow()

        job = asyncio.ensure_future(work())
        self._jobs.add(job)
        job.add_done_callback(lambda done: self._jobs.discard(done) or done.exception())
        return await asyncio.shield(job)


FRAME = Frame(2.0, {"shaft_speed": Sample(1500.0, Quality.GOOD, 1.9)})


async def test_a_frame_is_recorded_in_the_order_of_the_channels_with_age_and_quality() -> None:
    desk = Desk(Folder())
    desk.recording.append(FRAME, state=State.EXECUTE, place=Place(test=1, point=2))  # not open yet: nothing
    await desk.recording.open(desk.run)
    desk.recording.append(FRAME, state=State.EXECUTE, place=Place(test=1, point=2))
    (row,) = desk.folder.rows
    assert row["values"][0] == 1500.0
    assert row["ages_s"][0] == pytest.approx(0.1)
    assert row["quality"] == [int(Quality.GOOD)] + [int(Quality.MISSING)] * (len(CHANNELS) - 1)
    assert (row["state"], row["test"], row["point"]) == (int(State.EXECUTE), 1, 2)


async def test_events_and_frames_go_nowhere_after_close_and_closing_twice_ends_once() -> None:
    desk = Desk(Folder())
    await desk.recording.open(desk.run)
    desk.recording.event("one")
    await desk.recording.close("complete", why="done")
    await desk.recording.close("stopped", why="again")
    desk.recording.event("two")
    desk.recording.append(FRAME, state=State.IDLE, place=Place())
    assert desk.folder.events == ["one"]
    assert desk.folder.endings == [("complete", "done")]
    assert desk.folder.rows == []


@pytest.mark.parametrize("error", [RecordingFailed("The disk is full."), OSError(28, "No space left")])
async def test_a_folder_that_cannot_be_opened_ends_the_start_in_one_sentence(error: Exception) -> None:
    desk = Desk(Folder(fails={"open": error}))
    with pytest.raises(ActFailed, match=r"disk is full|No space left"):
        await desk.recording.open(desk.run)
    await desk.recording.close("stopped", why="start refused")
    assert desk.folder.endings == []


@pytest.mark.parametrize("after_s", [0.0, 0.05, 0.15])
async def test_a_start_that_is_cancelled_while_the_folder_opens_leaves_a_finished_folder(after_s: float) -> None:
    desk = Desk(Folder(), slow_s=0.1)
    opening = asyncio.ensure_future(desk.recording.open(desk.run))
    await asyncio.sleep(after_s)
    opening.cancel()
    await asyncio.wait({opening})
    await desk.recording.close("stopped", why="the test")
    assert desk.folder.endings == [("stopped", "the test")]


@pytest.mark.parametrize("what", ["append", "event", "flush"])
@pytest.mark.parametrize("error", [RecordingFailed("The disk is full."), ValueError("a defect")])
async def test_whatever_a_recorder_raises_is_told_once_a_run_and_goes_no_further(what: str, error: Exception) -> None:
    desk = Desk(Folder(fails={what: error}))
    for run in (1, 2):
        await desk.recording.open(desk.run)
        flushing = asyncio.ensure_future(desk.recording.run())
        for _ in range(10):
            desk.recording.append(FRAME, state=State.EXECUTE, place=Place())
            desk.recording.event("one")
            await asyncio.sleep(FLUSH_EVERY_S)
        assert len(desk.failures) == run
        assert str(error) in desk.failures[-1]
        assert not flushing.done()
        flushing.cancel()
        await asyncio.wait({flushing})
        await desk.recording.close("aborted", why="the test")


@pytest.mark.parametrize("error", [RecordingFailed("The disk is full."), ValueError("a defect")])
async def test_a_folder_that_cannot_be_finished_is_told_and_does_not_hold_up_the_stop(error: Exception) -> None:
    desk = Desk(Folder(fails={"close": error}))
    await desk.recording.open(desk.run)
    await desk.recording.close("complete", why="done")
    assert len(desk.failures) == 1


async def test_it_is_flushed_twice_a_second_while_open_and_not_at_all_otherwise() -> None:
    desk = Desk(Folder())
    flushing = asyncio.ensure_future(desk.recording.run())
    await asyncio.sleep(5.0)
    assert desk.folder.flushes == 0
    await desk.recording.open(desk.run)
    await asyncio.sleep(5.0)
    assert 9 <= desk.folder.flushes <= 11
    flushing.cancel()
    await asyncio.wait({flushing})


async def test_windows_are_kept_beside_the_tick_and_what_is_left_of_them_before_the_folder_is_finished() -> None:
    desk = Desk(Folder(), slow_s=0.05)
    recording = asyncio.ensure_future(desk.recording.run())
    await desk.recording.open(desk.run)
    loop = asyncio.get_running_loop()
    began_s = loop.time()
    desk.recording.window("one")
    assert loop.time() == began_s  # handing it in waits for nothing
    await asyncio.sleep(1.0)
    assert desk.folder.kept == ["one"]
    desk.recording.window("two")
    await desk.recording.close("complete", why="done")
    assert desk.folder.kept == ["one", "two"]
    desk.recording.window("three")
    assert desk.folder.kept == ["one", "two"]
    recording.cancel()
    await asyncio.wait({recording})


async def test_a_window_that_cannot_be_kept_is_told_and_ends_nothing() -> None:
    desk = Desk(Folder(fails={"keep_window": OSError(28, "No space left on device")}))
    await desk.recording.open(desk.run)
    for name in ("one", "two"):
        desk.recording.window(name)
    await desk.recording.close("complete", why="done")
    assert len(desk.lost_windows) == 2
    assert desk.failures == []
    assert [ending for ending, _ in desk.folder.endings] == ["complete"]


async def test_a_recorder_that_knows_no_windows_loses_them_silently() -> None:
    class Plain(Folder):
        keep_window = property()

    desk = Desk(Plain())
    await desk.recording.open(desk.run)
    desk.recording.window("one")
    await desk.recording.close("complete", why="done")
    assert desk.lost_windows == []
    assert len(desk.folder.endings) == 1
