"""Questions to the operator over MQTT, on the twin in virtual time: shown in the state and answered once."""

import asyncio
from pathlib import Path

import pytest

from benchd.outside.commands import Code
from benchd.rules.states import State
from benchd_rig.safety_chain import Button

from .commanding import Commanded, commanded, utc

pytestmark = pytest.mark.virtual_time

ATTENDED = """
schema = 1
name = "attended"
attended = true
answer_within_s = 60.0

[[test]]
kind = "no_load"
confirm = "Is the coupling guard closed?"
supply_voltages_v = [6.0, 12.0]
settle_time_s = 0.3
average_time_s = 0.4

[[test]]
kind = "load"
confirm = "Is the torque range changed?"
supply_voltage_v = 12.0
torques_nm = [0.05, 0.10]
torque_slope_nm_per_s = 0.5
settle_time_s = 0.3
average_time_s = 0.4
speed_band_rpm = 20.0
"""


async def asked(bench: Commanded, *, within_s: float = 60.0) -> str:
    """The identifier of the question that the published state shows."""
    await bench.on_twin.until(lambda: bench.told.states[-1].question is not None, "a question", within_s)
    question = bench.told.states[-1].question
    assert question is not None
    return question.id


async def started(bench: Commanded) -> str:
    await bench.take()
    await bench.until_last(bench.ask("reset"))
    return bench.ask("start")


def answer(bench: Commanded, question: str, words: str, **fields: object) -> str:
    return bench.ask("answer", {"question": question, "answer": words}, **fields)


def powered(bench: Commanded) -> bool:
    rig = bench.on_twin.rig
    rig.advance()
    return rig.supply.output_on or any(drive.power_stage_on for drive in rig.drives.values())


async def test_the_first_test_is_confirmed_before_anything_is_energised_and_the_second_at_rest(tmp_path: Path) -> None:
    async with commanded(tmp_path, programme=ATTENDED) as bench:
        start = await started(bench)
        first = await asked(bench)
        state = bench.told.states[-1]
        assert (state.state, state.question.text) == ("Starting", "Is the coupling guard closed?")
        await asyncio.sleep(30.0)
        assert not powered(bench)
        assert bench.told.states[-1].question.left_s == pytest.approx(30.0, abs=1.5)
        reply = bench.last(answer(bench, first, "yes"))
        assert (reply.stage, reply.code) == ("done", Code.OK)
        assert (await bench.until_last(start)).stage == "done"
        second = await asked(bench)
        await asyncio.sleep(10.0)
        assert abs(bench.on_twin.truth.motor_speed_rpm) < 10.0
        assert bench.on_twin.state is State.EXECUTE
        answer(bench, second, "yes")
        assert await bench.on_twin.settle() is State.COMPLETE
        events = [one for one in bench.on_twin.recorded.events if one["event"] in {"asked", "answered"}]
        assert [one["event"] for one in events] == ["asked", "answered"] * 2
        assert events[1]["sentence"] == 'ines answered "yes" to "Is the coupling guard closed?".'
        assert bench.told.states[-1].question is None


async def test_while_the_first_question_is_open_the_guard_may_be_opened_and_must_be_closed_and_reset_again(
    tmp_path: Path,
) -> None:
    async with commanded(tmp_path, programme=ATTENDED) as bench:
        start = await started(bench)
        question = await asked(bench)
        bench.on_twin.rig.safety_chain.press(Button.OPEN_GUARD)
        await asyncio.sleep(5.0)
        assert bench.on_twin.state is State.STARTING
        answer(bench, question, "yes")
        assert "movable guard is open" in (await bench.until_last(start)).sentence
        assert not powered(bench)


async def test_nobody_answers_at_the_start_and_nothing_was_energised(tmp_path: Path) -> None:
    async with commanded(tmp_path, programme=ATTENDED) as bench:
        start = await started(bench)
        await asked(bench)
        reply = await bench.until_last(start, within_s=100.0)
        assert reply.stage == "failed"
        assert "Nobody answered" in reply.sentence
        assert await bench.on_twin.settle() is State.STOPPED
        assert not bench.on_twin.told("ladder")


async def test_nobody_answers_in_the_run_and_it_is_ramped_down_with_the_question_as_its_cause(tmp_path: Path) -> None:
    async with commanded(tmp_path, programme=ATTENDED) as bench:
        await started(bench)
        answer(bench, await asked(bench), "yes")
        await bench.on_twin.until(lambda: bench.told.states[-1].question is None, "the answer")
        await asked(bench)
        assert await bench.on_twin.settle() is State.ABORTED
        assert "Is the torque range changed?" in bench.on_twin.live.cause.sentence
        assert bench.on_twin.live.cause.reaction.name == "RAMP_DOWN"
        assert not powered(bench)
        assert bench.on_twin.recorded.endings[0][0] == "aborted"


async def test_no_is_an_answer_that_ends_the_start(tmp_path: Path) -> None:
    async with commanded(tmp_path, programme=ATTENDED) as bench:
        start = await started(bench)
        answer(bench, await asked(bench), "no")
        assert 'ines answered "no"' in (await bench.until_last(start)).sentence
        assert await bench.on_twin.settle() is State.STOPPED


async def test_answered_twice_late_wrongly_or_to_nothing_is_one_sentence_each(tmp_path: Path) -> None:
    async with commanded(tmp_path, programme=ATTENDED) as bench:
        await bench.take()
        none = bench.last(answer(bench, "abc-1", "yes"))
        assert (none.stage, none.code) == ("rejected", Code.NO_QUESTION)
        assert none.sentence == "There is no question abc-1: nothing is asked just now."
        await bench.until_last(bench.ask("reset"))
        start = bench.ask("start")
        question = await asked(bench)
        wrong = bench.last(answer(bench, question, "maybe"))
        assert (wrong.stage, wrong.code) == ("rejected", Code.NO_SUCH_ANSWER)
        answer(bench, question, "yes")
        twice = bench.last(answer(bench, question, "no"))
        assert (twice.code, twice.sentence) == (
            Code.NO_QUESTION,
            f'The question {question} was answered "yes" by ines already.',
        )
        again = bench.last(bench.ask("start"))
        assert (again.stage, again.code) == ("rejected", Code.NOT_ALLOWED)
        assert again.sentence == "Start is not possible in Starting; possible commands now: Stop, Abort."
        await bench.until_last(start)
        late = await asked(bench)
        await bench.on_twin.settle()
        reply = bench.last(answer(bench, late, "yes"))
        assert (reply.code, reply.sentence) == (
            Code.NO_QUESTION,
            f"The question {late} was not answered within 60 s and is closed.",
        )


async def test_the_same_answer_again_gets_the_same_reply_and_acts_once(tmp_path: Path) -> None:
    async with commanded(tmp_path, programme=ATTENDED) as bench:
        await started(bench)
        question = await asked(bench)
        once = {"id": "once", "issued_at": utc(asyncio.get_running_loop().time()).isoformat()}
        for _ in range(3):
            answer(bench, question, "yes", **once)
        assert bench.stages("once") == ["done"] * 3
        assert len(bench.on_twin.told("answered") or [e for e in bench.told.events if e.event == "answered"]) == 1


async def test_an_answer_needs_control(tmp_path: Path) -> None:
    async with commanded(tmp_path, programme=ATTENDED) as bench:
        await started(bench)
        question = await asked(bench)
        refused = bench.last(answer(bench, question, "yes", client="otto", fence=None))
        assert (refused.stage, refused.code) == ("rejected", Code.CONTROL_HELD)
        assert bench.on_twin.live.asking.question is not None


async def test_a_stop_closes_the_question(tmp_path: Path) -> None:
    async with commanded(tmp_path, programme=ATTENDED) as bench:
        await started(bench)
        question = await asked(bench)
        await bench.until_last(bench.ask("stop"))
        assert bench.told.states[-1].question is None
        closed = bench.last(answer(bench, question, "yes"))
        assert closed.sentence == f"The question {question} is closed: the run ends."


async def test_the_state_shows_the_interlocks_as_they_are_read(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench:
        await asyncio.sleep(2.0)
        shown = bench.told.states[-1].interlocks
        assert shown is not None
        assert (shown.guard_closed, shown.release_pressed, shown.remote_selected) == (True, False, True)
        for button in (Button.OPEN_GUARD, Button.LOCAL, Button.PRESS_START_RELEASE):
            bench.on_twin.rig.safety_chain.press(button)
        await asyncio.sleep(2.0)
        shown = bench.told.states[-1].interlocks
        assert (shown.guard_closed, shown.permit, shown.torque_enabled) == (False, False, False)
        assert (shown.release_pressed, shown.remote_selected) == (True, False)
        assert "The movable guard was opened." in [one.fields.get("sentence") for one in bench.told.events]
