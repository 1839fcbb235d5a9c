"""Windows of a stream in virtual time: whole and at their place, or marked; a stream that fails costs nothing else."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field

import numpy as np
import pytest

from benchd.contract import LinkLost, MeasuringReading, OutOfRange, Refused, ReplyWrong, SampleBlock
from benchd.live.capture import CapturedWindow, Capturing
from benchd.live.link import Link
from benchd.live.link_state import LinkState
from benchd.live.plan import PortRef

pytestmark = pytest.mark.virtual_time

RATE_HZ = 1000.0
REF = PortRef("measuring_unit", "waveforms")


@dataclass
class Unit:
    """A measuring unit whose sample n is the number n, and on its second input -n; it samples by the loop's time."""

    exchange_s: float = 0.002
    held_s: float = 2.0  # what its buffer holds
    started_s: float | None = None
    taken: int = 0
    lost: int = 0
    offset: int = 0
    starts: int = 0
    stops: int = 0
    looks: int = 0
    open_errors: list[Exception] = field(default_factory=list)
    start_errors: list[Exception] = field(default_factory=list)
    block_errors: list[Exception] = field(default_factory=list)
    change: Callable[[SampleBlock], SampleBlock] | None = None

    async def __aenter__(self):
        return {"waveforms": self, "inputs": self}

    async def __aexit__(self, kind, error, trace, /):
        pass

    async def reconnect(self):
        if self.open_errors:
            raise self.open_errors.pop(0)

    async def read(self) -> MeasuringReading:
        await asyncio.sleep(self.exchange_s)
        return MeasuringReading(values={"ai1_v": 1.5}, overloaded=frozenset(), taken_mono_s=now_s())

    async def start(self) -> None:
        await asyncio.sleep(self.exchange_s)
        self.starts += 1
        if self.start_errors:
            raise self.start_errors.pop(0)
        self.started_s, self.taken, self.lost = now_s(), 0, 0

    async def stop(self) -> None:
        await asyncio.sleep(self.exchange_s)
        self.stops += 1
        self.started_s = None

    async def read_block(self) -> SampleBlock:
        self.looks += 1
        await asyncio.sleep(self.exchange_s / 2)
        if self.started_s is None:
            raise Refused("The sample stream does not run: start it first.")
        end = int((now_s() - self.started_s) * RATE_HZ)
        first = max(self.taken, end - round(self.held_s * RATE_HZ))
        self.lost += first - self.taken
        self.taken = end
        await asyncio.sleep(self.exchange_s / 2)
        if self.block_errors:
            raise self.block_errors.pop(0)
        n = np.arange(first, end)
        block = SampleBlock(
            signals=("wf11_v", "wf14_v"),
            rate_hz=RATE_HZ,
            first_index=first,
            lost=self.lost,
            data=np.stack([n, -n], axis=1).astype("<f4").tobytes(),
            taken_mono_s=now_s(),
        )
        return self.change(block) if self.change else block


@dataclass
class Room:
    unit: Unit
    link: Link
    capturing: Capturing
    windows: list[CapturedWindow]
    events: list[tuple[str, dict[str, object]]]

    def failures(self) -> list[str]:
        return [str(fields["sentence"]) for name, fields in self.events if name == "capture_failed"]

    def sample_time_s(self, index: int) -> float:
        assert self.unit.started_s is not None
        return self.unit.started_s + index / RATE_HZ


def now_s() -> float:
    return asyncio.get_running_loop().time()


def numbers(window: CapturedWindow) -> np.ndarray:
    return np.frombuffer(window.data, "<f4").reshape(-1, 2)


@contextlib.asynccontextmanager
async def room(unit: Unit | None = None, *, on_window=None, on_block=None, opened: bool = True) -> AsyncIterator[Room]:
    unit = unit or Unit()
    windows: list[CapturedWindow] = []
    events: list[tuple[str, dict[str, object]]] = []
    link = Link("measuring_unit", unit, reply_time_s=0.2, safe_time_s=0.5, on_change=lambda _: None)
    capturing = Capturing(
        REF,
        link,
        on_window=on_window or windows.append,
        on_event=lambda name, **fields: events.append((name, fields)),
        on_block=on_block,
    )
    async with asyncio.TaskGroup() as group:
        tasks = [group.create_task(link.run()), group.create_task(capturing.run())]
        await asyncio.sleep(0.01)
        if opened:
            capturing.open()
            await asyncio.sleep(0.5)
        yield Room(unit, link, capturing, windows, events)
        for task in tasks:
            task.cancel()


async def test_a_window_holds_exactly_the_samples_from_the_asking_on():
    async with room() as bench:
        asked_s = now_s()
        bench.capturing.wanted(test=3, point=1, seconds=0.8)
        await asyncio.sleep(1.0)
        (window,) = bench.windows
        assert (window.test, window.point, window.signals, window.rate_hz) == (3, 1, ("wf11_v", "wf14_v"), RATE_HZ)
        assert (window.samples, window.lossy, window.lost) == (800, "", 0)
        first = window.first_index
        np.testing.assert_array_equal(numbers(window)[:, 0], np.arange(first, first + 800))
        np.testing.assert_array_equal(numbers(window)[:, 1], -np.arange(first, first + 800))
        assert bench.sample_time_s(first) == pytest.approx(asked_s, abs=0.004)  # an exchange takes 2 ms, a sample 1 ms
        assert window.first_mono_s == pytest.approx(bench.sample_time_s(first), abs=0.003)
        assert bench.events == [("captured", {"test": 3, "point": 1, "lossy": ""})]


async def test_a_slow_reply_does_not_shift_the_time_of_a_window():
    async with room() as bench:
        bench.unit.exchange_s = 0.08
        bench.capturing.wanted(test=0, point=0, seconds=0.3)
        await asyncio.sleep(0.6)
        (window,) = bench.windows
        assert window.first_mono_s == pytest.approx(bench.sample_time_s(window.first_index), abs=0.003)


async def test_points_that_follow_each_other_get_windows_of_their_own_even_where_they_overlap():
    async with room() as bench:
        for point in range(3):
            bench.capturing.wanted(test=0, point=point, seconds=0.5)
            await asyncio.sleep(0.2)
        await asyncio.sleep(0.6)
        assert [window.point for window in bench.windows] == [0, 1, 2]
        firsts = [window.first_index for window in bench.windows]
        assert np.diff(firsts) == pytest.approx(200, abs=5)
        for window in bench.windows:
            assert window.samples == 500
            assert np.all(np.diff(numbers(window)[:, 0]) == 1)


async def test_nothing_is_kept_that_nobody_asked_for():
    async with room() as bench:
        await asyncio.sleep(5.0)
        assert bench.windows == []
        assert bench.unit.looks == pytest.approx(5.5 / 0.05, rel=0.1)
        assert (bench.capturing.missing, bench.capturing.lost) == (0, 0)
        assert bench.capturing.samples == pytest.approx(5500, abs=100)
        assert not bench.capturing._windows


async def test_the_stream_runs_only_between_open_and_close():
    async with room(opened=False) as bench:
        bench.capturing.wanted(test=0, point=0, seconds=0.1)
        await asyncio.sleep(0.3)
        assert (bench.unit.starts, bench.unit.looks) == (0, 0)
        bench.capturing.open()
        await asyncio.sleep(0.3)
        assert bench.unit.starts == 1
        bench.capturing.close()
        await asyncio.sleep(0.3)
        looks = bench.unit.looks
        await asyncio.sleep(1.0)
        assert (bench.unit.stops, bench.unit.looks) == (1, looks)
        assert bench.windows == []
        bench.capturing.open()
        bench.capturing.wanted(test=0, point=1, seconds=0.1)
        await asyncio.sleep(0.3)
        assert [window.point for window in bench.windows] == [1]


async def test_a_window_that_is_cut_short_is_handed_out_before_close_returns_and_says_so():
    async with room() as bench:
        bench.capturing.wanted(test=0, point=0, seconds=2.0)
        await asyncio.sleep(0.5)
        bench.capturing.close()
        (window,) = bench.windows
        assert 0.4 * RATE_HZ < window.samples <= 0.5 * RATE_HZ
        assert "of 2 s were captured: the test was left." in window.lossy


async def test_samples_that_the_unit_dropped_are_marked_and_all_others_keep_their_place():
    async with room() as bench:
        bench.capturing.wanted(test=0, point=0, seconds=5.0)
        await asyncio.sleep(0.5)
        bench.unit.held_s = 0.3
        await bench.link.call("inputs", lambda _: asyncio.sleep(0.7), deadline_s=1.0)  # keeps the wire that long
        await asyncio.sleep(4.5)
        (window,) = bench.windows
        assert window.samples == 5000
        first = numbers(window)[:, 0]
        gone = np.isnan(first)
        assert 380 < np.count_nonzero(gone) < 460
        assert window.lossy.startswith(f"{np.count_nonzero(gone)} of 5000 samples are missing; the measuring unit dro")
        np.testing.assert_array_equal(first[~gone], (window.first_index + np.arange(5000))[~gone])
        assert window.lost == bench.capturing.lost == np.count_nonzero(gone)
        assert bench.events == [("captured", {"test": 0, "point": 0, "lossy": window.lossy})]


async def test_a_gap_that_the_unit_does_not_own_up_to_shows_in_its_numbers():
    async with room() as bench:
        bench.capturing.wanted(test=0, point=0, seconds=1.0)
        await asyncio.sleep(0.3)
        bench.unit.taken += 7
        await asyncio.sleep(1.0)
        (window,) = bench.windows
        assert window.lossy == "7 of 1000 samples are missing; the measuring unit dropped 0."


async def test_loss_that_the_unit_counts_without_a_gap_marks_the_window_all_the_same():
    async with room() as bench:
        bench.capturing.wanted(test=0, point=0, seconds=1.0)
        await asyncio.sleep(0.3)
        bench.unit.lost += 3
        await asyncio.sleep(1.0)
        assert "the measuring unit dropped 3" in bench.windows[0].lossy


async def test_what_was_lost_before_a_window_is_not_held_against_it():
    async with room() as bench:
        bench.unit.taken += 7
        bench.unit.lost += 7
        await asyncio.sleep(0.2)
        bench.capturing.wanted(test=0, point=0, seconds=0.2)
        await asyncio.sleep(0.4)
        assert (bench.windows[0].lossy, bench.windows[0].lost) == ("", 7)


@pytest.mark.parametrize(
    "error", [ReplyWrong("garbled"), LinkLost("silent"), Refused("does not run"), OutOfRange("no")]
)
async def test_a_stream_that_fails_is_one_event_and_comes_back(error):
    async with room() as bench:
        bench.capturing.wanted(test=0, point=0, seconds=2.0)
        await asyncio.sleep(0.5)
        bench.unit.block_errors = [error]
        await asyncio.sleep(0.5)
        assert bench.failures() == [str(error)]
        assert "captured: the stream failed." in bench.windows[0].lossy
        await asyncio.sleep(7.0)
        bench.capturing.wanted(test=0, point=1, seconds=0.5)
        await asyncio.sleep(1.0)
        assert (bench.windows[1].point, bench.windows[1].lossy) == (1, "")
        assert bench.failures() == [str(error)]


async def test_a_stream_that_always_fails_leaves_the_averaged_values_alone():
    """Each failure costs the link a reconnection; the values that are polled beside it are never away for long."""
    async with room() as bench:
        bench.unit.block_errors = [LinkLost("silent")] * 1000
        heard_s, longest_s, until_s = now_s(), 0.0, now_s() + 60.0
        while now_s() < until_s:
            with contextlib.suppress(LinkLost):
                await bench.link.call("inputs", Unit.read)
                longest_s = max(longest_s, now_s() - heard_s)
                heard_s = now_s()
            await asyncio.sleep(0.02)
        assert longest_s < 0.2
        assert 1000 - len(bench.unit.block_errors) == 3
        assert bench.failures() == ["silent"]
        bench.unit.block_errors.clear()
        bench.capturing.close()
        bench.capturing.open()  # the next run
        bench.capturing.wanted(test=0, point=0, seconds=0.2)
        await asyncio.sleep(1.0)
        assert [window.lossy for window in bench.windows] == [""]


async def test_a_rate_that_the_unit_refuses_is_one_event():
    unit = Unit(start_errors=[Refused("The measuring unit refused WAV:RATE 30000.")] * 10)
    async with room(unit) as bench:
        bench.capturing.wanted(test=0, point=0, seconds=0.2)
        await asyncio.sleep(60.0)
        assert bench.failures() == ["The measuring unit refused WAV:RATE 30000."]
        assert bench.unit.starts == 3
        assert bench.windows == []


async def test_a_driver_that_breaks_its_contract_ends_the_capturing_and_nothing_else():
    async with room() as bench:
        bench.unit.block_errors = [ZeroDivisionError("division by zero")]
        await asyncio.sleep(20.0)
        (sentence,) = bench.failures()
        assert "ZeroDivisionError" in sentence
        assert bench.unit.starts == 1
        assert (await bench.link.call("inputs", Unit.read)).values == {"ai1_v": 1.5}


async def test_a_link_that_is_down_for_a_moment_costs_no_sample():
    """The unit's buffer holds 2 s; a lost link is the link's own affair and no failure of the stream."""
    async with room() as bench:
        bench.capturing.wanted(test=0, point=0, seconds=2.0)
        await asyncio.sleep(0.52)
        bench.unit.open_errors = [LinkLost("unplugged")] * 3

        async def lose(_: object) -> None:
            raise LinkLost("unplugged")

        with pytest.raises(LinkLost):
            await bench.link.call("inputs", lose)
        assert bench.link.state is LinkState.LOST
        await asyncio.sleep(3.0)
        assert (bench.windows[0].samples, bench.windows[0].lossy) == (2000, "")
        assert bench.failures() == []


async def test_a_stream_that_somebody_else_started_anew_is_told():
    async with room() as bench:
        bench.capturing.wanted(test=0, point=0, seconds=2.0)
        await asyncio.sleep(0.5)
        bench.unit.taken, bench.unit.started_s = 0, now_s()
        await asyncio.sleep(0.2)
        assert "counted anew" in bench.failures()[0]
        assert "the stream failed" in bench.windows[0].lossy


async def test_a_window_that_nobody_can_keep_is_one_event():
    def full(_: CapturedWindow) -> None:
        raise OSError("the disk is full")

    async with room(on_window=full) as bench:
        for point in range(3):
            bench.capturing.wanted(test=0, point=point, seconds=0.1)
            await asyncio.sleep(0.3)
        assert "the disk is full" in bench.failures()[0]
        assert bench.unit.starts == 1


async def test_more_windows_at_once_than_memory_is_meant_for_are_not_opened():
    async with room() as bench:
        for point in range(10):
            bench.capturing.wanted(test=0, point=point, seconds=0.3)
        bench.capturing.wanted(test=0, point=99, seconds=0.0)
        await asyncio.sleep(0.6)
        assert [window.point for window in bench.windows] == [0, 1, 2, 3]


async def test_every_block_is_shown_once_also_without_a_window():
    blocks: list[SampleBlock] = []
    async with room(on_block=blocks.append) as bench:
        await asyncio.sleep(1.0)
        assert bench.windows == []
        ends = [block.first_index + block.samples for block in blocks]
        assert [block.first_index for block in blocks] == [0, *ends[:-1]]
        assert ends[-1] / RATE_HZ > 1.3


async def test_who_fails_over_a_block_is_told_once_and_costs_no_window():
    seen: list[SampleBlock] = []

    def fails(block: SampleBlock) -> None:
        seen.append(block)
        raise ZeroDivisionError("a defect")

    async with room(on_block=fails) as bench:
        bench.capturing.wanted(test=0, point=0, seconds=0.3)
        await asyncio.sleep(1.0)
        (window,) = bench.windows
        assert window.lossy == ""
        assert len(seen) == 1
        assert bench.failures() == ["Nobody looks at the samples any more (ZeroDivisionError: a defect)."]
