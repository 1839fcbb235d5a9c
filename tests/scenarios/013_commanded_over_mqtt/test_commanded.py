"""The daemon on a simulated bench, commanded by plain clients through a real broker, in fair weather and foul."""

import contextlib
import shutil
import signal
import subprocess
import time
import urllib.request
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from benchd.app.demo import device_options
from benchd.settings.places import configs_directory
from tests.outside.mosquitto import Mosquitto, free_port, mosquitto, program
from tests.scenarios.on_the_wire import SHORT, TURNING, Control, Daemon, a_bench, at_rest, quick_bench

from .somebody import Somebody

pytestmark = pytest.mark.wires

BENCH = "greenhouse"
CHOICE = {
    "motor": "vent_flap_24v",
    "setup": "vent_flap",
    "order": "17",
    "serial": "0042",
    "operator": "Odile Brandvold",
}
LASTING = "persistence true\nautosave_interval 1\nautosave_on_changes true\npersistence_location {}/\n"


@dataclass
class Scene:
    """Everything that stands on the stage."""

    broker: Mosquitto
    daemon: Daemon
    bench: Control
    people: list[Somebody]

    def somebody(self, name: str, *, lasting: bool = False) -> Somebody:
        one = Somebody(self.broker.host, self.broker.port, BENCH, name, lasting=lasting)
        self.people.append(one)
        return one


def site(folder: Path) -> Path:
    """The folders of a site with two short programmes; its bench file."""
    for name in ("motors", "setups", "programmes"):
        shutil.copytree(configs_directory() / name, folder / name)
    (folder / "programmes/short.toml").write_text(SHORT)
    (folder / "programmes/turning.toml").write_text(TURNING)
    (folder / "benches").mkdir()
    return quick_bench(folder / "benches")


def arguments(bench: Path, listening: Mapping[str, Any], broker: Mosquitto, data: Path) -> list[str]:
    return [
        *(str(bench), "--data", str(data), "--broker", f"{broker.host}:{broker.port}"),
        *device_options(listening, bench),
    ]


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[Scene]:
    with contextlib.ExitStack() as stack:
        broker = stack.enter_context(mosquitto(tmp_path, extra=LASTING.format(tmp_path)))
        listening, control = stack.enter_context(a_bench())
        bench = site(tmp_path / "site")
        bench.write_text(f"{bench.read_text()}\n[metrics]\nport = {free_port()}\n")
        daemon = Daemon(arguments(bench, listening, broker, tmp_path / "data"), runtime=tmp_path)
        stack.callback(daemon.close)
        people: list[Somebody] = []
        stack.callback(lambda: [one.leave() for one in people])
        daemon.until("ready")
        daemon.until("broker", up=True)
        yield Scene(broker, daemon, control, people)


def events_of(one: Somebody) -> list[str]:
    return [event["id"] for event in one.all("event")]


def test_a_run_is_commanded_followed_and_decided_and_a_second_person_only_looks(scene: Scene) -> None:
    ines, otto = scene.somebody("ines"), scene.somebody("otto")
    ines.until_state("Stopped")
    ines.take_control()
    assert {"short", "turning"} <= {one["name"] for one in ines.ask("programmes")["result"]["programmes"]}
    fits = ines.ask("load", {**CHOICE, "programme": "short"})
    assert fits["stage"] == "done", fits
    assert otto.ask("start")["code"] == "control_held"
    assert otto.ask("control")["code"] == "control_held"
    ines.does("reset", "start")
    otto.until_state("Complete", within_s=60.0)
    told = otto.until(
        lambda: [one for one in otto.all("run/") if one["phase"] not in {"started", "ended"}], "results", within_s=60.0
    )
    started, ended, evaluated = otto.all("run/")
    assert (started["phase"], ended["phase"], told[0]["phase"]) == ("started", "ended", "evaluated"), told
    assert ended["ending"] == "complete"
    assert Path(evaluated["report"]).read_bytes().startswith(b"%PDF")
    assert {one["quantity"] for one in evaluated["results"]} >= {"load.torque_constant", "no_load.no_load_speed"}
    states = [event["fields"]["after"] for event in otto.all("event") if event["event"] == "state"]
    assert states == ["Resetting", "Idle", "Starting", "Execute", "Completing", "Complete"]
    assert len(set(events_of(otto))) == len(events_of(otto))
    speeds = [frame["values"]["shaft_speed"] for frame in otto.all("data/shaft")]
    assert max(speeds) > 500.0
    scene.daemon.tell(signal.SIGTERM)
    otto.until(lambda: not otto.all("state")[-1]["online"], "offline")
    assert scene.daemon.end()[0] == 0


def test_anybody_may_stop_and_a_stop_needs_no_clock(scene: Scene) -> None:
    ines, otto = scene.somebody("ines"), scene.somebody("otto")
    ines.take_control()
    ines.ask("load", {**CHOICE, "programme": "turning"})
    ines.does("reset", "start")
    scene.bench.until(lambda truth: abs(truth["motor_speed_rpm"]) > 300.0)
    assert otto.ask("stop", issued_at="2001-01-01T00:00:00Z")["state"] == "Stopped"
    assert at_rest(scene.bench.truth())


def test_a_broker_that_is_killed_in_a_run_costs_neither_the_run_nor_an_event(scene: Scene) -> None:
    ines, otto = scene.somebody("ines"), scene.somebody("otto", lasting=True)
    ines.take_control()
    ines.ask("load", {**CHOICE, "programme": "short"})
    ines.does("reset", "start")
    time.sleep(1.0)  # the broker saves otto's subscription
    scene.broker.kill()
    scene.daemon.until("broker", up=False)
    scene.daemon.until("state", after="Complete")
    scene.daemon.until("evaluated")
    scene.broker.start()
    told = otto.until(
        lambda: [one for one in otto.all("run/") if one["phase"] == "evaluated"], "results after the outage"
    )
    assert len({one["id"] for one in otto.all("run/")}) == 3, told
    numbers = [int(id_.rpartition("-")[2]) for id_ in dict.fromkeys(events_of(otto))]
    assert numbers == sorted(numbers)  # in order, whoever counts by id counts each once
    announced = {int(one["id"].rpartition("-")[2]) for one in otto.all("run/")}
    first = numbers[0]
    assert set(range(first, max(*numbers, *announced) + 1)) == set(numbers) | {one for one in announced if one >= first}
    told_twice = [True, False, True]  # down once and back once; the log is written a moment after
    otto.until(lambda: [event["up"] for event in scene.daemon.seen("broker")] == told_twice, "that the broker is back")
    assert otto.all("state")[-1]["state"] == "Complete"


def test_a_daemon_that_is_killed_is_said_to_be_offline_by_the_broker(scene: Scene) -> None:
    otto = scene.somebody("otto")
    otto.until_state("Stopped")
    scene.daemon.tell(signal.SIGKILL)
    otto.until(lambda: not otto.all("state")[-1]["online"], "offline", within_s=20.0)


def test_prometheus_is_told_what_the_bench_does_in_words_that_promtool_accepts(scene: Scene) -> None:
    ines = scene.somebody("ines")
    ines.take_control()
    ines.ask("load", {**CHOICE, "programme": "turning"})
    ines.does("reset", "start")
    scene.bench.until(lambda truth: abs(truth["motor_speed_rpm"]) > 300.0)
    ines.publish("reset", b"{")
    ines.ask("hold", fence=None)  # refused, and answered only after what was asked before
    port = scene.daemon.until("metrics")["port"]
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=10.0) as answer:
        text = answer.read().decode()
    values = dict(line.rsplit(" ", 1) for line in text.splitlines() if not line.startswith("#"))
    assert float(values['benchd_state{state="Execute"}']) == 1.0
    assert float(values["benchd_permit"]) == 1.0
    assert float(values["benchd_ticks_done_total"]) > 100.0
    assert float(values['benchd_commands_refused_total{code="malformed"}']) == 1.0
    assert float(values['benchd_channel_radians_per_second{channel="shaft_speed"}']) > 10.0
    checked = subprocess.run(
        [program("promtool"), "check", "metrics"], input=text, capture_output=True, text=True, check=False
    )
    assert (checked.returncode, checked.stderr) == (0, "")


def test_what_is_no_command_is_refused_and_changes_nothing(scene: Scene) -> None:
    ines = scene.somebody("ines")
    ines.until_state("Stopped")
    ines.take_control()
    for given in (b"{", b'{"client": "ines", "id": "w2"}', b"x" * 20_000):
        ines.publish("reset", given, ResponseTopic=f"{ines.root}/reply/ines", CorrelationData=b"7")
    wanted = ["malformed", "malformed", "oversized"]
    ines.until(lambda: [one["code"] for one in ines.all("reply/ines")][-3:] == wanted, "three refusals")
    assert ines.ask("resett")["code"] == "unknown_command"
    assert ines.ask("reset", issued_at="2001-01-01T00:00:00Z")["code"] == "late"
    assert ines.ask("reset", issued_at="2999-01-01T00:00:00Z")["code"] == "future"
    ines.publish("stop", b"{}", retain=True, ResponseTopic=f"{ines.root}/reply/ines")
    ines.until(lambda: [r for r in ines.all("reply/ines") if r["code"] == "retained"], "the refusal of a retained stop")
    assert {state["state"] for state in ines.all("state")} == {"Stopped"}
    assert scene.daemon.seen("state") == []
