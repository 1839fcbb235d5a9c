"""Wrong use of the command line ends with status 2 and one sentence that says where the help is."""

import importlib

import pytest

from benchd.app import command_line, loading

FILES = ("greenhouse", "vent_flap_acceptance", "vent_flap_24v", "vent_flap")

pytestmark = pytest.mark.usefixtures("nothing_runs")


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["nosuch"], "No such command 'nosuch': see benchd --help."),
        (["serve"], "Missing argument 'BENCH': see benchd serve --help."),
        (["check"], "Missing argument 'BENCH': see benchd check --help."),
        (["evaluate"], "Missing argument 'RUN': see benchd evaluate --help."),
        (["drivers", "lst"], "see benchd drivers --help."),
        (["check", *FILES, "one_too_many"], "see benchd check --help."),
        (["serve", "greenhouse", "--dta", "x"], "see benchd serve --help."),
        (["serve", "greenhouse", "--order"], "see benchd --help."),
        (["check", "greenhouse", "vent_flap_acceptance"], "A run needs all three of PROGRAMME, MOTOR and SETUP"),
        (["serve", *FILES[:3]], "A run needs all three of PROGRAMME, MOTOR and SETUP"),
        (["serve", "greenhouse", "--order", "17"], "--order, --serial and --operator belong to a run"),
        (["demo", "--specimen", "steam_engine"], "choose pump_48v or reference_dc_24v or vent_flap_24v."),
    ],
)
def test_wrong_use_is_status_2_and_one_sentence(typed, arguments: list[str], sentence: str) -> None:
    said = typed(*arguments)
    assert said.status == 2
    assert said.sentence.endswith(sentence) or said.sentence.startswith(sentence)
    assert said.out == ""


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        ("supply", "is not NAME.KEY=VALUE"),
        ("supply.port", "is not NAME.KEY=VALUE"),
        ("supply.port=", "is not NAME.KEY=VALUE"),
        (".port=5025", "is not NAME.KEY=VALUE"),
        ("supply=5025", "is not NAME.KEY=VALUE"),
        ("suply.port=5025", "names a device that this bench does not have; did you mean supply?"),
        ("supply.prt=5025", "is not a key that is known here; did you mean port?"),
        ("supply.port=high", "must be a whole number"),
        ("supply.port=70000", "must be at most 65535"),
        ("supply.max_voltage_v=nan", "must be a finite number"),
        ("supply.max_voltage_v=-1", "must be above 0"),
    ],
)
def test_a_wrong_device_setting_is_pointed_at_where_it_was_typed(typed, setting: str, words: str) -> None:
    said = typed("serve", "greenhouse", "--device", "sink.port=1", "--device", setting)
    assert said.status == 2
    assert said.sentence.startswith(f"--device {setting} ")
    assert words in said.sentence


def test_a_mistake_in_the_file_is_not_blamed_on_a_device_setting(typed, site) -> None:
    site.change("benches/greenhouse.toml", "max_voltage_v = 80.0", "max_voltage_v = 0")
    said = typed("serve", site.files[0], "--device", "supply.port=5025")
    assert said.status == 78
    assert said.sentence.startswith("benches/greenhouse.toml:")


@pytest.mark.parametrize("arguments", [[], ["drivers"]])
def test_without_a_command_the_help_is_shown(typed, arguments: list[str]) -> None:
    said = typed(*arguments)
    assert said.status == 2
    assert "Commands:" in said.err
    assert not set("│╭╰━┃") & set(said.err)


@pytest.mark.parametrize("arguments", [["--help"], ["serve", "--help"], ["demo", "--help"]])
def test_help_that_was_asked_for_is_no_mistake(typed, arguments: list[str]) -> None:
    said = typed(*arguments)
    assert (said.status, said.err) == (0, "")
    assert "Usage: benchd" in said.out


def test_an_error_of_its_own_is_one_sentence_that_says_where(typed, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken() -> None:
        raise ZeroDivisionError("no such number")

    monkeypatch.setattr(loading, "find_drivers", broken)
    said = typed("check", "greenhouse")
    assert said.status == 1
    assert "ZeroDivisionError in test_usage.py:" in said.sentence
    assert "report it" in said.sentence


def test_the_entry_point_of_the_distribution_is_main() -> None:
    from importlib.metadata import entry_points  # noqa: PLC0415

    (script,) = entry_points(group="console_scripts", name="benchd")
    module, _, name = script.value.partition(":")
    assert getattr(importlib.import_module(module), name) is command_line.main
