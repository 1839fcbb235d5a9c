"""What Prometheus is told: base units, its naming rules, nothing that is not known, and never at the loop's cost."""

import asyncio
import http.client
import math
import shutil
import socket
import struct
import subprocess
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any

import pytest
from prometheus_client import generate_latest
from prometheus_client.parser import text_string_to_metric_families

from benchd.outside import metrics
from benchd.outside.metrics import ChannelFigures, DeviceFigures, Figures, Metrics, serve_metrics

FIGURES = Figures(
    version="0.2.0",
    bench="vineyard",
    state="Execute",
    states=("Stopped", "Idle", "Execute"),
    permit=True,
    ticks_done=1200,
    ticks_missed=3,
    devices=(
        DeviceFigures(name="supply", up=True, reconnections=2, lost=1, calls=900, calls_late=4, calls_wrong=5),
        DeviceFigures(name="sink", up=False),
    ),
    channels=(
        ChannelFigures(name="shaft_speed", unit="r/min", value=3000.0, age_s=0.004),
        ChannelFigures(name="shaft_torque", unit="N·m", value=-1.25, age_s=0.002),
        ChannelFigures(name="winding_temperature", unit="°C", value=82.5, age_s=0.3),
        ChannelFigures(name="housing_temperature", unit="°C", value=None, age_s=math.inf),
        ChannelFigures(name="power_factor", unit="1", value=0.9, age_s=None),
        ChannelFigures(name="dc_voltage", unit="V", value=math.nan, age_s=2.0),
        ChannelFigures(name="dc_current", unit="A", value=8.5, age_s=0.01),
        ChannelFigures(name="motor_power", unit="W", value=400.0, age_s=0.01),
        ChannelFigures(name="motor_apparent_power", unit="VA", value=440.0, age_s=0.01),
        ChannelFigures(name="motor_frequency", unit="Hz", value=200.0, age_s=0.01),
        ChannelFigures(name="winding_resistance", unit="Ω", value=0.25, age_s=0.01),
        ChannelFigures(name="oil_pressure", unit="bar", value=2.5, age_s=0.01),
    ),
    limits_crossed={("shaft_speed", "warn"): 7},
    commands_admitted=40,
    commands_repeated=2,
    commands_refused={"malformed": 9},
    broker_connected=False,
    messages_sent={"data": 5000, "reply": 41},
    messages_dropped={"data": 6},
    messages_spooled=12,
    runs={"complete": 8},
    data_queue_rows=17,
    log_lines_dropped=1,
)
# by hand from the figures above; 3000 r/min are 100 π rad/s
EXPECTED = {
    'benchd_build_info{bench="vineyard",version="0.2.0"}': 1,
    'benchd_state{state="Execute"}': 1,
    'benchd_state{state="Idle"}': 0,
    "benchd_permit{}": 1,
    "benchd_ticks_done_total{}": 1200,
    "benchd_ticks_missed_total{}": 3,
    'benchd_device_up{device="supply"}': 1,
    'benchd_device_up{device="sink"}': 0,
    'benchd_device_reconnections_total{device="supply"}': 2,
    'benchd_device_losses_total{device="supply"}': 1,
    'benchd_device_calls_total{device="supply"}': 900,
    'benchd_device_calls_late_total{device="supply"}': 4,
    'benchd_device_calls_wrong_total{device="supply"}': 5,
    'benchd_channel_radians_per_second{channel="shaft_speed"}': 100 * math.pi,
    'benchd_channel_newton_meters{channel="shaft_torque"}': -1.25,
    'benchd_channel_celsius{channel="winding_temperature"}': 82.5,
    'benchd_channel_ratio{channel="power_factor"}': 0.9,
    'benchd_channel_amperes{channel="dc_current"}': 8.5,
    'benchd_channel_watts{channel="motor_power"}': 400,
    'benchd_channel_volt_amperes{channel="motor_apparent_power"}': 440,
    'benchd_channel_hertz{channel="motor_frequency"}': 200,
    'benchd_channel_ohms{channel="winding_resistance"}': 0.25,
    'benchd_channel_other{channel="oil_pressure",unit="bar"}': 2.5,
    'benchd_channel_age_seconds{channel="shaft_speed"}': 0.004,
    'benchd_channel_age_seconds{channel="dc_voltage"}': 2.0,
    'benchd_limits_crossed_total{channel="shaft_speed",reaction="warn"}': 7,
    "benchd_commands_admitted_total{}": 40,
    "benchd_commands_repeated_total{}": 2,
    'benchd_commands_refused_total{code="malformed"}': 9,
    "benchd_broker_connected{}": 0,
    'benchd_messages_sent_total{kind="reply"}': 41,
    'benchd_messages_dropped_total{kind="data"}': 6,
    "benchd_messages_spooled{}": 12,
    'benchd_runs_total{ending="complete"}': 8,
    'benchd_runs_total{ending="aborted"}': 0,
    "benchd_data_queue_rows{}": 17,
    "benchd_log_lines_dropped_total{}": 1,
    "benchd_loop_answers{}": 1,
}


def told(figures: Figures) -> dict[str, float]:
    return read(generate_latest(Metrics(lambda: figures).registry).decode())


def read(text: str) -> dict[str, float]:
    samples = {}
    for family in text_string_to_metric_families(text):
        for sample in family.samples:
            labels = ",".join(f'{key}="{value}"' for key, value in sorted(sample.labels.items()))
            samples[f"{sample.name}{{{labels}}}"] = sample.value
    return samples


def ask(port: int) -> str:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    try:
        connection.request("GET", "/metrics")
        return connection.getresponse().read().decode()
    finally:
        connection.close()


async def scrape(port: int) -> str:
    return await asyncio.to_thread(ask, port)


def test_every_figure_is_told_in_base_units() -> None:
    samples = told(FIGURES)
    assert {name: samples.get(name) for name in EXPECTED} == pytest.approx(EXPECTED)


def test_what_is_not_known_is_left_out() -> None:
    names = told(replace(FIGURES, permit=None, broker_connected=None))
    assert 'benchd_channel_celsius{channel="housing_temperature"}' not in names
    assert 'benchd_channel_volts{channel="dc_voltage"}' not in names
    assert 'benchd_channel_age_seconds{channel="power_factor"}' not in names
    assert 'benchd_channel_age_seconds{channel="housing_temperature"}' not in names
    assert "benchd_permit{}" not in names
    assert told(replace(FIGURES, permit=False))["benchd_permit{}"] == 0
    assert "benchd_broker_connected{}" not in names


def test_exactly_one_state_is_told_also_one_that_was_not_foreseen() -> None:
    for state in ("Idle", "Suspended"):
        samples = told(replace(FIGURES, state=state))
        states = {name: value for name, value in samples.items() if name.startswith("benchd_state{")}
        assert sum(states.values()) == 1
        assert states[f'benchd_state{{state="{state}"}}'] == 1


def test_two_registries_do_not_know_each_other() -> None:
    assert told(FIGURES)["benchd_ticks_done_total{}"] == 1200
    assert told(replace(FIGURES, ticks_done=7))["benchd_ticks_done_total{}"] == 7


@pytest.mark.skipif(shutil.which("promtool") is None, reason="promtool is not installed")
def test_promtool_finds_nothing_to_mend() -> None:
    def check(text: bytes) -> subprocess.CompletedProcess[str]:
        command = ["promtool", "check", "metrics"]
        return subprocess.run(command, input=text.decode(), capture_output=True, text=True, timeout=60, check=False)

    checked = check(generate_latest(Metrics(lambda: FIGURES).registry))
    assert (checked.returncode, checked.stdout, checked.stderr) == (0, "", "")
    wrong = check(b"# HELP benchd_speed_rpm A speed.\n# TYPE benchd_speed_rpm counter\nbenchd_speed_rpm 1\n")
    assert wrong.returncode != 0


@pytest.mark.wires
async def test_a_scrape_is_answered_with_figures_of_the_loop() -> None:
    asked_in: list[threading.Thread] = []

    def figures() -> Figures:
        asked_in.append(threading.current_thread())
        return replace(FIGURES, ticks_done=len(asked_in))

    async with serve_metrics(figures, port=0) as port:
        assert read(await scrape(port))["benchd_ticks_done_total{}"] == 1
        assert "benchd_ticks_done_total 2.0" in await scrape(port)
    assert set(asked_in) == {threading.main_thread()}
    with pytest.raises(OSError):  # noqa: PT011 - whatever the system says of a closed port
        await scrape(port)


@pytest.mark.wires
async def test_it_listens_on_this_machine_alone_unless_told_otherwise() -> None:
    async with serve_metrics(lambda: FIGURES, port=0) as port:
        listening = [line.split()[1] for line in _tcp_table() if line.split()[3] == "0A"]
        assert f"0100007F:{port:04X}" in listening
        assert f"00000000:{port:04X}" not in listening


def _tcp_table() -> list[str]:
    with open("/proc/net/tcp", encoding="ascii") as table:  # noqa: PTH123 - not a file
        return table.read().splitlines()[1:]


@pytest.mark.wires
async def test_a_port_that_is_taken_is_told_in_a_sentence() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(OSError, match=f"Metrics cannot be served at 127.0.0.1:{port} .*: choose another"):
            async with serve_metrics(lambda: FIGURES, port=port):
                pass


@pytest.mark.wires
async def test_a_loop_that_is_stuck_is_told_instead_of_figures(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(metrics, "LOOP_ANSWERS_WITHIN_S", 0.2)
    async with serve_metrics(lambda: FIGURES, port=0) as port:
        with ThreadPoolExecutor(1) as elsewhere:
            asked = elsewhere.submit(ask, port)
            samples = read(asked.result(timeout=20))  # the loop waits for it here and answers nobody
        assert samples["benchd_loop_answers{}"] == 0
        assert "benchd_ticks_done_total{}" not in samples
        assert read(await scrape(port))["benchd_loop_answers{}"] == 1


@pytest.mark.wires
async def test_figures_that_fail_are_told_and_end_nothing() -> None:
    failures: list[dict[str, Any]] = []
    asyncio.get_running_loop().set_exception_handler(lambda _, context: failures.append(context))
    good = False

    def figures() -> Figures:
        if not good:
            raise RuntimeError("no figures")
        return FIGURES

    async with serve_metrics(figures, port=0) as port:
        assert read(await scrape(port))["benchd_loop_answers{}"] == 0
        good = True
        assert read(await scrape(port))["benchd_loop_answers{}"] == 1
    assert len(failures) == 1


@pytest.mark.wires
@pytest.mark.parametrize("sent", [b"", b"nonsense\r\n\r\n", b"GET /metrics HTTP/1.1\r\n"])
async def test_a_client_that_asks_nonsense_or_leaves_costs_the_next_one_nothing(
    sent: bytes, capfd: pytest.CaptureFixture[str]
) -> None:
    async with serve_metrics(lambda: FIGURES, port=0) as port:
        _, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(sent)
        await writer.drain()
        # closing resets the connection: a client that died
        writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        writer.transport.abort()
        assert read(await scrape(port))["benchd_ticks_done_total{}"] == 1200
    assert capfd.readouterr().err == ""


@pytest.mark.wires
async def test_a_client_that_says_nothing_is_left_after_a_while(monkeypatch: pytest.MonkeyPatch) -> None:
    assert metrics._Quiet.timeout == metrics.CLIENT_ANSWERS_WITHIN_S <= 10.0
    monkeypatch.setattr(metrics._Quiet, "timeout", 0.2)
    async with serve_metrics(lambda: FIGURES, port=0) as port:
        _, writer = await asyncio.open_connection("127.0.0.1", port)
        assert read(await scrape(port))["benchd_loop_answers{}"] == 1
        writer.close()
