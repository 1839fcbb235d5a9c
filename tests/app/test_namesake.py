"""Two daemons of one name at one broker: both are told, and nothing begins on either until one is gone."""

import asyncio
import datetime as dt
from pathlib import Path

import pytest

from benchd.app.namesake import FORGOTTEN_AFTER_S, Namesake
from benchd.outside.commands import Code
from benchd.outside.messages import BenchState

from .commanding import commanded

pytestmark = pytest.mark.virtual_time


class Side:
    """One of the two, and what it told."""

    def __init__(self, session: str) -> None:
        self.session = session
        self.events: list[str] = []
        self.told = 0
        self.namesake = Namesake("x", session=session, on_event=self._event, retell=self._retell)

    def _event(self, name: str, **_: object) -> None:
        self.events.append(name)

    def _retell(self) -> None:
        self.told += 1

    def says(self, *, online: bool = True) -> bytes:
        now = dt.datetime(2026, 5, 4, tzinfo=dt.UTC)
        return BenchState(online=online, utc=now, session=self.session).model_dump_json().encode()


async def heard(by: Side, payload: bytes) -> None:
    by.namesake.heard(payload)
    await asyncio.sleep(1.0)


async def test_another_one_is_told_once_and_told_back_and_forgotten_when_it_leaves() -> None:
    here, there = Side("a1"), Side("b2")
    for _ in range(30):
        await heard(here, there.says())
    assert (here.events, here.told) == (["namesake"], 1)
    assert "calls itself x" in here.namesake.sentence
    await heard(here, there.says(online=False))
    assert here.namesake.sentence == ""
    assert here.told == 2, "the broker kept that nobody is there"


async def test_one_that_says_nothing_any_more_is_forgotten() -> None:
    here, there = Side("a1"), Side("b2")
    await heard(here, there.says())
    await asyncio.sleep(FORGOTTEN_AFTER_S)
    assert here.namesake.sentence == ""


async def test_the_last_will_of_an_earlier_life_is_corrected_and_is_no_namesake() -> None:
    here, before = Side("a1"), Side("90")
    await heard(here, before.says(online=False))
    assert (here.events, here.told, here.namesake.sentence) == ([], 1, "")


@pytest.mark.parametrize("payload", [b"", b"{", b"[" * 100_000, b'{"online": 7}', b"\xff"])
async def test_nonsense_is_nobody(payload: bytes) -> None:
    here = Side("a1")
    await heard(here, payload)
    await heard(here, here.says())
    assert (here.events, here.told) == ([], 0)


async def test_nothing_begins_while_another_hears_the_same_commands(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench:
        await bench.take()
        await bench.until_last(bench.ask("reset"))
        await bench.until_last(bench.ask("start"))
        bench.commander._forbidden = bench.announcer.crowded = lambda: "There are two."
        for name in ("unhold", "start"):
            refused = bench.last(bench.ask(name))
            assert (refused.code, refused.sentence) == (Code.NOT_ALLOWED, "There are two.")
        assert bench.last(bench.ask("control", fence=None)).sentence == "There are two."
        assert bench.last(bench.ask("control")).stage == "done", "it is kept"
        assert (await bench.until_last(bench.ask("hold"))).stage == "done"
        assert (await bench.until_last(bench.ask("stop"))).stage == "done"
        assert bench.told.states[-1].warnings == ("There are two.",)
