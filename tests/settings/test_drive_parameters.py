"""What a bench file states of its drives' parameters: known names, a hash that fits, one clear sentence otherwise."""

from dataclasses import replace
from typing import Any

import pytest

from benchd.app.expected_parameters import expected_of_role, expected_of_specimen
from benchd.rules.parameter_set import sha256_of
from benchd.settings.fit import check_fit
from benchd.settings.load import Registry, SettingsError, load_bench, load_motor, load_programme, load_setup

NAMES = ("pole_pairs", "rated_current_a", "overspeed_rpm")
STATED = """
[drive_parameters.load_drive]
pole_pairs = 4
rated_current_a = 8.5
overspeed_rpm = 6000
"""
VALUES = {"pole_pairs": 4.0, "rated_current_a": 8.5, "overspeed_rpm": 6000.0}


@pytest.fixture
def telling(registry: Registry) -> Registry:
    """The same drivers, but the drive's tells three parameters."""
    made = registry.drivers["made_drive"]

    def ports(given: Any) -> Any:
        return tuple(replace(spec, parameters=NAMES) for spec in made.ports(given))

    return replace(registry, drivers={**registry.drivers, "made_drive": replace(made, ports=ports)})


def refused(site: Any, registry: Registry) -> str:
    with pytest.raises(SettingsError) as caught:
        load_bench(site.bench, registry)
    assert "\n" not in caught.value.sentence
    return caught.value.sentence


def test_what_is_stated_becomes_what_the_drive_must_show_with_file_and_line(site: Any, telling: Registry) -> None:
    site.add(site.bench, f'{STATED}parameters_sha256 = "{sha256_of(VALUES)}"\n')
    bench = load_bench(site.bench, telling)
    expected = expected_of_role(bench, "load_drive")
    assert {one.name: one.value for one in expected.values} == VALUES
    lines = site.bench.read_text(encoding="utf-8").splitlines()
    line = lines.index("pole_pairs = 4") + 1
    assert expected.values[0].origin == f"benches/small.toml:{line} drive_parameters.load_drive.pole_pairs"
    assert expected.sha256 == sha256_of(VALUES)
    assert expected.sha256_origin == f"benches/small.toml:{line + 3} drive_parameters.load_drive.parameters_sha256"


def test_a_file_without_the_table_states_nothing(site: Any, telling: Registry, registry: Registry) -> None:
    assert load_bench(site.bench, telling).drive_parameters == {}
    assert load_bench(site.bench, registry).drive_parameters == {}


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (
            "pole_pairs = 4",
            "pole_pair = 4",
            "load_drive.pole_pair is no parameter that brake.axis tells; did you mean",
        ),
        ("pole_pairs = 4", 'pole_pairs = "4"', "drive_parameters.load_drive.pole_pairs must be a number, not the text"),
        ("pole_pairs = 4", "pole_pairs = true", "drive_parameters.load_drive.pole_pairs must be a number"),
        ("pole_pairs = 4", "pole_pairs = nan", "drive_parameters.load_drive.pole_pairs is nan and must be a finite"),
        ("pole_pairs = 4", 'parameters_sha256 = "AB"', "parameters_sha256 is the text"),
        ("pole_pairs = 4", f'pole_pairs = 4\nparameters_sha256 = "{"0" * 64}"', "is not that of the values beside it"),
        ("load_drive]", "load_drives]", "drive_parameters.load_drives is not a key that is known here"),
        ("load_drive]", "motor_drive]", "drive_parameters.motor_drive is about a drive that the bench does not have"),
    ],
)
def test_a_mistake_is_one_sentence_with_its_place(site: Any, telling: Registry, old: str, new: str, says: str) -> None:
    site.add(site.bench, STATED.replace(old, new))
    sentence = refused(site, telling)
    assert sentence.startswith("benches/small.toml:")
    assert says in sentence


def test_an_empty_table_states_nothing_and_says_what_could_stand_there(site: Any, telling: Registry) -> None:
    site.add(site.bench, "\n[drive_parameters.load_drive]\n")
    assert "states nothing; write values of pole_pairs, rated_current_a, overspeed_rpm" in refused(site, telling)


def test_a_table_about_a_drive_whose_driver_tells_nothing_is_refused(site: Any, registry: Registry) -> None:
    site.add(site.bench, STATED)
    assert "is about brake.axis, whose driver tells no parameters" in refused(site, registry)


def test_a_hash_beside_some_of_the_values_is_for_the_drive_to_judge(site: Any, telling: Registry) -> None:
    site.add(site.bench, f'{STATED.replace("pole_pairs = 4", "")}parameters_sha256 = "{"0" * 64}"\n')
    assert load_bench(site.bench, telling).drive_parameters["load_drive"].parameters_sha256 == "0" * 64


def test_a_motor_drive_commissioned_for_other_pole_pairs_does_not_fit_the_motor(configs: Any) -> None:
    bench, motor, setup, programme = configs
    check_fit(bench, motor, setup, programme)
    (pole_pairs,) = expected_of_specimen(motor)
    assert (pole_pairs.name, pole_pairs.value) == ("pole_pairs", 4)
    other = replace(motor, settings=motor.settings.model_copy(update={"pole_pairs": 5}))
    with pytest.raises(SettingsError, match=r"motor_drive\.pole_pairs is 4, but the motor has 5 \(.*:10 pole_pairs\)"):
        check_fit(bench, other, setup, programme)


@pytest.fixture
def configs() -> Any:
    from benchd.app.discovery import find_drivers  # noqa: PLC0415 - only this test needs the real drivers
    from benchd.procedures import PROCEDURES  # noqa: PLC0415
    from benchd.settings.places import configs_directory  # noqa: PLC0415

    registry = Registry(
        drivers=find_drivers().drivers, tests={kind: each.settings for kind, each in PROCEDURES.items()}
    )
    place = configs_directory()
    return (
        load_bench(place / "benches/vineyard.toml", registry),
        load_motor(place / "motors/pump_48v.toml"),
        load_setup(place / "setups/pump.toml"),
        load_programme(place / "programmes/pump_acceptance.toml", registry),
    )
