"""Only whole, timely, first and rightful commands are let in; whatever else comes is answered and counted."""

import json
from typing import Any

import pytest

from benchd.outside.admission import (
    CLOCKS_APART_S,
    REFUSALS_REMEMBERED,
    REMEMBERED,
    REMEMBERED_AT_MOST,
    Admitted,
    Answered,
    Arrived,
    Return,
)
from benchd.outside.commands import FENCED, FREE_STOPS, LONGEST_COMMAND_BYTES, QUESTIONS, Code, CommandName

from .the_gate import ANSWER, FIT, HAND, RUN, SPEED, Gate


def refused(answer: Admitted | Answered, code: Code) -> str:
    assert isinstance(answer, Answered)
    assert answer.reply is not None
    assert (answer.code, answer.reply.code, answer.reply.stage) == (code, code, "rejected")
    assert answer.reply.sentence
    return answer.reply.sentence


def let_in(answer: Admitted | Answered) -> Admitted:
    assert isinstance(answer, Admitted), answer
    return answer


def arguments(name: CommandName) -> dict[str, Any]:
    return {
        CommandName.LOAD: RUN,
        CommandName.CHECK: FIT,
        CommandName.ANSWER: ANSWER,
        CommandName.MANUAL: HAND,
        CommandName.SET: SPEED,
    }.get(name, {})


@pytest.mark.parametrize("name", sorted(FENCED))
def test_whoever_holds_control_is_let_in_with_its_number_and_nobody_without(name: CommandName) -> None:
    gate = Gate()
    refused(gate.ask(name, id="early", arguments=arguments(name)), Code.NOT_IN_CONTROL)
    fence = gate.take_control()
    refused(gate.ask(name, id="none", arguments=arguments(name)), Code.NOT_IN_CONTROL)
    refused(gate.ask(name, id="old", fence=fence - 1, arguments=arguments(name)), Code.NOT_IN_CONTROL)
    refused(gate.ask(name, id="other", client="bashir", fence=fence, arguments=arguments(name)), Code.CONTROL_HELD)
    assert let_in(gate.ask(name, fence=fence, arguments=arguments(name))).name is name
    assert gate.admission.admitted == 1
    assert gate.admission.refused == {Code.NOT_IN_CONTROL: 3, Code.CONTROL_HELD: 1}


def test_only_an_answer_needs_no_number_while_the_daemon_plays_a_run_of_its_own() -> None:
    gate = Gate()
    gate.lease.keep("the command line")
    let_in(gate.ask(CommandName.ANSWER, id="a1", arguments=ANSWER))
    for name in sorted(FENCED - {CommandName.ANSWER}):
        refused(gate.ask(name, id=f"n-{name}", arguments=arguments(name)), Code.CONTROL_HELD)


@pytest.mark.parametrize("name", sorted(FREE_STOPS | QUESTIONS | {CommandName.CONTROL}))
def test_stops_questions_and_control_itself_need_no_number(name: CommandName) -> None:
    gate = Gate()
    gate.take_control("bashir")
    let_in(gate.ask(name, arguments=arguments(name)))


@pytest.mark.parametrize("name", [CommandName.SET, CommandName.KEEP])
def test_what_is_ordered_by_hand_is_soon_too_late(name: CommandName) -> None:
    gate = Gate()
    fence = gate.take_control()
    payload = json.dumps(gate.command(fence=fence, arguments=arguments(name))).encode()
    gate.later(2.1)
    refused(gate.ask(name, payload), Code.LATE)
    refused(gate.ask(name, id="long", fence=fence, ttl_s=2.5, arguments=arguments(name)), Code.MALFORMED)


def test_a_retained_command_is_nobody_asking_now_not_even_for_a_stop() -> None:
    gate = Gate()
    sentence = refused(gate.ask("stop", retained=True), Code.RETAINED)
    assert "retain flag" in sentence


def test_a_command_may_be_as_long_as_said_and_not_longer() -> None:
    gate = Gate()
    payload = json.dumps(gate.command()).encode()
    let_in(gate.ask("stop", payload.ljust(LONGEST_COMMAND_BYTES)))
    sentence = refused(gate.ask("stop", payload.ljust(LONGEST_COMMAND_BYTES + 1)), Code.OVERSIZED)
    assert str(LONGEST_COMMAND_BYTES + 1) in sentence


@pytest.mark.parametrize("name", ["", "Start", "jog", "\x1b[2J", "\ud800", "é" * 30_000])
def test_an_unknown_command_is_told_which_there_are(name: str) -> None:
    gate = Gate()
    answer = gate.ask(name)
    assert "unhold" in refused(answer, Code.UNKNOWN_COMMAND)
    assert isinstance(answer, Answered)
    assert answer.reply is not None
    assert answer.reply.command.isprintable()
    assert len(answer.reply.command) <= 64


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        ({"extra": 1}, "extra"),
        ({"arguments": {"speed_rpm": 3000}}, "arguments.speed_rpm"),
        ({"arguments": None}, "arguments"),
        ({"ttl_s": 0}, "ttl_s"),
        ({"ttl_s": 60.5}, "ttl_s"),
        ({"ttl_s": "10"}, "ttl_s"),
        ({"ttl_s": True}, "ttl_s"),
        ({"ttl_s": float("nan")}, "ttl_s"),
        ({"ttl_s": float("inf")}, "ttl_s"),
        ({"fence": "41"}, "fence"),
        ({"fence": -1}, "fence"),
        ({"fence": 41.5}, "fence"),
        ({"fence": 2**53}, "fence"),
        ({"id": ""}, "id"),
        ({"id": "a b"}, "id"),
        ({"id": "a\n"}, "id"),
        ({"id": "a" * 65}, "id"),
        ({"client": "+"}, "client"),
        ({"issued_at": "2026-11-05T12:00:00"}, "issued_at"),
        ({"issued_at": 1793880000}, "issued_at"),
        ({"issued_at": "1793880000"}, "issued_at"),
        ({"issued_at": "2026-02-30T12:00:00Z"}, "issued_at"),
        ({"\x1b[2J": 1}, "\N{REPLACEMENT CHARACTER}[2J"),
    ],
)
def test_what_is_wrong_with_a_command_is_said_by_its_place(wrong: dict[str, Any], told: str) -> None:
    gate = Gate()
    sentence = refused(gate.ask("stop", **wrong), Code.MALFORMED)
    assert told in sentence
    assert sentence.isprintable()


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"{",
        b"null",
        b"[]",
        b"7",
        b'"stop"',
        b"\xff\xfe",
        b"{}",
        b"[" * 16_000,
        b'{"a":' * 3_000,
        b"9" * 16_000,
        b'{"id":"\\ud800"}',
        b"\xef\xbb\xbf{}",
        b"\x00",
    ],
)
def test_what_is_no_command_at_all_is_malformed(payload: bytes) -> None:
    refused(Gate().ask("stop", payload), Code.MALFORMED)


def test_a_malformed_command_is_answered_by_what_can_be_read_of_it() -> None:
    gate = Gate()
    answer = gate.ask("load", arguments={}, correlation_data=b"7")
    refused(answer, Code.MALFORMED)
    assert answer.to == Return(topic="bench/v1/vineyard/reply/ines", correlation_data=b"7")
    assert isinstance(answer, Answered)
    assert answer.reply is not None
    assert answer.reply.id == "one"
    nameless = gate.ask("load", b'{"client": "a/b", "id": 7}')
    refused(nameless, Code.MALFORMED)
    assert nameless.to.topic is None


@pytest.mark.parametrize(
    ("name", "fields"),
    [
        ("load", {"arguments": RUN | {"operator": " "}}),
        ("load", {"arguments": RUN | {"operator": "Ines\x1b[2J"}}),
        ("load", {"arguments": RUN | {"operator": "Ines\x9b2J"}}),
        ("load", {"arguments": RUN | {"operator": "Ines\u202eduuR"}}),
        ("load", {"arguments": RUN | {"operator": "I" * 129}}),
        ("load", {"arguments": RUN | {"programme": "../pump"}}),
        ("load", {"arguments": FIT}),
        ("check", {"arguments": RUN}),
        ("control", {"arguments": {"lease_s": 4.9}}),
        ("control", {"arguments": {"lease_s": 600.1}}),
        ("control", {"arguments": {"lease_s": "30"}}),
    ],
)
def test_arguments_are_held_to_their_bounds(name: str, fields: dict[str, Any]) -> None:
    gate = Gate()
    refused(gate.ask(name, fence=gate.take_control(), **fields), Code.MALFORMED)


def test_a_name_is_taken_without_the_spaces_around_it() -> None:
    gate = Gate()
    asked = let_in(gate.ask("load", fence=gate.take_control(), arguments=RUN | {"operator": "  Ines Halvorsen-Ruud "}))
    assert asked.command.arguments.operator == "Ines Halvorsen-Ruud"  # type: ignore[union-attr]


def test_a_command_is_obeyed_until_its_time_is_over_and_not_after() -> None:
    gate = Gate()
    in_time, late = json.dumps(gate.command(id="a", ttl_s=2)), json.dumps(gate.command(id="b", ttl_s=2))
    gate.later(2.0)
    let_in(gate.ask("programmes", in_time.encode()))
    gate.later(0.001)
    assert "2.0 s ago" in refused(gate.ask("programmes", late.encode()), Code.LATE)


def test_a_clock_may_be_a_little_ahead_and_no_more() -> None:
    ahead = Gate()
    ahead.later(CLOCKS_APART_S)
    within = json.dumps(ahead.command(id="a")).encode()
    ahead.later(0.001)
    beyond = json.dumps(ahead.command(id="b")).encode()
    gate = Gate()
    let_in(gate.ask("programmes", within))
    assert "clocks" in refused(gate.ask("programmes", beyond), Code.FUTURE)


@pytest.mark.parametrize("name", sorted(FREE_STOPS))
@pytest.mark.parametrize(
    "issued_at", ["0001-01-01T00:00:00+23:59", "1970-01-01T00:00:00Z", "9999-12-31T23:59:59-23:59"]
)
def test_stop_and_abort_are_obeyed_whatever_the_clock_says(name: CommandName, issued_at: str) -> None:
    let_in(Gate().ask(name, issued_at=issued_at, ttl_s=0.001))


def test_the_same_command_again_gets_the_first_answer_and_is_not_obeyed_again() -> None:
    gate = Gate()
    payload = json.dumps(gate.command(fence=gate.take_control(), arguments=RUN)).encode()
    let_in(gate.ask("load", payload))
    early = gate.ask("load", payload, correlation_data=b"2")
    assert early == Answered(
        to=Return(topic=gate.topics.reply("ines"), correlation_data=b"2"), reply=None, code=Code.OK
    )
    reply = gate.reply(stage="failed", code=Code.UNFIT)
    gate.admission.answered("ines", reply)
    gate.later(3600.0)
    again = gate.ask("load", payload)
    assert isinstance(again, Answered)
    assert (again.reply, again.code) == (reply, Code.UNFIT)
    assert (gate.admission.admitted, gate.admission.repeated) == (1, 2)
    assert not gate.admission.refused


def test_an_id_used_for_something_else_is_refused_but_ids_of_others_are_theirs() -> None:
    gate = Gate()
    let_in(gate.ask("programmes"))
    refused(gate.ask("programmes", ttl_s=11), Code.ID_REUSED)
    refused(gate.ask("check", arguments=FIT), Code.ID_REUSED)
    gate.take_control()
    hold_or_start = json.dumps(gate.command(id="two", fence=41)).encode()
    let_in(gate.ask("hold", hold_or_start))
    refused(gate.ask("start", hold_or_start), Code.ID_REUSED)
    let_in(gate.ask("programmes", client="bashir"))


def test_whoever_was_told_no_is_not_obeyed_when_the_same_message_comes_again() -> None:
    gate = Gate()
    gate.later(CLOCKS_APART_S + 1.0)
    payload = json.dumps(gate.command()).encode()
    gate.later(-CLOCKS_APART_S - 1.0)
    refused(gate.ask("programmes", payload), Code.FUTURE)
    gate.later(3.0)
    refused(gate.ask("programmes", payload), Code.FUTURE)
    let_in(gate.ask("programmes"))  # the same id in a command of its own: nothing was done under it


def test_a_stop_asked_again_is_obeyed_again_once_the_first_one_is_over() -> None:
    gate = Gate()
    payload = json.dumps(gate.command()).encode()
    let_in(gate.ask("stop", payload))
    gate.admission.answered("ines", gate.reply(command="stop", stage="accepted"))
    assert isinstance(gate.ask("stop", payload), Answered)  # delivered twice
    gate.admission.answered("ines", gate.reply(command="stop", stage="done"))
    let_in(gate.ask("stop", payload))  # out of a shell's history, in the next run
    gate.later(11.0)
    let_in(gate.ask("stop", payload))


def test_a_stop_is_obeyed_under_an_id_that_was_used_and_that_id_starts_nothing_any_more() -> None:
    gate = Gate()
    start = json.dumps(gate.command(fence=gate.take_control())).encode()
    let_in(gate.ask("start", start))
    let_in(gate.ask("stop"))
    refused(gate.ask("start", start), Code.ID_REUSED)


@pytest.mark.parametrize(
    "topic", ["bench/v1/greenhouse/reply/ines", "bench/v1/vineyard/state", "bench/v1/vineyard/command/start", "#", ""]
)
def test_nobody_makes_the_bench_answer_elsewhere(topic: str) -> None:
    answer = Gate().ask("stop", response_topic=topic, correlation_data=b"7")
    assert answer.to == Return(topic="bench/v1/vineyard/reply/ines", correlation_data=b"7")


def test_a_client_is_answered_where_it_asks_to_be() -> None:
    answer = Gate().ask("stop", response_topic="bench/v1/vineyard/reply/ines-2")
    assert answer.to.topic == "bench/v1/vineyard/reply/ines-2"


def test_memory_is_bounded_and_a_flood_of_valid_commands_stops_nothing_but_itself() -> None:
    gate = Gate()
    admission = gate.admission
    for number in range(REMEMBERED_AT_MOST):
        let_in(gate.ask("programmes", id=f"n{number}", ttl_s=60))
    refused(gate.ask("programmes", id="more"), Code.BUSY)
    for number in range(50):
        let_in(gate.ask("stop", id=f"s{number}", issued_at="9999-12-31T23:59:59Z"))
    assert len(admission._known) == REMEMBERED_AT_MOST
    gate.later(60.001)
    let_in(gate.ask("programmes", id="after"))
    assert len(admission._known) == REMEMBERED


def test_stops_with_clocks_of_another_age_do_not_fill_the_memory_for_ever() -> None:
    gate = Gate()
    for number in range(REMEMBERED_AT_MOST + 10):
        let_in(gate.ask("abort", id=f"n{number}", issued_at="9999-12-31T23:59:59Z", ttl_s=60))
    gate.later(60.0 + CLOCKS_APART_S + 0.001)
    let_in(gate.ask("programmes", id="after"))
    assert len(gate.admission._known) == REMEMBERED


def test_refusals_are_remembered_in_a_bounded_number() -> None:
    gate = Gate()
    for number in range(REFUSALS_REMEMBERED + 10):
        refused(gate.ask("start", id=f"n{number}"), Code.NOT_IN_CONTROL)
    assert len(gate.admission._told_no) == REFUSALS_REMEMBERED


def test_a_message_elsewhere_is_no_command() -> None:
    gate = Gate()
    payload = json.dumps(gate.command()).encode()
    for topic in ("bench/v1/greenhouse/command/stop", "stop", "", "bench/v1/vineyard/reply/stop"):
        refused(gate.admission.consider(Arrived(topic=topic, payload=payload)), Code.UNKNOWN_COMMAND)
