"""The files in configs load, fit each other, and say what the example bench is."""

import datetime as dt
from importlib.metadata import entry_points
from typing import Any

import pytest

from benchd.procedures import PROCEDURES
from benchd.settings.fit import check_fit
from benchd.settings.fit_warnings import fit_warnings
from benchd.settings.load import Registry, load_bench, load_motor, load_programme, load_sensor, load_setup
from benchd.settings.places import FOLDERS, configs_directory

CONFIGS = configs_directory()
SPECIMENS = [  # bench, motor, set-up, programme
    ("greenhouse", "vent_flap_24v", "vent_flap", "vent_flap_acceptance"),
    ("greenhouse", "reference_dc_24v", "reference_dc", "reference_dc"),
    ("vineyard", "pump_48v", "pump", "pump_acceptance"),
    ("vineyard", "pump_48v", "pump", "pump_duty_cycle"),
    ("reference_300v", "reference_pmsm", "reference_pmsm", "reference_pmsm"),
]
BRUSHLESS = ("vineyard", "reference_300v")


@pytest.fixture(scope="module")
def installed() -> Registry:
    return Registry(
        drivers={one.name: one.load() for one in entry_points(group="benchd.drivers")},
        tests={kind: procedure.settings for kind, procedure in PROCEDURES.items()},
    )


def test_every_file_is_loaded_by_a_test_below() -> None:
    names = {folder: {one.stem for one in (CONFIGS / folder).glob("*.toml")} for folder in FOLDERS}
    benches, motors, setups, programmes = (set(column) for column in zip(*SPECIMENS, strict=True))
    assert (names["benches"], names["motors"]) == (benches, motors)
    assert (names["setups"], names["programmes"]) == (setups, programmes)


def test_every_sensor_file_is_used_by_a_bench_or_a_commented_out_channel(installed: Registry) -> None:
    used = {"torque_0n4"}  # of the greenhouse's channel that is commented out
    for name in {one[0] for one in SPECIMENS}:
        bench = load_bench(CONFIGS / f"benches/{name}.toml", installed)
        for documents in (bench.sensor_documents, bench.waveform_sensor_documents):
            used |= {document.file.stem for document in documents.values()}
    assert {file.stem for file in (CONFIGS / "sensors").glob("*.toml")} == used


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


@pytest.mark.parametrize(("bench", "motor", "setup", "programme"), SPECIMENS)
def test_each_specimen_fits_its_bench_without_a_warning(
    installed: Registry, bench: str, motor: str, setup: str, programme: str
) -> None:
    four = (
        load_bench(CONFIGS / f"benches/{bench}.toml", installed, today=dt.date(2026, 11, 25)),
        load_motor(CONFIGS / f"motors/{motor}.toml"),
        load_setup(CONFIGS / f"setups/{setup}.toml"),
        load_programme(CONFIGS / f"programmes/{programme}.toml", installed),
    )
    check_fit(*four)
    assert (four[0].warnings, four[1].warnings, fit_warnings(*four)) == ((), (), ())


@pytest.mark.parametrize("name", BRUSHLESS)
def test_a_bench_for_brushless_motors_has_ten_devices_on_ten_ports_and_all_roles(
    installed: Registry, name: str
) -> None:
    bench = load_bench(CONFIGS / f"benches/{name}.toml", installed)
    settings: list[Any] = [device.settings for device in bench.devices.values()]
    assert len({(one.host, one.port) for one in settings}) == 10
    assert all(bench.roles[role] for role in bench.roles)


@pytest.mark.parametrize("name", BRUSHLESS)
def test_a_bench_for_brushless_motors_has_the_channels_and_waveforms_that_its_tests_read(
    installed: Registry, name: str
) -> None:
    bench = load_bench(CONFIGS / f"benches/{name}.toml", installed)
    phases = {f"phase_{what}_{n}" for what in ("voltage", "current") for n in (1, 2, 3)}
    assert set(bench.channel_by_name) >= {
        *("dc_voltage", "dc_current", "link_voltage", "shaft_torque", "shaft_torque_narrow", "shaft_speed"),
        *("motor_power", "motor_voltage", "motor_voltage_fundamental", "motor_current", "motor_frequency"),
        *("motor_apparent_power", "power_factor", "winding_voltage", "winding_current"),
        *("drive_speed", "drive_torque", "motor_drive_speed", "motor_drive_torque"),
        *("winding_temperature", "housing_temperature", "ambient_temperature", "magnet_temperature"),
        *("phase_power_1", "phase_power_2", "phase_power_3", *phases),
    }
    assert {one.name for one in bench.waveform_channels} == {*phases, "shaft_torque", "dc_current"}
    zeroed = [one for one, channel in bench.channel_by_name.items() if channel.zeroed]
    assert zeroed == ["shaft_torque", "shaft_torque_narrow"]
    assert not any(limit.channel in {"shaft_torque_narrow", "motor_frequency"} for limit in bench.limits)


def test_the_pump_programme_takes_the_narrow_range_where_it_can_and_brackets_the_rated_torque(
    installed: Registry,
) -> None:
    bench = load_bench(CONFIGS / "benches/vineyard.toml", installed)
    narrow = bench.channel_by_name["shaft_torque_narrow"].calibration
    assert narrow is not None
    programme = load_programme(CONFIGS / "programmes/pump_acceptance.toml", installed)
    assert [test.kind for test in programme.tests] == [kind for kind in PROCEDURES if kind != "duty_cycle"]
    load: Any = programme.tests[4].settings
    rated_nm = load_motor(CONFIGS / "motors/pump_48v.toml").settings.rated.torque_nm
    assert sum(torque_nm < narrow.full_scale for torque_nm in load.torques_nm) >= 2
    assert load.torques_nm[-2] < rated_nm < load.torques_nm[-1]
    assert (load.speed_rpm, load.torque_range) == (3000.0, "auto")
    assert programme.decision is not None
    assert programme.decision.rule == "guard band"
    assert "load.efficiency_at_rated_torque" in {one.quantity for one in programme.requirements}


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
    for name in ("torque_2nm", "torque_0n4", "torque_5nm", "torque_1nm", "torque_15nm", "torque_3nm"):
        calibration, _ = load_sensor(CONFIGS / f"sensors/{name}.toml")
        assert calibration.value(10.0) == pytest.approx(calibration.full_scale)


def test_every_line_is_short_enough_to_read_beside_another() -> None:
    for file in CONFIGS.rglob("*.toml"):
        assert all(len(line) <= 100 for line in file.read_text(encoding="utf-8").split("\n")), file
