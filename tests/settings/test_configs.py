"""The files in configs load, fit each other, and say what the example bench is."""

from importlib.metadata import entry_points
from typing import Any

import pytest

from benchd.procedures import PROCEDURES
from benchd.settings.fit import check_fit
from benchd.settings.load import Registry, load_bench, load_motor, load_programme, load_sensor, load_setup
from benchd.settings.places import FOLDERS, configs_directory

CONFIGS = configs_directory()
SPECIMENS = [
    ("vent_flap_24v", "vent_flap", "vent_flap_acceptance"),
    ("reference_dc_24v", "reference_dc", "reference_dc"),
]


@pytest.fixture(scope="module")
def installed() -> Registry:
    return Registry(
        drivers={one.name: one.load() for one in entry_points(group="benchd.drivers")},
        tests={kind: procedure.settings for kind, procedure in PROCEDURES.items()},
    )


def test_every_file_is_loaded_by_a_test_below() -> None:
    names = {folder: {one.stem for one in (CONFIGS / folder).glob("*.toml")} for folder in FOLDERS}
    motors, setups, programmes = (set(column) for column in zip(*SPECIMENS, strict=True))
    assert names["benches"] == {"greenhouse"}
    assert (names["motors"], names["setups"], names["programmes"]) == (motors, setups, programmes)


def test_the_greenhouse_bench_has_its_seven_devices_on_seven_ports(installed: Registry) -> None:
    bench = load_bench(CONFIGS / "benches/greenhouse.toml", installed)
    settings: list[Any] = [device.settings for device in bench.devices.values()]
    assert len({(one.host, one.port) for one in settings}) == 7
    assert {(address.device, address.port) for role in bench.roles.values() for address in role} == {
        ("supply", "output"),
        ("sink", "input"),
        ("load_drive", "axis"),
        ("measuring_unit", "inputs"),
        ("thermometers", "group"),
        ("cabinet_thermometers", "group"),
        ("safety_chain", "chain"),
    }


def test_the_greenhouse_channels_are_those_that_the_tests_read(installed: Registry) -> None:
    channels = load_bench(CONFIGS / "benches/greenhouse.toml", installed).channel_by_name
    assert set(channels) >= {
        "dc_voltage",
        "dc_current",
        "shaft_torque",
        "shaft_speed",
        "link_voltage",
        "supply_voltage",
        "supply_current",
        "sink_current",
        "drive_speed",
        "drive_torque",
        "winding_temperature",
        "housing_temperature",
        "ambient_temperature",
        "rack_temperature",
    }
    assert [name for name, channel in channels.items() if channel.zeroed] == ["shaft_torque"]


@pytest.mark.parametrize(("motor", "setup", "programme"), SPECIMENS)
def test_each_specimen_fits_the_bench_without_a_warning_about_its_plate(
    installed: Registry, motor: str, setup: str, programme: str
) -> None:
    loaded = load_motor(CONFIGS / f"motors/{motor}.toml")
    assert loaded.warnings == ()
    check_fit(
        load_bench(CONFIGS / "benches/greenhouse.toml", installed),
        loaded,
        load_setup(CONFIGS / f"setups/{setup}.toml"),
        load_programme(CONFIGS / f"programmes/{programme}.toml", installed),
    )


def test_the_channel_that_is_commented_out_works_once_it_is_not(installed: Registry, tmp_path: Any) -> None:
    text = (CONFIGS / "benches/greenhouse.toml").read_text(encoding="utf-8")
    before, mark, rest = text.partition("# [channels.shaft_torque_narrow]\n")
    assert mark
    block, _, after = rest.partition("\n\n")
    (tmp_path / "benches").mkdir()
    (tmp_path / "sensors").symlink_to(CONFIGS / "sensors")
    file = tmp_path / "benches/copy.toml"
    file.write_text(f"{before}{mark[2:]}{block.replace('# ', '')}\n\n{after}", encoding="utf-8")
    narrow = load_bench(file, installed).channel_by_name["shaft_torque_narrow"]
    assert narrow.calibration is not None
    assert narrow.calibration.value(10.0) == pytest.approx(narrow.calibration.full_scale)


@pytest.mark.parametrize("file", sorted((CONFIGS / "sensors").glob("*.toml")), ids=lambda file: file.stem)
def test_each_sensor_states_its_uncertainty(file: Any) -> None:
    calibration, _ = load_sensor(file)
    assert len(calibration.contributions) == 2


def test_full_scale_of_the_torque_ranges_is_ten_volts() -> None:
    for name in ("torque_2nm", "torque_0n4"):
        calibration, _ = load_sensor(CONFIGS / f"sensors/{name}.toml")
        assert calibration.value(10.0) == pytest.approx(calibration.full_scale)


def test_every_line_is_short_enough_to_read_beside_another() -> None:
    for file in CONFIGS.rglob("*.toml"):
        assert all(len(line) <= 100 for line in file.read_text(encoding="utf-8").split("\n")), file
