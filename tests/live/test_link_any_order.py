"""Whatever order calls, cancellations, faults and make_safe come in: one call on the wire, with its own reply."""

import asyncio
import contextlib
from dataclasses import dataclass

from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.contract import DeviceFault, DriverError, LinkLost, OutOfRange, Refused, ReplyWrong
from benchd.live.link_state import LinkState
from benchd.live.virtual_time import run_virtual
from benchd.live.wire import PATIENCE_S

from .link_bench import REPLY_S, SAFE_S, Bench, now_s, running
from .scripted_driver import HANG, Answer, Deaf, Fail, ScriptedDriver, Step


@dataclass(frozen=True)
class Call:
    step: Step


@dataclass(frozen=True)
class Cancel:
    which: int


@dataclass(frozen=True)
class MakeSafe:
    step: Step
    cancelled: bool


@dataclass(frozen=True)
class Absent:
    absent: bool


@dataclass(frozen=True)
class Opening:
    step: Step


TIMES = st.sampled_from([0.0, 0.0, 0.0005, 0.001, 0.002, 0.005, 0.02, 0.19, 0.2, 0.201, 0.3])
KINDS = st.sampled_from([LinkLost, ReplyWrong, Refused, OutOfRange, DeviceFault, ValueError])
STEPS = st.one_of(
    TIMES.map(Answer),
    st.builds(Fail, KINDS.map(lambda kind: kind("supply: scripted")), TIMES),
    st.just(HANG),
    st.sampled_from([0.003, 0.3, 1.0]).map(Deaf),
)
EVENTS = st.one_of(
    st.builds(Call, STEPS),
    st.builds(Call, STEPS),
    st.builds(Cancel, st.integers(0, 20)),
    st.builds(MakeSafe, STEPS, st.booleans()),
    st.builds(Absent, st.booleans()),
    st.builds(Opening, STEPS),
)


class Watched(ScriptedDriver):
    """Counts the calls that began between the asking for make_safe and its end."""

    def __init__(self) -> None:
        super().__init__()
        self.asked_safe = 0
        self.began_during_safe = 0


class Story:
    """One order of events played against one link."""

    def __init__(self, driver: Watched, bench: Bench, group: asyncio.TaskGroup) -> None:
        self.driver = driver
        self.bench = bench
        self.group = group
        self.callers: list[asyncio.Task[None]] = []
        self.numbers = iter(range(1, 10_000))
        self.abandoned_at = float("-inf")  # when a caller of make_safe was cancelled

    def play(self, event: Call | Cancel | MakeSafe | Absent | Opening) -> None:
        if isinstance(event, Call):
            self.callers.append(self.group.create_task(self.call(float(next(self.numbers)), event.step)))
        elif isinstance(event, Cancel):
            if self.callers:
                self.callers[event.which % len(self.callers)].cancel()
        elif isinstance(event, MakeSafe):
            self.driver.safes.append(event.step)
            task = self.group.create_task(self.make_safe())
            self.callers.append(task)
            if event.cancelled:
                asyncio.get_running_loop().call_later(0.01, task.cancel)
        elif isinstance(event, Absent):
            self.driver.absent = event.absent
        else:
            self.driver.opens.append(event.step)

    async def call(self, number: float, step: Step) -> None:
        async def action(port) -> float:
            told = self.driver.safe_ended_at == now_s()  # its caller hears of the end a step or two later
            self.driver.began_during_safe += bool(self.driver.safes_inside or (self.driver.asked_safe and not told))
            self.driver.calls.append(step)
            return await port.ask(number)

        with contextlib.suppress(DriverError, ValueError):
            assert await self.bench.link.call("output", action) == number

    async def make_safe(self) -> None:
        began = now_s()
        alone = not self.driver.asked_safe and not self.driver.safes_inside
        # Else it joins one that ends at this very instant, or one that goes on without its caller.
        fresh = alone and self.driver.safe_ended_at < began and began > self.abandoned_at + SAFE_S
        self.driver.asked_safe += 1
        try:
            await self.bench.safe()
        except (DriverError, ValueError):
            assert now_s() - began <= SAFE_S + 3 * PATIENCE_S
        except asyncio.CancelledError:
            self.abandoned_at = now_s()
            raise
        finally:
            self.driver.asked_safe -= 1
        if fresh:
            assert min(at for at in self.driver.safe_at if at >= began) - began <= PATIENCE_S + 1e-9


@settings(max_examples=250, deadline=None)
@given(st.lists(st.tuples(TIMES, EVENTS), min_size=1, max_size=25))
def test_one_call_at_a_time_with_its_own_reply_and_none_during_make_safe(events):
    driver = Watched()

    async def play() -> None:
        async with running(driver) as bench:
            async with asyncio.TaskGroup() as group:
                story = Story(driver, bench, group)
                for pause_s, event in events:
                    await asyncio.sleep(pause_s)
                    story.play(event)
                longest_s = len(events) * (REPLY_S + 2 * SAFE_S) + 1.0
                if story.callers:
                    _, waiting = await asyncio.wait(story.callers, timeout=longest_s)
                    assert not waiting
            assert driver.most_inside <= 1
            assert driver.most_safes_inside <= 1 + sum(isinstance(step, Deaf) for step in steps_of(events))
            assert driver.began_during_safe == 0
            driver.absent = False
            driver.opens.clear()
            driver.calls.clear()
            await asyncio.sleep(40.0)  # longer than any pause, also the one after a refused identity
            assert bench.link.state is LinkState.UP
            assert await bench.ask(0.5) == 0.5
            assert not bench.link._wire.held
            assert not bench.link._lane.queue
        assert len(driver.left_at) == driver.entered == 1

    run_virtual(play())


def steps_of(events) -> list[Step]:
    return [event.step for _, event in events if isinstance(event, MakeSafe)]
