"""`benchctl` and a question: shown in words, answered by a command of its own or at the terminal of `run`."""

import os
import sys
import time
from collections.abc import Iterator

import pytest

from benchd.app import heard
from benchd.outside.messages import Interlocks, OpenQuestion

from ..outside.answering_bench import AnsweringBench
from .test_benchctl import RUN, bench, beside, broker, typed, until

__all__ = ["bench", "broker", "typed"]

pytestmark = pytest.mark.wires
QUESTION = OpenQuestion(
    id="5f3a9c-1",
    text="Is the coupling guard closed?",
    answers=("yes", "no"),
    test=0,
    title="no-load test",
    left_s=60.0,
    meanwhile="rest",
)


def ask(bench: AnsweringBench) -> None:
    bench.question = QUESTION
    bench.do(bench.say())


def answers(bench: AnsweringBench) -> list[dict]:
    return [command["arguments"] for name, command in bench.heard if name == "answer"]


def test_status_shows_the_open_question_and_how_to_answer(typed, bench) -> None:
    ask(bench)
    out = " ".join(typed("status").out.split())
    assert "Is the coupling guard closed? (no-load test; yes or no, 1 min 00 s left): benchctl answer 5f3a9c-1" in out


@pytest.mark.parametrize("words", [("yes",), ("5f3a9c-1", "yes")])
def test_the_open_question_is_answered_with_or_without_its_identifier(typed, bench, words: tuple[str, ...]) -> None:
    ask(bench)
    said = typed("answer", *words)
    assert (said.status, said.err) == (0, "")
    assert said.out == 'vineyard: answered "yes" to 5f3a9c-1\n'
    assert answers(bench) == [{"question": "5f3a9c-1", "answer": "yes"}]


def test_what_is_not_open_is_one_sentence(typed, bench) -> None:
    said = typed("answer", "yes")
    assert (said.status, said.sentence) == (1, "Nothing is asked just now: there is nothing to answer.")
    said = typed("answer", "old-1", "yes")
    assert (said.status, said.sentence) == (1, "old-1 is not open.")
    assert typed("answer", "a", "b", "c").status == 2


def test_a_run_of_the_daemons_own_command_line_is_answered_without_control(typed, bench) -> None:
    bench.lease.keep("the command line")
    ask(bench)
    assert typed("answer", "yes").status == 0
    assert [name for name, _ in bench.heard] == ["answer"]


def test_run_without_a_terminal_says_how_to_answer(typed, bench) -> None:
    bench.run_s = 1.5
    asking = beside(lambda: (until(lambda: bench.progress is not None), ask(bench)))
    said = typed(*RUN, "--name", "ines")
    asking.join()
    assert "no-load test asks: Is the coupling guard closed?" in said.out
    assert "benchctl answer --bench vineyard --name ines 5f3a9c-1 ANSWER" in said.out


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """The keyboard of a terminal that is standard input."""
    keyboard, there = os.openpty()
    with os.fdopen(there, "r") as standard_input:
        monkeypatch.setattr(sys, "stdin", standard_input)
        yield keyboard
    os.close(keyboard)


def test_run_at_a_terminal_sends_what_is_typed_and_nothing_that_is_no_answer(typed, bench, terminal: int) -> None:
    bench.run_s = 1.5

    def play() -> None:
        until(lambda: bench.progress is not None)
        os.write(terminal, b"yes\n")  # before anything was asked: it answers nothing
        ask(bench)
        time.sleep(0.5)  # it is shown
        os.write(terminal, b"\nmaybe\n")
        os.write(terminal, b"no\n")

    typing = beside(play)
    said = typed(*RUN)
    typing.join()
    assert "Type yes or no and Enter within 1 min 00 s" in said.out
    assert answers(bench) == [{"question": "5f3a9c-1", "answer": "no"}]
    assert '"maybe" is no answer: type yes or no.' in said.err


def test_live_and_status_show_how_the_interlocks_stand() -> None:
    told = Interlocks(guard_closed=False, estop_released=True, torque_enabled=False, permit=False, remote_selected=True)
    assert heard.interlocks(told) == (
        "emergency stop released, movable guard open, safe torque off active, permit withheld, selector remote"
    )
