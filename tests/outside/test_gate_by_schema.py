"""The published schemas and the command gate agree on every message, and no bytes at all get past it or break it."""

import json
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from benchd.outside import interface
from benchd.outside.admission import Admitted, Answered, Arrived
from benchd.outside.commands import LONGEST_COMMAND_BYTES, Code, CommandName

from .from_schema import JSON, TEMPTING, oracle, perhaps_spoiled, sound
from .the_gate import ANSWER, FIT, HAND, RUN, SPEED, Gate

SCHEMAS = interface.schemas()
REPLY = oracle(SCHEMAS["reply"])
COMMANDS = ["control", "check", "load", "answer", "manual", "set", "keep", "stop"]  # each model once
ORACLES = {name: oracle(SCHEMAS[f"command-{name}"]) for name in COMMANDS}
SOUND = {name: sound(SCHEMAS[f"command-{name}"]) for name in COMMANDS}
SPOILED = {name: perhaps_spoiled(SCHEMAS[f"command-{name}"], SOUND[name]) for name in COMMANDS}
UNHURRIED = settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much]
)
names = pytest.mark.parametrize("name", COMMANDS)


def considered(topic: str, payload: bytes, **fields: Any) -> Admitted | Answered:
    """What the gate says; whatever it answers is a reply by the published schema and goes to a reply topic."""
    gate = Gate()
    answer = gate.admission.consider(Arrived(topic=topic, payload=payload, **fields))
    if isinstance(answer, Answered):
        assert answer.reply is not None
        REPLY.validate(json.loads(answer.reply.model_dump_json()))
        assert answer.reply.sentence.isprintable()
        assert sum(gate.admission.refused.values()) == 1
    assert answer.to.topic is None or gate.topics.is_reply(answer.to.topic)
    return answer


def ask(name: str, message: Any, *, ascii_only: bool = True) -> Admitted | Answered:
    return considered(Gate().topics.command(name), json.dumps(message, ensure_ascii=ascii_only).encode())


def code(answer: Admitted | Answered) -> Code:
    return Code.OK if isinstance(answer, Admitted) else answer.code


@names
@UNHURRIED
@given(data=st.data())
def test_a_command_that_is_valid_by_the_schema_is_never_called_malformed(name: str, data: st.DataObject) -> None:
    message = data.draw(SOUND[name])
    answer = ask(name, message, ascii_only=data.draw(st.booleans()))
    assert code(answer) in {Code.OK, Code.LATE, Code.FUTURE, Code.NOT_IN_CONTROL}
    assert name != "stop" or isinstance(answer, Admitted)


@names
@UNHURRIED
@given(data=st.data())
def test_a_command_is_called_malformed_exactly_when_the_schema_says_so(name: str, data: st.DataObject) -> None:
    message = data.draw(SPOILED[name])
    assert (code(ask(name, message)) == Code.MALFORMED) == (not ORACLES[name].is_valid(message))


@names
def test_nothing_that_only_looks_right_is_taken_in_any_place(name: str) -> None:
    given = {"load": RUN, "check": FIT, "answer": ANSWER, "manual": HAND, "set": SPEED, "control": {"lease_s": 30.0}}
    arguments = given.get(name, {})
    right = Gate().command(ttl_s=2.0, fence=41, arguments=arguments)
    assert ORACLES[name].is_valid(right)
    for value in TEMPTING:
        wrong = [right | {key: value} for key in [*right, "extra"]]
        wrong += [right | {"arguments": right["arguments"] | {key: value}} for key in [*right["arguments"], "extra"]]
        for message in wrong:
            assert (code(ask(name, message)) == Code.MALFORMED) == (not ORACLES[name].is_valid(message)), message


@UNHURRIED
@given(name=st.sampled_from(CommandName), message=JSON)
def test_no_other_json_is_ever_a_command(name: CommandName, message: Any) -> None:
    assert code(ask(name, message)) == Code.MALFORMED


@UNHURRIED
@given(
    payload=st.binary(max_size=200),
    fields=st.fixed_dictionaries(
        {"topic": st.sampled_from([Gate().topics.command(name) for name in CommandName]) | st.text()},
        optional={"retained": st.booleans(), "response_topic": st.none() | st.text(), "correlation_data": st.binary()},
    ),
)
@example(payload=b"[" * LONGEST_COMMAND_BYTES, fields={"topic": Gate().topics.command("stop")})
@example(payload=b'{"fence":' + b"9" * 10_000 + b"}", fields={"topic": Gate().topics.command("stop")})
@example(payload=b"1e999999999", fields={"topic": Gate().topics.command("stop")})
@example(payload=b"{}" * LONGEST_COMMAND_BYTES, fields={"topic": "\udcff"})
def test_no_bytes_break_the_gate_or_get_past_it(payload: bytes, fields: dict[str, Any]) -> None:
    assert isinstance(considered(payload=payload, **fields), Answered)


@UNHURRIED
@given(data=st.data())
def test_a_command_that_was_damaged_on_its_way_is_let_in_only_if_it_is_still_one(data: st.DataObject) -> None:
    payload = bytearray(json.dumps(data.draw(SOUND["stop"])).encode())
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(payload) - 1))
        payload[at : at + data.draw(st.integers(0, 2))] = data.draw(st.binary(max_size=2))
    if isinstance(considered(Gate().topics.command("stop"), bytes(payload)), Admitted):
        ORACLES["stop"].validate(json.loads(payload))


@pytest.mark.parametrize("name", CommandName)
def test_every_command_has_one_of_the_schemas_that_are_tried_here(name: CommandName) -> None:
    assert SCHEMAS[f"command-{name}"] in [SCHEMAS[f"command-{one}"] for one in COMMANDS]
