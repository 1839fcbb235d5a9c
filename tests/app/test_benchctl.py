"""The client's command line over a real broker: what it prints and asks, and the exit status that tells the outcome.

The bench behind the broker is the one of the client's tests: the daemon's own gate, lease and states.
"""

import asyncio
import json
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from benchd.app import run_followed
from benchd.app.benchctl import main
from benchd.outside.messages import BenchState
from benchd.rules.states import State

from ..outside.answering_bench import AnsweringBench
from ..outside.mosquitto import Mosquitto, mosquitto
from .conftest import Said, Typed

pytestmark = pytest.mark.wires
RUN = ("run", "shortest", "pump_48v", "pump", "--order", "12", "--serial", "N 3", "--operator", "Ines")
WITHIN_S = 10.0


@pytest.fixture
def broker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Mosquitto]:
    with mosquitto(tmp_path) as one:
        monkeypatch.setenv("BENCHCTL_BROKER", f"{one.host}:{one.port}")
        monkeypatch.setenv("BENCHCTL_BENCH", "vineyard")
        yield one


@pytest.fixture
def bench(broker: Mosquitto) -> Iterator[AnsweringBench]:
    with AnsweringBench(broker.port).in_a_thread() as one:
        yield one


@pytest.fixture
def typed(capsys: pytest.CaptureFixture[str]) -> Typed:
    """What `benchctl` does with these arguments."""

    def run(*arguments: str) -> Said:
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main(list(arguments))
        said = capsys.readouterr()
        return Said(int(ended.value.code or 0), said.out, said.err)

    return run


def beside(job: Callable[[], None]) -> threading.Thread:
    thread = threading.Thread(target=job)
    thread.start()
    return thread


def until(holds: Callable[[], object]) -> None:
    end_s = time.monotonic() + WITHIN_S
    while not holds():
        assert time.monotonic() < end_s
        time.sleep(0.01)


def records(said: Said) -> list[dict[str, Any]]:
    return [json.loads(line) for line in said.out.splitlines()]


def test_status_tells_how_the_bench_is(typed, bench) -> None:
    bench.permit, bench.cause = False, "Overspeed."
    bench.do(bench.say())
    said = typed("status")
    assert (said.status, said.err) == (0, "")
    for words in ("vineyard", "Stopped", "withheld. The guard is open", "nobody", "Overspeed."):
        assert words in said.out
    told = json.loads(typed("status", "--json").out)
    assert told["bench"] == "vineyard"
    BenchState.model_validate(told)


def test_programmes_and_check_print_what_the_daemon_answers(typed, bench) -> None:
    assert "pump_48v  vineyard pump, 48 V" in typed("programmes").out
    said = typed("check", "shortest", "pump_48v", "pump")
    assert said.status == 0
    for words in (
        "no-load test",
        "3000",
        "above 4000 r/min",
        "bench.toml:12",
        "Warning: A sensor is due.",
        "about 9 s",
    ):
        assert words in said.out
    assert json.loads(typed("check", "shortest", "pump_48v", "pump", "--json").out)["result"]["kind"] == "fits"


def test_a_question_that_is_refused_is_status_1_and_the_daemons_sentence(typed, bench) -> None:
    said = typed("check", "nosuch", "pump_48v", "pump")
    assert (said.status, said.sentence) == (1, "There is no programme nosuch.")


def test_reset_takes_control_for_the_moment_and_gives_it_back(typed, bench) -> None:
    said = typed("reset", "--name", "ines")
    assert (said.status, said.out) == (0, "vineyard: Idle\n")
    assert [(name, command["client"]) for name, command in bench.heard] == [
        ("control", "ines"),
        ("reset", "ines"),
        ("release", "ines"),
    ]
    assert json.loads(typed("stop", "--json").out)["state"] == "Stopped"


def test_what_means_nothing_now_is_status_1(typed, bench) -> None:
    said = typed("unhold")
    assert said.status == 1
    assert said.sentence == "Unhold is not possible in Stopped; possible commands now: Reset, Abort."


def test_while_another_commands_only_stop_and_abort_are_open(typed, bench) -> None:
    now_s = asyncio.run_coroutine_threadsafe(_time(), bench.loop).result()
    bench.lease.take("odile", fence=None, lease_s=60.0, now_mono_s=now_s)
    bench.state = State.IDLE
    said = typed("start")
    assert said.status == 1
    assert said.sentence.startswith("odile holds control for another")
    assert typed("status").status == 0
    assert typed("stop").status == 0
    assert typed("abort").status == 0


async def _time() -> float:
    return asyncio.get_running_loop().time()


@pytest.mark.parametrize(
    ("decision", "status"), [("accepted", 0), ("none", 0), ("rejected", 4), ("undecided", 5), (None, 1)]
)
def test_the_exit_status_of_a_run_tells_the_decision(typed, bench, decision: str | None, status: int) -> None:
    bench.decision = decision
    said = typed(*RUN)
    assert said.status == status
    assert "no-load test" in said.out
    assert "Complete" in said.out
    if decision is None:
        assert said.sentence == "The folder cannot be evaluated: its file is torn."
    else:
        assert said.err == ""
        assert "3012.5" in said.out
        assert "/data/report.pdf" in said.out
    assert bench.heard[-1][0] == "release"


def test_a_run_in_json_lines_ends_with_its_outcome(typed, bench) -> None:
    bench.decision = "rejected"
    said = typed(*RUN, "--json")
    told = records(said)
    assert {one["kind"] for one in told} >= {"reply", "state", "event", "run", "outcome"}
    assert told[-1]["status"] == said.status == 4
    assert [one["phase"] for one in told if one["kind"] == "run"] == ["started", "ended", "evaluated"]


def test_a_run_that_trips_is_status_3_with_the_cause(typed, bench) -> None:
    bench.run_s = 60.0
    tripping = beside(lambda: (until(lambda: bench.progress), bench.do(bench.trip("Overspeed: 4100 r/min.")))[0])
    said = typed(*RUN)
    tripping.join()
    assert said.status == 3
    assert said.sentence == "The run was aborted: Overspeed: 4100 r/min."
    assert "Tripped: Overspeed: 4100 r/min." in said.out


def test_a_run_that_the_daemon_refuses_is_status_1_and_nothing_starts(typed, bench) -> None:
    said = typed(*(word.replace("shortest", "nosuch") for word in RUN))
    assert (said.status, said.sentence) == (1, "There is no programme nosuch.")
    assert [name for name, _ in bench.heard] == ["control", "load", "release"]


def test_a_run_waits_for_the_safety_chain_and_says_why(typed, bench) -> None:
    bench.permit = False
    bench.do(bench.say())

    def reset_the_chain() -> None:
        until(lambda: any(name == "load" for name, _ in bench.heard))
        time.sleep(0.3)
        assert not any(name == "reset" for name, _ in bench.heard)
        bench.permit = True
        bench.do(bench.say())

    resetting = beside(reset_the_chain)
    said = typed(*RUN)
    resetting.join()
    assert said.status == 0
    assert said.sentence == "Waiting for the safety chain: The guard is open: close it and reset the chain."


def test_a_chain_that_stays_open_ends_the_waiting(typed, bench, monkeypatch) -> None:
    monkeypatch.setattr(run_followed, "CHAIN_WITHIN_S", 0.3)
    bench.permit = False
    bench.do(bench.say())
    said = typed(*RUN)
    assert said.status == 1
    assert "gave no permit within" in said.err.splitlines()[-1]
    assert not any(name in {"reset", "start"} for name, _ in bench.heard)


def test_the_first_interrupt_asks_for_a_stop(typed, bench) -> None:
    bench.run_s = 60.0
    interrupting = beside(lambda: (until(lambda: bench.progress), os.kill(os.getpid(), signal.SIGINT))[0])
    said = typed(*RUN)
    interrupting.join()
    assert said.status == 1
    assert said.err.splitlines() == [
        "Asking the bench to stop; Ctrl-C again aborts.",
        "The run was stopped: Stop was asked for.",
    ]
    assert [name for name, _ in bench.heard][-2:] == ["stop", "release"]


def test_the_second_interrupt_asks_for_an_abort(typed, bench) -> None:
    bench.run_s = 60.0

    def interrupt() -> None:
        until(lambda: bench.progress)
        bench.answers = False  # the stop hangs
        os.kill(os.getpid(), signal.SIGINT)
        until(lambda: bench.heard[-1][0] == "stop")
        bench.answers = True
        os.kill(os.getpid(), signal.SIGINT)

    interrupting = beside(interrupt)
    said = typed(*RUN)
    interrupting.join()
    assert said.status == 3
    assert [name for name, _ in bench.heard][-3:] == ["stop", "abort", "release"]


def test_an_interrupt_before_anything_moves_leaves_and_gives_control_back(typed, bench) -> None:
    bench.permit = False
    bench.do(bench.say())
    interrupting = beside(
        lambda: (until(lambda: any(one == "load" for one, _ in bench.heard)), time.sleep(0.2), os.kill(os.getpid(), 2))[
            0
        ]
    )
    said = typed(*RUN)
    interrupting.join()
    assert said.status == 1
    assert "Left at your wish." in said.err
    assert [name for name, _ in bench.heard] == ["control", "load", "release"]


def test_a_broker_that_goes_away_and_comes_back_in_a_run_is_told_once_each(typed, broker) -> None:
    first = AnsweringBench(broker.port, run_s=60.0)
    second = AnsweringBench(broker.port, session=first.session)

    def break_and_mend() -> None:
        with first.in_a_thread():
            until(lambda: first.progress)
        # the daemon outlives its broker; here the same session speaks again where it stopped
        broker.kill()
        time.sleep(0.3)
        broker.start()
        second.brief, second.state = first.brief, State.COMPLETE
        with second.in_a_thread():
            time.sleep(1.0)
            second.do(second._ended("complete", ""))
            until(lambda: done)

    done: list[bool] = []
    breaking = beside(break_and_mend)
    until(lambda: hasattr(first, "loop"))
    said = typed(*RUN)
    done.append(True)
    breaking.join()
    assert said.status == 0, said.err
    told = said.err.splitlines()
    assert sum("does not answer any more" in one for one in told) == 1, told
    assert sum("answers again" in one for one in told) == 1, told


def test_a_daemon_that_is_started_anew_in_a_run_ends_the_waiting(typed, broker, monkeypatch) -> None:
    monkeypatch.setattr(run_followed, "GONE_FOR_GOOD_S", 0.5)
    first = AnsweringBench(broker.port, run_s=60.0)
    done: list[bool] = []

    def die_and_come_back() -> None:
        with first.in_a_thread():
            until(lambda: first.progress)
        with AnsweringBench(broker.port).in_a_thread():
            until(lambda: done)

    dying = beside(die_and_come_back)
    until(lambda: hasattr(first, "loop"))
    said = typed(*RUN)
    done.append(True)
    dying.join()
    assert said.status == 69
    told = said.err.splitlines()
    assert told[0] == "The daemon of vineyard left the broker; waiting for it to come back."
    assert told[1] == "The daemon of vineyard was started anew: this run ended with it."
    assert told[-1] == "What became of the run is not known here: look for its folder on vineyard."


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("nosuch",), "No such command 'nosuch': see benchctl --help."),
        (("check", "one"), "Missing argument 'MOTOR': see benchctl check --help."),
        (("run", "a", "b", "c"), "see benchctl run --help."),
        (("status", "--broker", "host:port"), "--broker host:port is not HOST or HOST:PORT"),
        (("status", "--broker", "host:99999"), "is not HOST or HOST:PORT"),
        (("status", "--password-file", "/nowhere/at/all"), "cannot be read (No such file or directory)"),
        (("status", "--bench", "a/b"), "'a/b' cannot be the name of a bench"),
        (("live", "--svg", "x.svg"), "--svg draws one moment: give --once too."),
        (("check", "../secret", "m", "s"), "programme '../secret' is nothing that check takes"),
        (
            ("run", "p", "m", "s", "--order", " ", "--serial", "1", "--operator", "I"),
            "order ' ' is nothing that load takes",
        ),
    ],
)
def test_wrong_use_is_status_2_and_one_sentence(typed, bench, arguments: tuple[str, ...], sentence: str) -> None:
    said = typed(*arguments)
    assert said.status == 2
    assert sentence in said.sentence
    assert not any(name == "load" for name, _ in bench.heard)


def test_an_unknown_bench_is_status_69(typed, broker) -> None:
    said = typed("status", "--bench", "orchard")
    assert said.status == 69
    assert said.sentence == "Nobody answers on bench/v1/orchard: is the daemon running and the name right?"


def test_no_broker_is_status_69(typed, broker) -> None:
    broker.stop()
    said = typed("stop")
    assert said.status == 69
    assert said.sentence.startswith("No MQTT broker answers at 127.0.0.1:")


def test_a_state_of_another_version_is_status_69_and_says_so(typed, bench) -> None:
    bench.do(bench.mqtt.publish("bench/v1/orchard/state", "{}", qos=1, retain=True))
    said = typed("status", "--bench", "orchard")
    assert said.status == 69
    assert "another version of the interface" in said.sentence


def test_live_once_prints_what_is_to_be_seen_and_draws_it(typed, bench, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("LINES", "24")
    said = typed("live", "--once")
    assert said.status == 0
    for words in ("vineyard", "STOPPED", "shaft_torque", "25 % to 5 ramp down", "MISSING"):
        assert words in said.out
    assert max(map(len, said.out.splitlines())) <= 80
    said = typed("live", "--once", "--svg", str(tmp_path / "live.svg"))
    assert said.out.strip() == str(tmp_path / "live.svg")
    assert (tmp_path / "live.svg").read_text(encoding="utf-8").startswith("<svg")
    said = typed("live", "--once", "--svg", str(tmp_path / "nowhere/live.svg"))
    assert said.status == 1
    assert "cannot be written (No such file or directory)" in said.sentence


@pytest.mark.parametrize("form", [(), ("--json",)])
def test_live_into_a_pipe_prints_until_it_is_told_to_end(typed, bench, form: tuple[str, ...]) -> None:
    def interrupt() -> None:
        time.sleep(1.5)
        os.kill(os.getpid(), signal.SIGINT)

    interrupting = beside(interrupt)
    said = typed("live", *form)
    interrupting.join()
    assert said.status == 0
    if form:
        assert {one["kind"] for one in records(said)} >= {"state", "meta", "data"}
    else:
        assert 1 <= len(said.out.splitlines()) <= 3
        assert "Stopped; permit given" in said.out
    assert bench.heard == []
