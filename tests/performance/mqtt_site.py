"""A site with a long programme, and a plain client that is quick enough to measure with. Not a test."""

import datetime as dt
import itertools
import json
import shutil
import socket
import threading
import time
from pathlib import Path

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from benchd.settings.places import configs_directory

from ..scenarios.on_the_wire import without_sentry

BENCH = "greenhouse"
LONG = "long"
PROGRAMME = """
schema = 1
name = "long"

[[test]]
kind = "load"
supply_voltage_v = 24.0
torques_nm = [0.05, 0.10, 0.15]
torque_slope_nm_per_s = 0.1
settle_time_s = 60.0
average_time_s = 60.0
"""
WITHIN_S = 30.0
RATES = (("rate_hz = 20\nchannels", "rate_hz = 50\nchannels"), ("rate_hz = 2\nchannels", "rate_hz = 20\nchannels"))


def site(folder: Path) -> Path:
    """The shipped files with a long programme and full data rates; the bench file."""
    shutil.copytree(configs_directory(), folder)
    (folder / "programmes/long.toml").write_text(PROGRAMME)
    bench = folder / "benches/greenhouse.toml"
    text = without_sentry(bench.read_text())
    for old, new in RATES:
        assert old in text
        text = text.replace(old, new)
    bench.write_text(text)
    return bench


class Quick:
    """A client whose waits are the network's and the bench's alone."""

    def __init__(self, host: str, port: int, name: str = "quick", *, everything: bool = False) -> None:
        self.place = (host, port)
        self.heard: list[tuple[str, bytes]] = []
        self._name = name
        self._root = f"bench/v1/{BENCH}"
        self._numbers = itertools.count()
        self._fence: int | None = None
        self._last: dict[str, dict] = {}
        self._news = threading.Condition()
        there = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=paho.MQTTv5)
        filters = (
            [(f"{self._root}/#", 1)]
            if everything
            else [(f"{self._root}/reply/{name}", 1), (f"{self._root}/echo/{name}", 1)]
        )
        self._client.on_connect = lambda client, *_: client.subscribe(filters)
        self._client.on_subscribe = lambda *_: there.set()
        self._client.on_message = self._came
        self._client.on_socket_open = lambda _, __, sock: sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._client.reconnect_delay_set(1, 1)
        properties = Properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = 600
        self._client.connect(host, port, keepalive=60, clean_start=False, properties=properties)
        self._client.loop_start()
        assert there.wait(WITHIN_S)

    def watcher(self) -> "Quick":
        """One who hears everything, also what was said while the broker was away."""
        return Quick(*self.place, name="watcher", everything=True)

    def _came(self, _: object, __: object, message: paho.MQTTMessage) -> None:
        with self._news:
            if message.topic.startswith(f"{self._root}/reply/"):
                reply = json.loads(message.payload)
                if reply["stage"] in {"done", "rejected", "failed"}:
                    self._last[reply["id"]] = reply
            elif message.topic.startswith(f"{self._root}/echo/"):
                self._last[message.payload.decode()] = {}
            else:
                self.heard.append((message.topic, message.payload))
            self._news.notify_all()

    def _wait(self, id_: str) -> dict:
        with self._news:
            assert self._news.wait_for(lambda: id_ in self._last, WITHIN_S), id_
            return self._last.pop(id_)

    def ask(self, command: str, arguments: dict | None = None) -> dict:
        """The last reply."""
        id_ = f"q{next(self._numbers)}"
        message = {
            "id": id_,
            "client": self._name,
            "issued_at": dt.datetime.now(dt.UTC).isoformat(),
            "fence": self._fence,
            "arguments": arguments or {},
        }
        self.send(command, json.dumps(message).encode())
        return self._wait(id_)

    def send(self, command: str, payload: bytes) -> None:
        """Any bytes."""
        self._client.publish(f"{self._root}/command/{command}", payload, qos=1)

    def play(self, programme: str) -> None:
        """Take control and start a programme."""
        self._fence = self.ask("control", {"lease_s": 600.0})["result"]["fence"]
        choice = {"programme": programme, "motor": "vent_flap_24v", "setup": "vent_flap"}
        for command, arguments in (
            ("load", {**choice, "order": "1", "serial": "1", "operator": "Odile Brandvold"}),
            ("reset", None),
            ("start", None),
        ):
            reply = self.ask(command, arguments)
            assert reply["stage"] == "done", reply

    def timed_renewal_s(self) -> float:
        """From asking to keep control to the answer."""
        began_s = time.perf_counter()
        reply = self.ask("control", {"lease_s": 600.0})
        taken_s = time.perf_counter() - began_s
        assert reply["stage"] == "done", reply
        return taken_s

    def timed_echo_s(self) -> float:
        """The same way through the broker twice, with nobody in between."""
        id_ = f"e{next(self._numbers)}"
        began_s = time.perf_counter()
        self._client.publish(f"{self._root}/echo/{self._name}", id_.encode(), qos=1)
        self._wait(id_)
        return time.perf_counter() - began_s

    def stop(self) -> None:
        """Ask for a stop; nobody waits for it."""
        self.send("stop", json.dumps({"id": "end", "client": self._name, "issued_at": "2026-01-01T00:00:00Z"}).encode())

    def leave(self) -> None:
        """Hang up."""
        self._client.disconnect()
        self._client.loop_stop()
