"""A proxy breaks one device's wire in the middle of a run, in the ways that only bytes can break."""

import contextlib
import signal
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchd.records import read_samples
from benchd.rules.channels import Quality
from tests.scenarios.fault_proxy import Fault, FaultProxy, before
from tests.scenarios.on_the_wire import TURNING, Control, Daemon, a_run, at_rest
from tests.scenarios.wired_faults import few_lines, given_until, powerless, stays_off, the_cause, whole_folder

pytestmark = pytest.mark.wires

# Modbus TCP: transaction 2 bytes, protocol 2, length 2, unit 1; then function 1, register 2 (Modbus Messaging on TCP/IP
# Implementation Guide V1.0b, 3.1.3, from memory).
PROTOCOL_BIT = 8 * 3 + 7
REGISTER_BIT = 8 * 8
SILENT_S = 2.5  # half a second to a second by the bench file, the stop, and a busy machine
STRUCK_S = 3.6
STEADY_RPM = 735.0  # of 740 at 6 V
STARTED_S = 60.0  # a slow turn comes first, and a busy machine takes its time
JOULE = 60.0  # 9 V and about 1 A in the steady state; braked against for half a second where the supply is silent


@dataclass
class Wired:
    """A daemon whose wires to some devices lead through proxies, in the middle of a run."""

    daemon: Daemon
    bench: Control
    proxies: Mapping[str, FaultProxy]
    data: Path


@pytest.fixture
def wired(
    daemon: Callable[..., Daemon], listening: Mapping[str, Any], control: Control, tmp_path: Path
) -> Iterator[Callable[..., Wired]]:
    with contextlib.ExitStack() as stack:

        def start(*devices: str) -> Wired:
            places = dict(listening["devices"])
            proxies = {}
            for device in devices:
                proxies[device], places[device] = stack.enter_context(before(places[device]))
            one = daemon(a_run(tmp_path, {**listening, "devices": places}, TURNING))
            control.until(
                lambda truth: one.process.poll() is not None or truth["motor_speed_rpm"] > 600.0, within_s=STARTED_S
            )
            assert one.process.poll() is None, one.sentences
            assert all(proxy.accepted for proxy in proxies.values())
            return Wired(one, control, proxies, tmp_path / "data")

        yield start


BROKEN: dict[str, tuple[str, Callable[[FaultProxy], None]]] = {
    "the supply takes everything and answers nothing": (
        "supply",
        lambda wire: wire.switch("to_daemon", Fault(swallow=True)),
    ),
    "a bit of every answer of the load drive is turned over": (
        "load_drive",
        lambda wire: wire.switch("to_daemon", Fault(flip_bit=PROTOCOL_BIT)),
    ),
    "the load drive is asked for another register": (
        "load_drive",
        lambda wire: wire.switch("to_device", Fault(flip_bit=REGISTER_BIT)),
    ),
    "the load drive gives the answer to the question before": (
        "load_drive",
        lambda wire: wire.switch("to_daemon", Fault(behind=True)),
    ),
    "the measuring unit's answers drip": (
        "measuring_unit",
        lambda wire: wire.switch("to_daemon", Fault(gap_s=0.05)),
    ),
}


@pytest.mark.parametrize("story", BROKEN)
def test_the_energy_goes_and_the_device_is_named(wired: Callable[..., Wired], story: str) -> None:
    device, strike = BROKEN[story]
    scene = wired(device)
    struck_s = time.monotonic()
    strike(scene.proxies[device])
    _judge(scene, device, struck_s=struck_s)


def test_the_largest_number_of_an_instrument_is_no_number(wired: Callable[..., Wired]) -> None:
    """9.91E37 is what SCPI-99 (volume 1, 7.2.1.5, from memory) sends for what is not a number."""
    scene = wired()
    struck_s = time.monotonic()
    scene.bench.ask("fault", device="measuring_unit", kind="nan", on=True)
    folder = _judge(scene, "measuring_unit", struck_s=struck_s)
    samples = read_samples(folder)
    good = samples.quality["shaft_speed"] == int(Quality.GOOD)
    assert np.max(np.abs(samples.values["shaft_speed"][good])) < 10_000.0


def _judge(scene: Wired, device: str, *, struck_s: float) -> Path:
    off_s, joule = given_until(scene.bench, powerless, within_s=10.0)
    scene.bench.until(at_rest)
    stays_off(scene.bench)
    scene.daemon.tell(signal.SIGTERM)  # nobody waits for the rest of the fault record
    status, _ = scene.daemon.end()
    assert status == 3
    sentence = the_cause(scene.daemon)
    assert device in sentence
    assert off_s < SILENT_S
    assert joule < JOULE
    few_lines(scene.daemon)
    return whole_folder(scene.data, until_mono_s=struck_s, ending="aborted", why=sentence)


def test_what_a_sound_bench_must_bear_trips_nothing_and_spoils_no_value(wired: Callable[..., Wired]) -> None:
    """Split and slow answers for as long as it takes, and each kind of lost connection once."""
    scene = wired("measuring_unit", "load_drive", "supply", "sink", "safety_chain")
    wires = scene.proxies
    scene.bench.until(lambda truth: truth["motor_speed_rpm"] > STEADY_RPM)
    began_s = time.monotonic()
    for direction in ("to_device", "to_daemon"):
        wires["load_drive"].switch(direction, Fault(gap_s=0.0003))
    wires["measuring_unit"].switch("to_daemon", Fault(delay_s=0.01))
    for strike in (
        wires["supply"].cut,
        lambda: wires["sink"].finish("to_daemon"),
        lambda: wires["safety_chain"].switch("to_daemon", Fault(swallow=True), times=1),
        lambda: wires["supply"].switch("to_daemon", Fault(duplicate=True), times=1),
        lambda: wires["sink"].finish("to_device"),
        wires["safety_chain"].cut,
    ):
        strike()
        time.sleep(0.6)  # each has recovered before the next one is struck
    truth = scene.bench.truth()
    assert truth["permit"]
    assert truth["motor_speed_rpm"] > STEADY_RPM, scene.daemon.sentences
    assert all(wires[device].accepted > 1 for device in ("supply", "sink", "safety_chain"))
    scene.daemon.tell(signal.SIGTERM)
    assert scene.daemon.end()[0] == 1
    assert not scene.daemon.seen("tripped")
    few_lines(scene.daemon)
    samples = read_samples(whole_folder(scene.data, until_mono_s=began_s + STRUCK_S, ending="stopped"))
    steady = (samples.time_mono_s > began_s) & (samples.time_mono_s < began_s + STRUCK_S)
    for channel in ("shaft_speed", "drive_speed", "supply_voltage"):
        good = steady & (samples.quality[channel] == int(Quality.GOOD))
        assert np.count_nonzero(good) > 200
        expected = truth["supply_voltage_v"] if channel == "supply_voltage" else truth["motor_speed_rpm"]
        assert np.max(np.abs(samples.values[channel][good] / expected - 1.0)) < 0.03
