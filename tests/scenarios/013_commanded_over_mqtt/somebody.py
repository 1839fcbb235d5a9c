"""Somebody with a plain MQTT client, who asks the bench and keeps what it says. Not a test; nothing of ours speaks."""

import datetime as dt
import itertools
import json
import os
import threading
import time
from collections.abc import Callable
from typing import Any

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

WITHIN_S = 30.0
NUMBERS = itertools.count(1)


class Somebody:
    """A person or a tool at the broker. With `lasting` the broker keeps what comes while it is away."""

    def __init__(self, host: str, port: int, bench: str, name: str, *, lasting: bool = False) -> None:
        self.root = f"bench/v1/{bench}"
        self.name = name
        self.heard: list[tuple[str, dict[str, Any], bool]] = []
        self.news = threading.Condition()
        self.fence: int | None = None
        self._lasting = lasting
        self._client = paho.Client(CallbackAPIVersion.VERSION2, client_id=f"{name}-{os.getpid()}", protocol=paho.MQTTv5)
        self._client.on_connect = self._connected
        self._client.on_message = self._came
        self._client.reconnect_delay_set(1, 1)
        properties = Properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = 600 if lasting else 0
        self.there = threading.Event()
        self._client.connect(host, port, keepalive=5, clean_start=not lasting, properties=properties)
        self._client.loop_start()
        assert self.there.wait(WITHIN_S)

    def _connected(self, client: paho.Client, *_: object) -> None:
        client.subscribe(f"{self.root}/#", qos=1)
        self.there.set()

    def _came(self, _: object, __: object, message: paho.MQTTMessage) -> None:
        topic = message.topic.removeprefix(f"{self.root}/")
        if topic.startswith("command/"):
            return  # what people ask, which need not be JSON
        with self.news:
            self.heard.append((topic, json.loads(message.payload), message.retain))
            self.news.notify_all()

    def all(self, topic: str) -> list[dict[str, Any]]:
        """Every message so far on a topic, or below it where it ends with a slash."""
        return [
            message
            for place, message, _ in list(self.heard)
            if place == topic or (topic.endswith("/") and place.startswith(topic))
        ]

    def until(self, seen: Callable[[], Any], what: str, *, within_s: float = WITHIN_S) -> Any:
        """What `seen` found, as soon as it finds anything."""
        with self.news:
            found = self.news.wait_for(seen, within_s)
        assert found, f"{what} did not come: {self.heard[-3:]}"
        return found

    def until_state(self, state: str, *, within_s: float = WITHIN_S) -> None:
        """Until the bench says that it is in this state."""
        self.until(
            lambda: [one for one in self.all("state")[-1:] if one.get("state") == state], state, within_s=within_s
        )

    def publish(self, command: str, payload: bytes, *, retain: bool = False, **properties: object) -> None:
        """Any bytes on a command's topic."""
        given = Properties(PacketTypes.PUBLISH)
        for key, value in properties.items():
            setattr(given, key, value)
        self._client.publish(f"{self.root}/command/{command}", payload, qos=1, retain=retain, properties=given)

    def ask(self, command: str, arguments: dict[str, Any] | None = None, **fields: object) -> dict[str, Any]:
        """The last reply to a command."""
        id_ = f"{self.name}-{next(NUMBERS)}"
        message = {
            "id": id_,
            "client": self.name,
            "issued_at": dt.datetime.now(dt.UTC).isoformat(),
            "fence": self.fence,
            **({} if arguments is None else {"arguments": arguments}),
            **fields,
        }
        self.publish(command, json.dumps(message).encode())
        return self.until(lambda: self.last_of(str(message["id"])), f"an answer to {command}")

    def last_of(self, id_: str) -> dict[str, Any] | None:
        """The last stage of an answer, where it has come."""
        found = [
            reply
            for reply in self.all(f"reply/{self.name}")
            if reply["id"] == id_ and reply["stage"] in {"rejected", "done", "failed"}
        ]
        return found[-1] if found else None

    def take_control(self) -> None:
        """Take control for ten minutes."""
        reply = self.ask("control", {"lease_s": 600.0})
        assert reply["stage"] == "done", reply
        self.fence = reply["result"]["fence"]

    def does(self, *commands: str) -> None:
        """Commands one after the other, each done."""
        for command in commands:
            reply = self.ask(command)
            assert reply["stage"] == "done", reply

    def leave(self) -> None:
        """Hang up."""
        self._client.disconnect()
        self._client.loop_stop()
        time.sleep(0.0)
