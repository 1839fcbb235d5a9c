"""The process: `python -m benchd_rig`."""

import json
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from benchd_rig.__main__ import main

pytestmark = pytest.mark.wires

COMMAND = [sys.executable, "-m", "benchd_rig", "--specimen", "vent_flap_24v"]


@contextmanager
def running(*options: str) -> Iterator[tuple[subprocess.Popen[str], dict]]:
    with subprocess.Popen(
        [*COMMAND, *options],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            assert process.stdout is not None
            yield process, json.loads(process.stdout.readline())
        finally:
            process.kill()


def test_it_says_once_where_it_listens_serves_and_ends_on_sigterm():
    with running("--seed", "5") as (process, where):
        assert set(where) == {"devices", "control"}
        assert len(where["devices"]) == 8
        address = where["devices"]["supply"]
        with socket.create_connection((address["host"], address["port"]), timeout=10) as client:
            client.sendall(b"*OPC?\n")
            assert client.recv(10) == b"1\n"
        with socket.create_connection((where["control"]["host"], where["control"]["port"]), timeout=10) as client:
            client.sendall(b'{"do": "truth"}\n')
            assert json.loads(client.makefile().readline())["ok"]
        process.send_signal(signal.SIGTERM)
        out, err = process.communicate(timeout=20)
        assert (process.returncode, out, err) == (0, "", "")


def test_a_brushless_specimens_bench_says_where_its_converter_and_its_analyser_listen():
    with running("--specimen", "pump_48v") as (_, where):
        assert len(where["devices"]) == 10
        for device, model in (("power_analyser", "QP3"), ("resistance_meter", "QR2"), ("measuring_unit", "QM8")):
            address = where["devices"][device]
            with socket.create_connection((address["host"], address["port"]), timeout=10) as client:
                client.sendall(b"*IDN?\n")
                assert client.makefile().readline().startswith(f"Quillmoor Instruments,{model},")
        assert where["devices"]["motor_drive"]["port"]


def test_it_ends_when_its_parents_pipe_closes():
    with running("--until-stdin-closes") as (process, _):
        assert process.stdin is not None
        process.stdin.close()
        process.stdin = None
        assert process.wait(timeout=20) == 0


def test_it_takes_the_ports_it_is_given():
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    with running("--ports", json.dumps({"sink": port})) as (_, where):
        assert where["devices"]["sink"]["port"] == port


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--ports", "nonsense"], "is no JSON"),
        (["--ports", '{"kettle": 1}'], "no device 'kettle'"),
        (["--ports", '{"sink": "x"}'], "needs a port"),
        (["--ports", "[1]"], "JSON object"),
        (["--ports", '{"motor_drive": 0}'], "has no motor_drive"),
        (["--host", "0.0.0.0"], "loopback only"),  # noqa: S104
    ],
)
def test_wrong_use_is_one_sentence_and_status_2(options, says, capsys):
    assert main(["--specimen", "vent_flap_24v", *options]) == 2
    captured = capsys.readouterr()
    assert says in captured.err
    assert captured.err.count("\n") == 1
    assert captured.out == ""


def test_a_port_that_is_taken_is_one_sentence_and_status_2(capsys):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        ports = json.dumps({"supply": taken.getsockname()[1]})
        assert main(["--specimen", "vent_flap_24v", "--ports", ports]) == 2
    assert capsys.readouterr().err.count("\n") == 1
