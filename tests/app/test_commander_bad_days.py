"""What a commanded bench tells and refuses when things go wrong around it, on the twin in virtual time."""

import asyncio
from pathlib import Path

import pytest

from benchd.app.library import Library
from benchd.live.causes import Cause
from benchd.outside.commands import Code
from benchd.rules.limits import Reaction
from benchd.rules.states import State
from benchd_rig.safety_chain import Button

from .commanding import CHOICE, commanded

pytestmark = pytest.mark.virtual_time


async def test_files_that_make_us_fail_are_answered_and_end_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise ZeroDivisionError("a motor of no poles")

    async with commanded(tmp_path) as bench:
        monkeypatch.setattr(Library, "plan", fail)
        fit = {"programme": "pump_acceptance", "motor": "pump_48v", "setup": "pump"}
        answered = await bench.until_last(bench.ask("check", fit, fence=None))
        assert (answered.stage, answered.code) == ("failed", Code.FAILED)
        assert "a motor of no poles" in answered.sentence
        assert [type(error) for error in bench.failures] == [ZeroDivisionError]
        assert (await bench.until_last(bench.ask("programmes", fence=None))).stage == "done"


async def test_the_permit_is_told_also_while_nothing_moves_and_nobody_commands(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench:
        await asyncio.sleep(2.0)
        assert bench.told.states[-1].permit is True
        count = len(bench.told.states)
        await asyncio.sleep(5.0)
        assert len(bench.told.states) == count, "nothing changed, nothing is told"
        bench.on_twin.rig.safety_chain.press(Button.ESTOP)
        await asyncio.sleep(2.0)
        assert bench.told.states[-1].permit is False
        assert "emergency stop" in bench.told.states[-1].permit_sentence


async def test_a_chain_that_is_not_read_any_more_gives_no_permit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with commanded(tmp_path) as bench:
        read = bench.on_twin.live.chain()
        monkeypatch.setattr(type(bench.on_twin.live), "chain", lambda _: read)  # as it was, for ever
        await asyncio.sleep(4.0)
        assert bench.told.states[-1].permit is None
        assert bench.told.states[-1].remote_selected is None
        assert "silent" in bench.told.states[-1].permit_sentence


async def test_a_daemon_that_ends_begins_nothing_and_may_still_be_stopped(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench:
        await bench.take()
        await bench.until_last(bench.ask("reset"))
        await bench.until_last(bench.ask("start"))
        bench.commander.ending()
        for name in ("hold", "control", "programmes"):
            refused = bench.last(bench.ask(name))
            assert (refused.stage, refused.code) == ("rejected", Code.NOT_ALLOWED)
        assert (await bench.until_last(bench.ask("stop"))).stage == "done"
        for name in ("reset", "stop"):
            assert bench.last(bench.ask(name)).stage == "rejected"
        assert bench.on_twin.state is State.STOPPED


async def test_events_bear_the_run_that_they_belong_to_and_no_other(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench:
        await bench.take()
        await bench.until_last(bench.ask("load", CHOICE))
        await bench.until_last(bench.ask("reset"))
        bench.ask("start")
        bench.announcer.begun("the first")
        await bench.on_twin.turning()
        await bench.until_last(bench.ask("stop"))
        assert bench.told.events[-1].run == "the first"
        await bench.until_last(bench.ask("reset"))
        assert bench.told.events[-1].run is None
        assert bench.told.states[-1].run.run == "the first", "it was played last"
        bench.ask("start")
        assert bench.told.events[-1].run is None
        await asyncio.sleep(0.01)
        assert bench.told.states[-1].run.run is None, "the next one has no folder yet"
        await bench.until_last(bench.ask("abort"))


async def test_a_tool_gone_wild_does_not_drown_what_happens(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench:
        for _ in range(500):
            bench.ask("start", fence=1)
        assert len([event for event in bench.told.events if event.event == "refused"]) == 20
        assert len(bench.told.replies) == 500, "everybody is answered"


async def test_what_a_device_says_in_bytes_that_are_no_text_is_told_all_the_same(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench:
        await bench.take()
        await bench.until_last(bench.ask("reset"))
        start = bench.ask("start")
        cause = Cause(sentence="The supply says \udce9.", reaction=Reaction.CUT)
        bench.on_twin.live.trip(cause)
        assert "The supply says ?." in (await bench.until_last(start)).sentence
        await bench.on_twin.settle()
        await asyncio.sleep(0.01)
        assert bench.told.states[-1].cause == "The supply says ?."
        for message in (*bench.told.states, *bench.told.events):
            message.model_dump_json()
        assert bench.failures == []
