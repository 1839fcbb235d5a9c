"""Makes the interface document (AsyncAPI 3.0) from the models and the topics. It decides nothing about the interface.

`python -m benchd.outside.interface > benchd/outside/asyncapi.json` makes the checked-in copy anew.
Source: AsyncAPI Specification 3.0.0 and its MQTT bindings 0.2.0. The document speaks from the bench's side: it
receives commands and sends the rest.
"""

import copy
import json
import sys
from importlib import resources
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from benchd.outside import interface_examples as examples
from benchd.outside.commands import FENCED, FREE_STOPS, MODELS, CommandName, Reply
from benchd.outside.interface_words import ABOUT, COMMANDS, FENCE, NO_FENCE, STOPS, TITLE
from benchd.outside.messages import BenchState, Data, Event, Meta, RunAnnouncement
from benchd.outside.topics import NAME_PATTERN, Topics

VERSION = "1.0.0"  # of the interface: the first number is that of the topics
JSON_TYPE = "application/json"
_BINDINGS = "0.2.0"
_SCHEMAS = "#/components/schemas/"
_JSON_SCHEMA = "https://json-schema.org/draft/2020-12/schema"

PUBLISHED: tuple[type[BaseModel], ...] = (Meta, BenchState, Data, Event, RunAnnouncement, Reply)
# channel: model, topic, quality of service, retained
_SENT: dict[str, tuple[type[BaseModel], str, int, bool]] = {
    "meta": (Meta, Topics("{bench}").meta, 1, True),
    "state": (BenchState, Topics("{bench}").state, 1, True),
    "data": (Data, Topics("{bench}").data("{group}"), 0, False),
    "event": (Event, Topics("{bench}").event, 1, False),
    "run": (RunAnnouncement, Topics("{bench}").run("{run}"), 1, False),
}
_PARAMETERS = {
    "bench": "The bench's name, as its file gives it.",
    "group": "A data group, as `meta` lists them.",
    "run": "A run's identifier.",
    "client": "The name that a client gives itself.",
}


def document() -> dict[str, Any]:
    """The whole document, from the models as they are now."""
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": TITLE,
            "version": VERSION,
            "description": ABOUT,
            "license": {"name": "Apache-2.0"},
        },
        "defaultContentType": JSON_TYPE,
        "servers": {"broker": _server()},
        "channels": _channels(),
        "operations": _operations(),
        "components": {
            "schemas": _shared_schemas(),
            "parameters": {name: _parameter(name) for name in _PARAMETERS},
        },
    }


def text() -> str:
    """The document as it is checked in: the same models give the same bytes."""
    return json.dumps(document(), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def checked_in() -> str:
    """The document that comes with this package."""
    return resources.files("benchd.outside").joinpath("asyncapi.json").read_text("utf-8")


def schemas() -> dict[str, dict[str, Any]]:
    """One whole JSON Schema (draft 2020-12) for each message, by its name: `state`, `command-load`."""
    models = {name: model for name, (model, *_) in _SENT.items()} | {"reply": Reply}
    models |= {f"command-{name}": MODELS[name] for name in CommandName}
    return {
        name: {"$schema": _JSON_SCHEMA, **_tidied(model.model_json_schema(mode="validation"))}
        for name, model in models.items()
    }


def _server() -> dict[str, Any]:
    return {
        "host": "{host}:{port}",
        "protocol": "mqtt",
        "protocolVersion": "5.0",
        "description": "The site's broker. MQTT 3.1.1 is enough to look, and to command without correlation data.",
        "variables": {
            "host": {"description": "Where the broker is.", "default": "localhost"},
            "port": {"description": "1883, or 8883 with TLS.", "default": "1883"},
        },
        "bindings": {
            "mqtt": {
                "cleanSession": True,
                "sessionExpiryInterval": 0,
                "lastWill": {
                    "topic": Topics("{bench}").state,
                    "qos": 1,
                    "retain": True,
                    "message": json.dumps(examples.sparse(examples.OFFLINE), ensure_ascii=False),
                },
                "bindingVersion": _BINDINGS,
            }
        },
    }


def _channels() -> dict[str, Any]:
    channels: dict[str, Any] = {}
    for name, (model, address, _, _) in _SENT.items():
        channels[name] = _channel(address, model, _message(model, examples.PUBLISHED[name]))
    for command in CommandName:
        model = MODELS[command]
        message = _message(model, examples.COMMANDS[command], description=COMMANDS[command])
        message["headers"] = _properties(asks=True)
        message["correlationId"] = _correlation()
        channels[f"command-{command}"] = _channel(
            Topics("{bench}").command(command), model, message, description=COMMANDS[command]
        )
    reply = _message(Reply, examples.PUBLISHED["reply"])
    reply["headers"] = _properties(asks=False)
    reply["correlationId"] = _correlation()
    channels["reply"] = _channel(Topics("{bench}").reply("{client}"), Reply, reply)
    return channels


def _channel(
    address: str, model: type[BaseModel], message: dict[str, Any], *, description: str | None = None
) -> dict[str, Any]:
    return {
        "address": address,
        "description": description or _said(model),
        "servers": [{"$ref": "#/servers/broker"}],
        "parameters": {
            name: {"$ref": f"#/components/parameters/{name}"} for name in _PARAMETERS if f"{{{name}}}" in address
        },
        "messages": {model.__name__: message},
    }


def _message(model: type[BaseModel], given: dict[str, BaseModel], *, description: str | None = None) -> dict[str, Any]:
    return {
        "name": model.__name__,
        "summary": (description or _said(model)).split(".", 1)[0] + ".",
        "contentType": JSON_TYPE,
        "payload": {"$ref": f"{_SCHEMAS}{model.__name__}"},
        "examples": [
            {"name": name.replace(" ", "-"), "summary": name, "payload": examples.sparse(one)}
            for name, one in given.items()
        ],
    }


def _operations() -> dict[str, Any]:
    operations: dict[str, Any] = {}
    for name, (model, _, quality, retained) in _SENT.items():
        operations[f"send-{name}"] = {
            "action": "send",
            "channel": {"$ref": f"#/channels/{name}"},
            "summary": _said(model).split("\n", 1)[0],
            "messages": [{"$ref": f"#/channels/{name}/messages/{model.__name__}"}],
            "bindings": {"mqtt": {"qos": quality, "retain": retained, "bindingVersion": _BINDINGS}},
        }
    for command in CommandName:
        channel = f"#/channels/command-{command}"
        operations[f"receive-{command}"] = {
            "action": "receive",
            "channel": {"$ref": channel},
            "summary": COMMANDS[command].split(".", 1)[0] + ".",
            "description": STOPS if command in FREE_STOPS else FENCE if command in FENCED else NO_FENCE,
            "messages": [{"$ref": f"{channel}/messages/{MODELS[command].__name__}"}],
            "bindings": {"mqtt": {"qos": 1, "retain": False, "bindingVersion": _BINDINGS}},
            "reply": {
                "address": {
                    "location": "$message.header#/responseTopic",
                    "description": "A reply topic of this bench; without one, that of the command's `client`.",
                },
                "channel": {"$ref": "#/channels/reply"},
                "messages": [{"$ref": "#/channels/reply/messages/Reply"}],
            },
        }
    return operations


def _properties(*, asks: bool) -> dict[str, Any]:
    """What MQTT 5 carries beside the payload."""
    correlation = {
        "type": "string",
        "contentEncoding": "base64",
        "description": "Correlation Data (MQTT 5, 3.3.2.3.6): comes back as it was sent. MQTT carries it as bytes.",
    }
    response = {
        "type": "string",
        "description": "Response Topic (MQTT 5, 3.3.2.3.5). Only a reply topic of this bench is answered on.",
    }
    return {
        "type": "object",
        "description": "Properties of the MQTT 5 message, not part of the JSON.",
        "properties": {"correlationData": correlation} | ({"responseTopic": response} if asks else {}),
    }


def _correlation() -> dict[str, Any]:
    return {
        "location": "$message.header#/correlationData",
        "description": "Tells whose question an answer belongs to; `id` in the payload tells it too.",
    }


def _parameter(name: str) -> dict[str, Any]:
    return {
        "description": f"{_PARAMETERS[name]} It matches ^{NAME_PATTERN}$.",
        "examples": [examples.PARAMETERS[name]],
    }


def _shared_schemas() -> dict[str, Any]:
    """Every model by its name, in the words that JSON Schema draft 7 and 2020-12 share (AsyncAPI's own dialect)."""
    models = {*PUBLISHED, *MODELS.values()}
    named = sorted(models, key=lambda model: model.__name__)
    _, made = models_json_schema([(model, "validation") for model in named], ref_template=_SCHEMAS + "{model}")
    definitions: dict[str, Any] = _tidied(made)["$defs"]
    return {name: _without_siblings(definitions[name]) for name in sorted(definitions)}


def _tidied(schema: dict[str, Any]) -> dict[str, Any]:
    """Without titles that only repeat a key, and with the limit that no schema can say."""
    tidy: dict[str, Any] = _walked(copy.deepcopy(schema))
    return tidy


def _walked(node: Any) -> Any:
    if isinstance(node, list):
        return [_walked(item) for item in node]
    if not isinstance(node, dict):
        return node
    kept = {key: value for key, value in node.items() if not (key == "title" and isinstance(value, str))}
    kept.pop("discriminator", None)  # AsyncAPI and pydantic spell it differently; `kind` is a constant in each choice
    return {key: value if key in {"default", "const", "enum"} else _walked(value) for key, value in kept.items()}


def _without_siblings(node: Any) -> Any:
    """Draft 7 reads nothing beside a `$ref`."""
    if isinstance(node, list):
        return [_without_siblings(item) for item in node]
    if not isinstance(node, dict):
        return node
    if "$ref" in node and len(node) > 1:
        rest = {key: _without_siblings(value) for key, value in node.items() if key != "$ref"}
        return {"allOf": [{"$ref": node["$ref"]}], **rest}
    return {key: _without_siblings(value) for key, value in node.items()}


def _said(model: type[BaseModel]) -> str:
    return (model.__doc__ or "").replace("\n    ", "\n").strip()


if __name__ == "__main__":
    sys.stdout.write(text())
