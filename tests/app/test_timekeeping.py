"""A clock that is set while the daemon runs: stamps follow it at rest, and a run keeps its own time."""

import asyncio
import datetime as dt

import pytest

from benchd.app import timekeeping
from benchd.app.timekeeping import LOOK_EVERY_S, Timekeeper
from benchd.records import ClockAnchor

pytestmark = pytest.mark.virtual_time

HOUR_NS = 3_600_000_000_000
START_NS = 1_800_000_000_000_000_000


class Machine:
    """A machine whose clock can be set."""

    def __init__(self) -> None:
        self.utc_ns = START_NS
        self.at_rest = True
        self.told: list[tuple[str, float]] = []

    def anchor(self) -> ClockAnchor:
        mono_s = asyncio.get_running_loop().time()
        return ClockAnchor(mono_s=mono_s, utc_ns=self.utc_ns + round(mono_s * 1e9))

    def tell(self, name: str, *, seconds: float, sentence: str) -> None:
        assert "clock" in sentence
        self.told.append((name, seconds))


@pytest.mark.parametrize(("set_by_ns", "told_s"), [(HOUR_NS, 3600.0), (-HOUR_NS, -3600.0), (HOUR_NS // 36_000, None)])
async def test_stamps_follow_a_clock_that_is_set_while_nothing_plays(
    set_by_ns: int, told_s: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    machine = Machine()
    monkeypatch.setattr(timekeeping, "clock_anchor", machine.anchor)
    keeper = Timekeeper()
    following = asyncio.ensure_future(keeper.run(at_rest=lambda: machine.at_rest, on_event=machine.tell))
    machine.at_rest = False
    machine.utc_ns += set_by_ns
    await asyncio.sleep(3 * LOOK_EVERY_S)
    now_mono_s = asyncio.get_running_loop().time()
    before = keeper.utc(now_mono_s)
    assert abs(before.timestamp() - (START_NS / 1e9 + now_mono_s)) < 0.01, "a run keeps its own time"
    machine.at_rest = True
    await asyncio.sleep(3 * LOOK_EVERY_S)
    after = keeper.utc(now_mono_s) - before
    if told_s is None:
        assert (after, machine.told) == (dt.timedelta(0), [])
    else:
        assert after == dt.timedelta(seconds=told_s)
        ((name, seconds),) = machine.told
        assert (name, seconds) == ("clock_set", pytest.approx(told_s))
    following.cancel()
