"""The demo's own pieces: what it starts, that a daemon which does not come up is told, what Ctrl-C does."""

import os
import shutil
import signal
import socket
import sys
import threading
import time
from pathlib import Path

import pytest
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from benchd.app import demo_broker as brokers
from benchd.app.demo import SCENARIOS, _run_to_its_end, client_command, daemon_command, device_options, running_daemon
from benchd.app.demo_broker import demo_broker
from benchd.app.discovery import Unavailable
from benchd.settings.places import settings_file

LISTENING = {"devices": {"supply": {"host": "127.0.0.1", "port": 40001}}}
WAITS = """
import signal, sys, time
told = []
signal.signal(signal.SIGTERM, lambda number, frame: told.append(number))
print('{"event": "ready"}', file=sys.stderr, flush=True)
while not told:
    time.sleep(0.01)
open(sys.argv[1], "w").write("stopped in order")
"""


@pytest.mark.parametrize("scenario", SCENARIOS.values(), ids=list(SCENARIOS))
def test_a_scenario_names_files_that_come_along_and_commands_that_anyone_could_type(scenario, tmp_path: Path) -> None:
    for folder, name in (
        ("benches", scenario.bench),
        ("programmes", scenario.programme),
        ("motors", scenario.motor),
        ("setups", scenario.setup),
    ):
        assert settings_file(folder, name).is_file()
    command = daemon_command(scenario, LISTENING, broker="127.0.0.1:1", data=tmp_path)
    assert command[:5] == [sys.executable, "-m", "benchd.app.command_line", "serve", scenario.bench]
    assert command[-4:] == device_options(LISTENING, scenario.bench)
    assert command[-4:] == ["--device", "supply.host=127.0.0.1", "--device", "supply.port=40001"]
    assert client_command(scenario)[:5] == ["benchctl", "run", scenario.programme, scenario.motor, scenario.setup]


@pytest.mark.wires
def test_the_daemon_is_told_to_end_when_the_demo_ends(tmp_path: Path) -> None:
    with running_daemon([sys.executable, "-c", WAITS, str(tmp_path / "told")]):
        assert not (tmp_path / "told").exists()
    assert (tmp_path / "told").read_text() == "stopped in order"


@pytest.mark.wires
def test_a_daemon_that_does_not_come_up_is_told_with_its_last_word() -> None:
    broken = "import sys; print('the bench is locked', file=sys.stderr); sys.exit(1)"
    with pytest.raises(Unavailable, match="the bench is locked"), running_daemon([sys.executable, "-c", broken]):
        pass


@pytest.mark.wires
def test_a_signal_for_the_demo_reaches_the_client_and_the_handlers_are_put_back(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    client = tmp_path / "client.py"
    client.write_text(
        "import signal, sys, time\n"
        "told = []\n"
        "signal.signal(signal.SIGTERM, lambda number, frame: told.append(number))\n"
        f"open({str(tmp_path / 'ready')!r}, 'w').close()\n"
        "while not told: time.sleep(0.01)\n"
        "sys.exit(4)\n"
    )
    monkeypatch.setattr(sys, "executable", str(tmp_path / "python"))
    (tmp_path / "python").write_text(f'#!/bin/sh\nexec "{shutil.which("python3")}" "{client}"\n')
    (tmp_path / "python").chmod(0o755)
    before = signal.getsignal(signal.SIGTERM)

    def tell() -> None:
        while not (tmp_path / "ready").exists():
            time.sleep(0.01)
        os.kill(os.getpid(), signal.SIGTERM)

    teller = threading.Thread(target=tell, daemon=True)
    teller.start()
    assert _run_to_its_end(["benchctl", "run"], broker="127.0.0.1:1") == 4
    teller.join()
    assert signal.getsignal(signal.SIGTERM) is before


def echoed(host: str, port: int) -> bytes:
    """What comes back over a broker that was asked for MQTT 5."""
    came: list[bytes] = []
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id="echo", protocol=paho.MQTTv5)
    client.on_message = lambda _, __, message: came.append(message.payload)
    client.on_connect = lambda client, *_: client.subscribe("echo", qos=1)
    client.on_subscribe = lambda client, *_: client.publish("echo", b"well?", qos=1)
    client.connect(host, port)
    client.loop_start()
    until_s = time.monotonic() + 10.0
    while not came and time.monotonic() < until_s:
        time.sleep(0.01)
    client.disconnect()
    client.loop_stop()
    return b"".join(came)


def takes_connections(host: str, port: int) -> bool:
    try:
        socket.create_connection((host, port), timeout=1.0).close()
    except OSError:
        return False
    return True


@pytest.mark.wires
@pytest.mark.parametrize("wheel", [False, True], ids=["mosquitto", "in a wheel"])
def test_the_demo_s_broker_speaks_mqtt_5_on_loopback_and_is_gone_afterwards(
    wheel: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    if wheel:
        monkeypatch.setattr(brokers, "mosquitto", lambda: None)
    elif brokers.mosquitto() is None:
        pytest.skip("mosquitto is not installed")
    with demo_broker() as (host, port):
        assert host == "127.0.0.1"
        assert echoed(host, port) == b"well?"
        elsewhere = {info[4][0] for info in socket.getaddrinfo(socket.gethostname(), port, socket.AF_INET)} - {host}
        for address in elsewhere:
            if not str(address).startswith("127."):
                assert not takes_connections(str(address), port)
    assert not takes_connections(host, port)


def test_without_any_broker_the_demo_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(brokers, "mosquitto", lambda: None)
    monkeypatch.setattr(brokers.importlib.util, "find_spec", lambda _: None)
    with pytest.raises(Unavailable, match="install the package mosquitto"), demo_broker():
        pass
