"""The interface document is made from the models, is true of them, and its examples are real messages."""

import json
from typing import Any

import pytest
from jsonschema import Draft7Validator, Draft202012Validator
from referencing import Registry, Resource
from referencing.jsonschema import DRAFT7, DRAFT202012

from benchd.outside import interface, interface_examples
from benchd.outside.commands import FENCED, MODELS, CommandName
from benchd.outside.messages import BenchState
from benchd.outside.topics import Topics

DOCUMENT = interface.document()
CHANNELS: dict[str, Any] = DOCUMENT["channels"]


def channel_messages() -> list[tuple[str, dict[str, Any]]]:
    return [(name, message) for name, channel in CHANNELS.items() for message in channel["messages"].values()]


def test_the_checked_in_document_is_the_one_that_the_models_make() -> None:
    assert interface.checked_in() == interface.text(), (
        "The models have changed: make the document anew with "
        "`python -m benchd.outside.interface > benchd/outside/asyncapi.json` and look at what changed for clients."
    )


def test_every_topic_of_the_interface_is_a_channel_and_nothing_else_is() -> None:
    topics = Topics("{bench}")
    expected = {topics.meta, topics.state, topics.event, topics.data("{group}"), topics.run("{run}")}
    expected |= {topics.reply("{client}")} | {topics.command(name) for name in CommandName}
    assert {channel["address"] for channel in CHANNELS.values()} == expected
    for channel in CHANNELS.values():
        assert set(channel["parameters"]) == {
            name for name in ("bench", "group", "run", "client") if f"{{{name}}}" in channel["address"]
        }


def test_only_what_the_bench_is_and_how_it_is_are_retained() -> None:
    sent = {name: one["bindings"]["mqtt"] for name, one in DOCUMENT["operations"].items() if one["action"] == "send"}
    assert {name for name, binding in sent.items() if binding["retain"]} == {"send-meta", "send-state"}
    assert {name for name, binding in sent.items() if binding["qos"] == 0} == {"send-data"}


@pytest.mark.parametrize("name", CommandName)
def test_every_command_is_received_and_answered(name: CommandName) -> None:
    operation = DOCUMENT["operations"][f"receive-{name}"]
    assert operation["action"] == "receive"
    assert operation["channel"] == {"$ref": f"#/channels/command-{name}"}
    assert operation["reply"]["channel"] == {"$ref": "#/channels/reply"}
    assert ("Needs control" in operation["description"]) == (name in FENCED)
    message = CHANNELS[f"command-{name}"]["messages"][MODELS[name].__name__]
    assert message["correlationId"]["location"] == "$message.header#/correlationData"


@pytest.mark.parametrize(("validator", "dialect"), [(Draft7Validator, DRAFT7), (Draft202012Validator, DRAFT202012)])
def test_examples_are_valid_by_the_schemas_in_both_dialects_and_altered_ones_are_not(
    validator: Any, dialect: Any
) -> None:
    resource: Any = Resource.from_contents(DOCUMENT, default_specification=dialect)
    registry: Any = Registry().with_resource("urn:document", resource)
    tried = 0
    for name, message in channel_messages():
        schema = validator({"$ref": f"urn:document{message['payload']['$ref']}"}, registry=registry)
        for example in message["examples"]:
            assert not list(schema.iter_errors(example["payload"])), (name, example)
            for key in example["payload"]:
                wrong = example["payload"] | {key: {"never": "this"}}
                if key not in {"values", "ages_s", "fields"}:
                    assert list(schema.iter_errors(wrong)), (name, key)
            tried += 1
    assert tried > len(CHANNELS)
    for one in DOCUMENT["components"]["schemas"].values():
        validator.check_schema(one)


def test_example_commands_are_commands() -> None:
    for name in CommandName:
        for example in interface_examples.COMMANDS[name].values():
            payload = interface_examples.sparse(example)
            assert MODELS[name].model_validate_json(json.dumps(payload)) == example


def test_the_last_will_says_offline_and_nothing_about_the_bench() -> None:
    will = DOCUMENT["servers"]["broker"]["bindings"]["mqtt"]["lastWill"]
    assert (will["topic"], will["retain"]) == ("bench/v1/{bench}/state", True)
    read = BenchState.model_validate_json(will["message"])
    assert not read.online
    assert read.state is None


def test_every_model_is_described_in_words() -> None:
    for name, schema in DOCUMENT["components"]["schemas"].items():
        assert schema.get("description") or schema.get("enum") or name == "JsonValue"
    for name, channel in CHANNELS.items():
        assert channel["description"].strip(), name
