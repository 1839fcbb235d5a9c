"""The page on commanding, done as it says with the real daemon: one run that is stopped and one that is decided."""

import contextlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.outside.mosquitto import mosquitto
from tests.outside.the_page import Newcomer, until_it_is
from tests.scenarios.on_the_wire import Daemon, a_bench, at_rest

from .test_commanded import BENCH, CHOICE, arguments, site

pytestmark = pytest.mark.wires


@pytest.fixture
def newcomer(tmp_path: Path) -> Iterator[Newcomer]:
    with contextlib.ExitStack() as stack:
        broker = stack.enter_context(mosquitto(tmp_path))
        listening, bench = stack.enter_context(a_bench())
        daemon = Daemon(arguments(site(tmp_path / "site"), listening, broker, tmp_path / "data"), runtime=tmp_path)
        stack.callback(daemon.close)
        daemon.until("ready")
        daemon.until("broker", up=True)
        reader = Newcomer(
            {
                "PORT=1883": f"PORT={broker.port}",
                '"localhost", 1883': f'"localhost", {broker.port}',
                "vineyard": BENCH,
                "pump_acceptance": "short",
                "pump_48v": CHOICE["motor"],
                '"pump"': f'"{CHOICE["setup"]}"',
            }
        )
        stack.callback(reader.leave)
        yield reader
        assert at_rest(bench.truth())


def test_a_newcomer_starts_a_run_from_a_shell_and_stops_it(newcomer: Newcomer) -> None:
    newcomer.does_next("programmes")
    assert {"short", "turning"} <= {one["name"] for one in newcomer.answered("programmes")["result"]["programmes"]}
    newcomer.says_the_number(newcomer.answered("control")["result"]["fence"])
    for command in ("load", "reset", "start", "control", "stop", "release"):
        newcomer.does_next(f"ask {command}")
        reply = newcomer.answered(command)
        assert (reply["stage"], reply["code"]) == ("done", "ok"), reply
        if command == "start":
            assert newcomer.see()["run"]["operator"] == "Ines Halvorsen-Ruud"
    until_it_is(newcomer, "Stopped")
    assert newcomer.finished


def test_a_newcomer_has_a_run_decided_from_python(newcomer: Newcomer) -> None:
    *asked, decided = newcomer.python()
    assert [line.split()[:2] for line in asked] == [[name, "done"] for name in ("control", "load", "reset", "start")]
    assert decided.startswith("evaluated ")
    until_it_is(newcomer, "Complete")
