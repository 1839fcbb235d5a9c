"""A mistake in a file ends `check` and `serve` in one sentence with file, line and key; nothing is connected."""

import re
from pathlib import Path

import pytest

BENCH, PROGRAMME = "benches/greenhouse.toml", "programmes/vent_flap_acceptance.toml"
MOTOR, SETUP = "motors/vent_flap_24v.toml", "setups/vent_flap.toml"
SENSOR = "sensors/torque_2nm.toml"

pytestmark = pytest.mark.usefixtures("nothing_runs")


@pytest.fixture(params=["check", "serve"])
def command(request: pytest.FixtureRequest) -> str:
    return request.param


MISTAKES = {
    "unknown key": (BENCH, "poll_hz = 20", "pol_hz = 20", "devices.supply.pol_hz", "did you mean poll_hz"),
    "wrong unit": (BENCH, 'unit = "N·m"', 'unit = "Nm"', "channels.shaft_torque.unit", "N·m"),
    "nan": (BENCH, "max_voltage_v = 80.0", "max_voltage_v = nan", "devices.supply.settings.max_voltage_v", "finite"),
    "the same device twice": (BENCH, "[devices.sink]", "[devices.supply]", "devices.supply", "second time"),
    "key twice": (BENCH, "poll_hz = 20", "poll_hz = 20\npoll_hz = 30", "devices.supply.poll_hz", "second"),
    "a channel that no device has": (
        BENCH,
        '"measuring_unit.inputs.ai3_v"',
        '"measuring_unit.inputs.ai9_v"',
        "channels.shaft_torque.source",
        "no signal ai9_v",
    ),
    "a channel of an unknown device": (
        BENCH,
        '"supply.output.voltage_v"',
        '"battery.output.voltage_v"',
        "channels.supply_voltage.source",
        "no device",
    ),
    "a sensor file that is missing": (
        BENCH,
        '"../sensors/torque_2nm.toml"',
        '"../sensors/gone.toml"',
        "channels.shaft_torque.sensor",
        "no such file",
    ),
    "an unknown driver": (BENCH, '"scpi_sink"', '"scpi_sinc"', "devices.sink.driver", "not installed"),
    "a wrong role": (BENCH, 'sink = "sink.input"', 'sink = "supply.output"', "roles.sink", "whose kind is supply"),
    "a voltage ladder out of order": (
        BENCH,
        "sink_threshold_v = 30.0",
        "sink_threshold_v = 37.0",
        "dc_link.sink_threshold_v",
        "must stay below",
    ),
    "test key": (PROGRAMME, "settle_time_s = 0.8", "settle_time_ms = 800", "test.settle_time_ms", "settle_time_s"),
    "unknown test": (PROGRAMME, 'kind = "no_load"', 'kind = "noload"', "test.kind", "did you mean no_load"),
    "text for number": (MOTOR, "max_speed_rpm = 6500.0", 'max_speed_rpm = "fast"', "max_speed_rpm", "a number"),
    "a key that is missing": (MOTOR, 'thermal_class = "B"', "", "thermal_class", "is missing"),
    "negative fuse": (SETUP, "fuse_current_a = 16.0", "fuse_current_a = -16.0", "fuse_current_a", "above 0"),
}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_mistake_in_a_file_is_one_sentence_with_file_line_and_key(typed, site, command: str, mistake: str) -> None:
    file, old, new, key, advice = MISTAKES[mistake]
    line = site.change(file, old, new)
    said = typed(command, *site.files)
    assert said.status == 78
    place = re.match(r"(?P<file>\S+\.toml):(?P<line>\d+) (?P<key>\S+) ", said.sentence)
    assert place, said.sentence
    assert place["file"] == file
    assert place["key"] == key
    if "missing" not in advice and "second" not in advice:
        assert int(place["line"]) == line
    assert advice in said.sentence


TOO_MUCH = {
    "bench: voltage": (PROGRAMME, "[8.0, 16.0, 24.0]", "[8.0, 16.0, 85.0]", (PROGRAMME, BENCH)),
    "bench: supply": (BENCH, "max_voltage_v = 80.0", "max_voltage_v = 20.0", (PROGRAMME, BENCH)),
    "bench: load drive": (BENCH, "max_torque_nm = 1.8", "max_torque_nm = 0.2", (PROGRAMME, BENCH)),
    "bench: torque": (PROGRAMME, "0.20, 0.25]", "0.20, 2.45]", (PROGRAMME, BENCH)),
    "set-up: coupling": (SETUP, "max_torque_nm = 2.5", "max_torque_nm = 0.2", (PROGRAMME, SETUP)),
    "set-up: speed": (SETUP, "max_speed_rpm = 10000.0", "max_speed_rpm = 2000.0", (PROGRAMME, SETUP)),
    "set-up: fuse": (SETUP, "fuse_current_a = 16.0", "fuse_current_a = 3.0", (PROGRAMME, SETUP)),
    "sensor: its range": (SENSOR, "full_scale = 2.0", "full_scale = 0.2", (PROGRAMME, SENSOR)),
    "specimen: speed": (MOTOR, "max_speed_rpm = 6500.0", "max_speed_rpm = 3100.0", (PROGRAMME, MOTOR)),
    "specimen: current": (MOTOR, "max_current_a = 10.0", "max_current_a = 4.5", (PROGRAMME, MOTOR)),
}


@pytest.mark.parametrize("wish", TOO_MUCH)
def test_a_programme_that_asks_for_more_than_there_is_names_both_places(typed, site, command: str, wish: str) -> None:
    file, old, new, places = TOO_MUCH[wish]
    site.change(file, old, new)
    said = typed(command, *site.files)
    assert said.status == 78
    for place in places:
        assert re.search(rf"{place}:\d+ \w", said.sentence), said.sentence


def test_a_programme_cannot_widen_a_limit(typed, site, command: str) -> None:
    line = site.change(PROGRAMME, "high = 4500.0", "high = 7000.0")
    said = typed(command, *site.files)
    assert said.status == 78
    assert f"{PROGRAMME}:{line} " in said.sentence


@pytest.mark.parametrize("missing", range(4))
def test_a_file_that_is_not_there_is_named(typed, site, command: str, missing: int) -> None:
    Path(site.files[missing]).unlink()
    said = typed(command, *site.files)
    assert said.status == 78
    assert "does not exist" in said.sentence
    assert Path(site.files[missing]).name in said.sentence


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "schema is missing"),
        (b"\xff\xfe", "UTF-8"),
        (b"schema = 1\nname = [", "does not end"),
        (b"schema = 9", "9"),
    ],
)
def test_a_file_that_is_no_settings_file_is_one_sentence(typed, site, command: str, content: bytes, words: str) -> None:
    Path(site.files[0]).write_bytes(content)
    said = typed(command, *site.files)
    assert said.status == 78
    assert words in said.sentence


def test_nothing_is_written_where_a_file_is_wrong(typed, site, tmp_path: Path) -> None:
    site.change(BENCH, "poll_hz = 20", "pol_hz = 20")
    typed("serve", *site.files, "--data", str(tmp_path / "data"))
    assert not (tmp_path / "data").exists()
    assert not (tmp_path / "runtime").exists()
