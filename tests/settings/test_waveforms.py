"""Analysers, resistance meters and sample streams have their roles; waveforms are channels of a stream."""

import math
from typing import Any

import pytest

from benchd.settings.load import Registry, SettingsError, load_bench

DEVICES = """\
[devices.analyser]
driver = "made_analyser"
poll_hz = 10
settings = { host = "10.0.0.8", port = 5025 }
[devices.meter]
driver = "made_meter"
poll_hz = 10
settings = { host = "10.0.0.9", port = 5025 }
[devices.stream]
driver = "made_stream"
poll_hz = 10
[devices.stream.settings]
host = "10.0.0.7"
port = 5025
inputs = [{ name = "wf1_v", channel = 1 }, { name = "wf2_v", channel = 2 }]
[channels.motor_power]
source = "analyser.result.p_w"
unit = "W"
age_limit_s = 0.5
[channels.power_factor]
source = "analyser.result.power_factor"
unit = "1"
age_limit_s = 0.5
[channels.winding_voltage]
source = "meter.winding.voltage_v"
unit = "V"
age_limit_s = 0.5
[waveforms.phase_current_1]
source = "stream.waveforms.wf1_v"
unit = "A"
sensor = "../sensors/current.toml"
sign = -1
[waveforms.link_voltage]
source = "stream.waveforms.wf2_v"
unit = "V"
"""
ROLES = """\
power_analyser = "analyser.result"
resistance_meter = "meter.winding"
waveforms = "stream.waveforms"
[channels.link_voltage]"""


@pytest.fixture
def measured(site: Any) -> Any:
    site.change(site.bench, "[channels.link_voltage]", ROLES)
    site.add(site.bench, DEVICES)
    return site


def test_a_bench_without_them_has_empty_roles(site: Any, registry: Registry) -> None:
    bench = load_bench(site.bench, registry)
    assert bench.roles["power_analyser"] == bench.roles["resistance_meter"] == bench.roles["waveforms"] == ()
    assert bench.waveform_channels == ()


def test_their_signals_become_channels_and_waveforms(measured: Any, registry: Registry) -> None:
    bench = load_bench(measured.bench, registry)
    assert [(one.device, one.port) for role in ROLES.split("\n")[:3] for one in bench.roles[role.split(" ")[0]]] == [
        ("analyser", "result"),
        ("meter", "winding"),
        ("stream", "waveforms"),
    ]
    assert bench.channel_by_name["power_factor"].unit == "1"
    current, voltage = bench.waveform_channels
    assert (current.name, current.unit, current.device, current.port, current.signal, current.sign) == (
        "phase_current_1",
        "A",
        "stream",
        "waveforms",
        "wf1_v",
        -1.0,
    )
    assert current.calibration is not None
    assert current.calibration.value(1.5) == 15.0
    assert current.age_limit_s == math.inf
    assert not current.zeroed
    assert (voltage.name, voltage.calibration) == ("link_voltage", None)  # a channel may have that name as well
    assert bench.channel_by_name["link_voltage"].device == "unit"
    assert bench.waveform_sensor_documents["phase_current_1"].file == measured.sensor("current")


MISTAKES = [
    ('"analyser.result"', '"meter.winding"', "roles.power_analyser", "kind is resistance meter and not power analyser"),
    ('"meter.winding"\nw', '"analyser.result"\nw', "roles.resistance_meter", "take meter.winding"),
    ('waveforms = "stream.waveforms"', 'waveforms = "unit.inputs"', "roles.waveforms", "take stream.waveforms"),
    ('waveforms = "stream.waveforms"\n', "", "waveforms.phase_current_1.source", "nothing starts the stream stream.wa"),
    ('"stream.waveforms.wf1_v"', '"stream.waveforms.wf3_v"', "waveforms.phase_current_1.source", "no signal wf3_v"),
    ('"stream.waveforms.wf1_v"', '"unit.inputs.ai2_v"', "waveforms.phase_current_1.source", "polled and not sampled"),
    ('"stream.waveforms.wf1_v"', '"wf1_v"', "waveforms.phase_current_1.source", 'as "device.port.signal"'),
    ("sign = -1\n[waveforms.", "sign = 2\n[waveforms.", "waveforms.phase_current_1.sign", "must be -1 or 1, not 2"),
    ('"A"\nsensor = "../sensors/current.toml"\nsign = -1\n[w', '"V"\nsensor = "../sensors/current.toml"\n[w',
     "waveforms.phase_current_1.unit", 'its sensor gives "A"'),
    ('wf2_v"\nunit = "V"', 'wf2_v"\nunit = "A"', "waveforms.link_voltage.unit", 'the signal wf2_v is in "V"'),
    ('wf2_v"\nunit = "V"', 'wf2_v"\nunit = "V"\nage_limit_s = 1', "waveforms.link_voltage.age_limit_s", "not a key"),
    ('wf2_v"\nunit = "V"', 'wf2_v"\nunit = "V"\nsensor = "gone.toml"', "waveforms.link_voltage.sensor", "no such file"),
    ("[waveforms.link_voltage]", "[waveforms.Link]", "waveforms.Link", "write link"),
    ('"analyser.result.p_w"', '"stream.waveforms.wf1_v"', "channels.motor_power.source", "[waveforms.motor_power]"),
    ('power_factor"\nunit = "1"', 'power_factor"\nunit = "W"', "channels.power_factor.unit", 'power_factor is in "1"'),
]  # fmt: skip


@pytest.mark.parametrize("mistake", MISTAKES, ids=[f"{key}-{says[:24]}" for _, _, key, says in MISTAKES])
def test_a_mistake_is_one_sentence_with_file_line_and_key(
    measured: Any, registry: Registry, mistake: tuple[str, str, str, str]
) -> None:
    old, new, key, says = mistake
    measured.change(measured.bench, old, new)
    with pytest.raises(SettingsError) as caught:
        load_bench(measured.bench, registry)
    assert caught.value.key == key
    assert says in caught.value.sentence
    assert caught.value.sentence.startswith(f"benches/small.toml:{caught.value.line} {key} ")
