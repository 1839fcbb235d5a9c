"""Commands from bytes to the bench and back in stages, on the twin in virtual time; only the wire is left out."""

import asyncio
from pathlib import Path

import pytest

from benchd.app.commander import WAYS
from benchd.outside.commands import Code, CommandName
from benchd.rules.states import State
from benchd_rig.safety_chain import Button

from .commanding import CHOICE, commanded, utc

pytestmark = pytest.mark.virtual_time

WRONG_NAMES = (("vent_flap_acceptanc", Code.UNKNOWN_FILE), ("..", Code.MALFORMED), ("a/b", Code.MALFORMED))


async def test_control_reset_and_start_are_answered_in_stages_and_the_run_plays(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench:
        await bench.take()
        reset = bench.ask("reset")
        assert bench.stages(reset) == ["accepted"]
        assert (await bench.until_last(reset)).state == "Idle"
        start = bench.ask("start")
        assert (await bench.until_last(start)).stage == "done"
        assert bench.on_twin.state is State.EXECUTE
        assert bench.stages(start) == ["accepted", "done"]
        assert await bench.on_twin.settle() is State.COMPLETE


async def test_hold_unhold_and_stop_end_where_they_say(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench:
        await bench.take()
        await bench.until_last(bench.ask("reset"))
        await bench.until_last(bench.ask("start"))
        await bench.on_twin.turning()
        for name, state in (("hold", "Held"), ("unhold", "Execute"), ("stop", "Stopped")):
            reply = await bench.until_last(bench.ask(name))
            assert (reply.stage, reply.state) == ("done", state)


async def test_what_means_nothing_in_this_state_is_rejected_and_changes_nothing(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench:
        await bench.take()
        reply = bench.last(bench.ask("start"))
        assert (reply.stage, reply.code) == ("rejected", Code.NOT_ALLOWED)
        assert "possible commands now: Reset, Abort" in reply.sentence
        assert bench.on_twin.state is State.STOPPED


async def test_a_second_person_looks_and_may_stop_but_not_command(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench:
        await bench.take()
        await bench.until_last(bench.ask("reset"))
        await bench.until_last(bench.ask("start"))
        refused = bench.last(bench.ask("hold", client="otto", fence=None))
        assert (refused.stage, refused.code) == ("rejected", Code.CONTROL_HELD)
        assert "ines" in refused.sentence
        refused = bench.last(bench.ask("control", client="otto", fence=None))
        assert refused.code is Code.CONTROL_HELD
        stopped = await bench.until_last(bench.ask("stop", client="otto", fence=None))
        assert (stopped.stage, stopped.state) == ("done", "Stopped")


async def test_a_stop_overtakes_a_start_which_is_said_to_have_failed(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench:
        await bench.take()
        await bench.until_last(bench.ask("reset"))
        start = bench.ask("start")
        stop = bench.ask("stop")
        assert bench.last(start).stage == "failed"
        assert "ines over MQTT" in bench.last(start).sentence
        assert (await bench.until_last(stop)).stage == "done"


async def test_a_trip_fails_what_is_under_way_with_its_cause(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench:
        await bench.take()
        await bench.until_last(bench.ask("reset"))
        start = bench.ask("start")
        await asyncio.sleep(0.05)
        bench.on_twin.rig.safety_chain.press(Button.ESTOP)
        reply = await bench.until_last(start)
        assert reply.stage == "failed"
        assert "emergency stop" in reply.sentence
        await bench.on_twin.settle()


async def test_the_same_command_again_acts_once_and_is_answered_the_same(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench:
        await bench.take()
        await bench.until_last(bench.ask("reset"))
        issued = {"id": "once", "issued_at": utc(asyncio.get_running_loop().time()).isoformat()}
        bench.ask("start", **issued)
        bench.ask("start", **issued)
        await bench.until_last("once")
        bench.ask("start", **issued)
        assert [reply.stage for _, reply in bench.told.replies if reply.id == "once" and reply.stage != "progress"] == [
            "accepted",
            "accepted",
            "done",
            "done",
        ]
        assert [event.fields["command"] for event in bench.told.events if event.event == "commanded"] == [
            "reset",
            "start",
        ]


async def test_a_run_is_chosen_by_names_and_never_by_paths(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench:
        await bench.take()
        known = await bench.until_last(bench.ask("programmes", fence=None))
        assert known.result is not None
        assert "vent_flap_acceptance" in {one.name for one in known.result.programmes}
        loaded = await bench.until_last(bench.ask("load", CHOICE))
        assert loaded.stage == "done", loaded.sentence
        assert loaded.result is not None
        assert loaded.result.duration_s > 10.0
        assert {limit.channel for limit in loaded.result.limits} >= {"shaft_speed", "dc_current"}
        assert bench.told.metas[-1].limits == loaded.result.limits
        assert bench.announcer.brief is not None
        assert bench.announcer.brief.serial == "0042"
        for wrong, code in WRONG_NAMES:
            refused = await bench.until_last(bench.ask("load", {**CHOICE, "programme": wrong}))
            assert (refused.stage, refused.code) == ("rejected", code)
            assert "vent_flap_acceptance" in refused.sentence or code is Code.MALFORMED


async def test_files_that_do_not_fit_are_refused_with_the_place(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench:
        fit = {"programme": "pump_acceptance", "motor": "pump_48v", "setup": "pump"}
        refused = await bench.until_last(bench.ask("check", fit, fence=None))
        assert (refused.stage, refused.code) == ("rejected", Code.UNFIT)
        assert ".toml:" in refused.sentence


async def test_no_run_can_be_chosen_while_one_plays(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench:
        await bench.take()
        await bench.until_last(bench.ask("reset"))
        await bench.until_last(bench.ask("start"))
        refused = await bench.until_last(bench.ask("load", CHOICE))
        assert (refused.stage, refused.code) == ("rejected", Code.NOT_ALLOWED)
        assert await bench.on_twin.settle() is State.COMPLETE


async def test_state_data_and_events_are_told_while_the_run_plays(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench:
        await bench.take()
        await bench.until_last(bench.ask("load", CHOICE))
        await bench.until_last(bench.ask("reset"))
        await bench.until_last(bench.ask("start"))
        await bench.on_twin.turning()
        await asyncio.sleep(1.5)
        state = bench.told.states[-1]
        assert (state.online, state.state, state.permit) == (True, "Execute", True)
        assert state.control is not None
        assert state.control.holder == "ines"
        assert state.progress is not None
        assert 0.0 < state.progress.left_s < state.run.duration_s
        group, data = bench.told.frames[-1]
        assert group == "all"
        assert data.values["shaft_speed"] == pytest.approx(bench.on_twin.truth.motor_speed_rpm, rel=0.05)
        sequence = [frame.seq for _, frame in bench.told.frames]
        assert sequence == list(range(len(sequence)))
        ids = [event.id for event in bench.told.events]
        assert len(set(ids)) == len(ids)
        titles = [event.fields["after"] for event in bench.told.events if event.event == "state"]
        assert titles == ["Resetting", "Idle", "Starting", "Execute"]
        assert "progress" not in {event.event for event in bench.told.events}
        await bench.until_last(bench.ask("abort", fence=None))


async def test_a_lease_that_lapses_is_told_and_its_number_is_worth_nothing(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench:
        reply = await bench.until_last(bench.ask("control", {"lease_s": 5.0}))
        bench.fence = reply.result.fence
        await asyncio.sleep(1.5)
        assert bench.told.states[-1].control is not None
        await asyncio.sleep(5.0)
        assert bench.told.states[-1].control is None
        assert bench.last(bench.ask("reset")).code is Code.NOT_IN_CONTROL
        assert bench.on_twin.state is State.STOPPED


def test_every_command_that_moves_the_bench_has_its_way() -> None:
    questions = {CommandName.CONTROL, CommandName.RELEASE, CommandName.PROGRAMMES, CommandName.CHECK, CommandName.LOAD}
    by_hand = {CommandName.MANUAL, CommandName.SET, CommandName.KEEP}
    assert set(WAYS) == set(CommandName) - questions - by_hand - {CommandName.ANSWER}
