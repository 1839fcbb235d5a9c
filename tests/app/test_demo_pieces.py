"""The demo's own pieces: what it starts, that a daemon which does not come up is told, what Ctrl-C does."""

import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import pytest
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from benchd.app import demo
from benchd.app import demo_broker as brokers
from benchd.app.demo import (
    SCENARIOS,
    _run_to_its_end,
    client_command,
    daemon_command,
    device_options,
    running,
    sentry_command,
)
from benchd.app.demo_broker import demo_broker
from benchd.app.discovery import Unavailable
from benchd.sentry.shared import born
from benchd.settings.places import settings_file

AUTOGROUP = Path("/proc/sys/kernel/sched_autogroup_enabled")
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


def daemon(command: list[str], runtime: Path):
    return running("daemon", command, ready='"event": "ready"', runtime=str(runtime))


@dataclass(frozen=True)
class Lasting:
    """A daemon's process that goes on, or has ended."""

    ended: str = ""


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
    sentry = sentry_command(scenario, LISTENING)
    assert sentry[3:5] == ["sentry", scenario.bench]
    assert sentry[-4:] == command[-4:]
    assert client_command(scenario)[:5] == ["benchctl", "run", scenario.programme, scenario.motor, scenario.setup]


@pytest.mark.wires
def test_the_daemon_is_told_to_end_when_the_demo_ends(tmp_path: Path) -> None:
    with daemon([sys.executable, "-c", WAITS, str(tmp_path / "told")], tmp_path):
        assert not (tmp_path / "told").exists()
    assert (tmp_path / "told").read_text() == "stopped in order"


@pytest.mark.wires
def test_a_daemon_that_does_not_come_up_is_told_with_its_last_word(tmp_path: Path) -> None:
    broken = "import sys; print('the bench is locked', file=sys.stderr); sys.exit(1)"
    with pytest.raises(Unavailable, match="daemon did not come up: the bench is locked"):  # noqa: SIM117
        with daemon([sys.executable, "-c", broken], tmp_path):
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
    assert _run_to_its_end(["benchctl", "run"], Lasting(), broker="127.0.0.1:1") == 4
    teller.join()
    assert signal.getsignal(signal.SIGTERM) is before


@pytest.mark.wires
def test_a_daemon_that_dies_is_not_waited_for(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys) -> None:
    monkeypatch.setattr(sys, "executable", str(tmp_path / "python"))
    monkeypatch.setattr(demo, "LAST_WORDS_S", 0.2)
    (tmp_path / "python").write_text("#!/bin/sh\nexec sleep 60\n")
    (tmp_path / "python").chmod(0o755)
    dead = Lasting(ended="The demo's daemon ended (status -9): its last word")
    assert _run_to_its_end(["benchctl", "run"], dead, broker="127.0.0.1:1") == 1
    assert capsys.readouterr().err == f"{dead.ended}\n"


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may go before others")
def test_a_process_of_the_demo_goes_before_other_sessions_and_not_only_within_its_own() -> None:
    with subprocess.Popen(["sleep", "60"], start_new_session=True) as one:
        demo.first_in_line(one.pid)
        assert os.getpriority(os.PRIO_PROCESS, one.pid) == demo.PRIORITY
        if AUTOGROUP.exists() and AUTOGROUP.read_text().strip() == "1":
            assert Path(f"/proc/{one.pid}/autogroup").read_text().split()[-1] == str(demo.PRIORITY)
        one.kill()


STARTS = """
import subprocess, sys, time
from benchd.app.tied import tied
sleeps = "import time; print('up', flush=True); time.sleep(60)"
child = subprocess.Popen(tied([sys.executable, "-c", sleeps]), stdout=subprocess.PIPE)
child.stdout.readline()
print(child.pid, flush=True)
time.sleep(60)
"""


@pytest.mark.wires
def test_what_the_demo_started_does_not_outlive_one_that_is_killed() -> None:
    with subprocess.Popen([sys.executable, "-c", STARTS], stdout=subprocess.PIPE) as parent:
        assert parent.stdout is not None
        child = int(parent.stdout.readline())
        assert Path(f"/proc/{child}").exists()
        parent.kill()
        until_s = time.monotonic() + 10.0
        while born(child):
            assert time.monotonic() < until_s, "an orphan is left"
            time.sleep(0.01)


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
