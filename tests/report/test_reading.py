"""Results, events, times and letters as the report reads them."""

from pathlib import Path

import pytest

from benchd.report.event_words import event_words
from benchd.report.findings import tests_of as found_tests  # pytest would take tests_of for a test
from benchd.report.front import strip
from benchd.report.happenings import first_cause
from benchd.report.letters import Printable
from benchd.report.local_time import LocalTime
from benchd.report.words import capital, pairs_of, said, sentence_words, words


def test_points_of_older_results_come_from_the_names_of_their_quantities() -> None:
    quantities = [
        {"name": "stall_torque", "unit": "N·m", "value": 2.4, "standard_uncertainty": 0.1},
        {"name": "point_000_speed", "unit": "r/min", "value": 3000.0, "standard_uncertainty": 0.5},
        {"name": "point_010_speed", "unit": "r/min", "value": 2900.0, "standard_uncertainty": 0.4},
        {"name": "point_010_torque", "unit": "N·m", "value": None, "reason": "none"},
    ]
    results = {"schema": 1, "tests": {"load": {"kind": "load", "index": 1, "quantities": quantities}}}
    started = {"event": "point_started", "test": 1, "number": 10, "direction": "down", "asked": {"torque_nm": 0.1}}
    (test,) = found_tests(results, {}, [started, started | {"test": 0, "direction": "up"}])
    assert [point.number for point in test.points] == [0, 10]
    assert test.points[1].values["speed"].value == 2900.0
    assert (test.points[1].direction, test.points[1].asked) == ("down", {"torque_nm": 0.1})
    assert dict(test.units) == {"speed": "r/min"}
    assert [one["name"] for one in test.quantities] == ["stall_torque"]


def test_a_planned_test_without_results_is_there_and_not_evaluated() -> None:
    tests = found_tests(None, {"tests": [{"index": 0, "kind": "load", "settings": {"torques_nm": [1]}}]}, [])
    assert [(test.kind, test.evaluated) for test in tests] == [("load", False)]


def test_the_chains_own_word_explains_a_cause_that_was_seen_before() -> None:
    events = [
        {"event": "tripped", "cause": "load_drive lost its power stage."},
        {
            "event": "explained",
            "cause": "An emergency stop was pressed.",
            "seen_first": "load_drive lost its power stage.",
        },
    ]
    assert first_cause(events) == "An emergency stop was pressed."
    assert first_cause(events[:1]) == "load_drive lost its power stage."
    assert first_cause([]) is None


def test_an_event_of_an_unknown_kind_is_told_with_all_its_fields() -> None:
    assert event_words({"event": "new", "utc": "x", "speed_rpm": 12.5, "why": "so"}) == "speed 12.5\u202fr/min, why so"


@pytest.mark.parametrize(
    ("offset_s", "shown"),
    [
        (7200, "2026-07-01 00:30:00 UTC+02:00"),
        (-12_600, "2026-06-30 19:00:00 UTC−03:30"),
        (None, "2026-06-30 22:30:00 UTC+00:00"),
        (1e9, "2026-06-30 22:30:00 UTC+00:00"),
        ("Oslo", "2026-06-30 22:30:00 UTC+00:00"),
    ],
)
def test_local_time_is_the_folders_and_never_the_machines(offset_s: object, shown: str) -> None:
    at = LocalTime.of({"utc_offset_s": offset_s})
    assert at.second("2026-06-30T22:30:00.000000Z") == shown
    assert at.second("nonsense") == "not recorded"


def test_letters_are_asked_for_once_and_control_letters_never() -> None:
    asked: list[str] = []
    printable = Printable(lambda letter: bool(asked.append(letter)))
    assert printable.text("ж中ж\x07") == "⟨U+0436⟩⟨U+4E2D⟩⟨U+0436⟩⟨U+0007⟩"
    assert asked == ["ж", "中"]
    assert printable.all({"a": ["plain", 3, None]}) == {"a": ["plain", 3, None]}
    assert asked == ["ж", "中"]


def test_names_and_settings_become_words() -> None:
    assert words("dc_voltage") == "DC voltage"
    assert words("winding_resistance_20") == "winding resistance at 20 °C"
    assert words("resistance_between_terminals_25") == "resistance between terminals at 25 °C"
    assert words("resistance_13") == "resistance between terminals 1 and 3"
    assert words("voltage_constant_si") == "voltage constant (SI)"
    assert words("bench_drag_at_no_load") == "bench drag at no load"
    assert words("no_load_current") == "no-load current"


@pytest.mark.parametrize(
    ("sentence", "shown"),
    [
        ("Mean of motor_voltage_fundamental.", "Mean of motor voltage fundamental."),
        ("Winding_temperature less θ, dc_voltage·dc_current.", "Winding temperature less θ, DC voltage·DC current."),
        ("T/motor_current by -shaft_torque", "T/motor current by -shaft torque"),
        ("see configs/pump_48v.toml and pump_48v.toml:15", "see configs/pump_48v.toml and pump_48v.toml:15"),
        ("_under_ stays, load.no_load_speed too", "_under_ stays, load.no_load_speed too"),
    ],
)
def test_names_in_sentences_are_told_in_words_and_files_stay(sentence: str, shown: str) -> None:
    assert sentence_words(sentence) == shown


def test_a_symbol_keeps_its_size() -> None:
    assert [capital(text) for text in ("ψ = Ke", "k = 2", "speed n")] == ["ψ = Ke", "k = 2", "Speed n"]


@pytest.mark.parametrize(
    ("event", "shown"),
    [
        ({"event": "made_safe", "port": "motor_drive.axis"}, "motor drive, axis"),
        ({"event": "start_warning", "seconds": 2.0}, "for 2\u202fs"),
        ({"event": "standstill", "told_by": ["load_drive", "measuring_unit"]}, "told by load drive, measuring unit"),
        ({"event": "captured", "test": 5, "lossy": ""}, "test 5"),
        (
            {"event": "tripped", "cause": "dc_current was high.", "reaction": "cut"},
            "DC current was high. Reaction: cut.",
        ),
        ({"event": "deviation", "sentence": "dc_current was off."}, "dc_current was off."),
        (
            {
                "event": "drive_parameters",
                "port": "motor_drive.axis",
                "parameters": {"pole_pairs": 4, "rated_current_a": 19.5, "quick_stop_option": 2},
                "sha256": "ab12",
            },
            "motor drive, axis, pole pairs 4, rated current 19.5\u202fA, quick stop option 2, SHA-256 ab12",
        ),
        (
            {"event": "drive_parameters", "port": "a.b", "parameters": {}, "sha256": "", "note": "Not compared."},
            "a, b. Not compared.",
        ),
        ({"event": "drive_limits", "port": "a.b", "overspeed_rpm": 6000.0}, "a, b, overspeed 6000\u202fr/min"),
    ],
)
def test_an_event_is_told_in_words(event: dict[str, object], shown: str) -> None:
    assert event_words(event) == shown


def test_settings_are_told_with_their_units() -> None:
    assert dict(pairs_of({"coupling": {"max_torque_nm": 2.5}})) == {"coupling, max torque": "2.5\u202fN·m"}
    assert said([6.0, 12.0], "V") == "6, 12\u202fV"
    assert said(None) == "not stated"


@pytest.mark.parametrize(
    ("low", "high", "value", "half"),
    [
        (0.0, 1.0, 0.5, 0.1),
        (None, 12.0, 14.2, 0.6),
        (0.9, None, 0.5, 0.0),
        (1.0, 1.0, 1.0, 0.0),
        (-5.0, -4.0, 3.0, 9.0),
    ],
)
def test_a_strip_holds_bounds_and_interval_in_their_order(
    low: float | None, high: float | None, value: float, half: float
) -> None:
    drawn = strip(low, high, value, half)
    assert drawn is not None
    places = [drawn["low"], drawn["high"], drawn["value"], drawn["from"], drawn["to"], *drawn["bounds"]]
    assert all(0.0 <= place <= 1.0 for place in places)
    assert drawn["low"] <= drawn["high"]
    assert drawn["from"] <= drawn["value"] <= drawn["to"]
    inside = (low is None or value >= low) and (high is None or value <= high)
    assert inside == (drawn["low"] <= drawn["value"] <= drawn["high"])


def test_no_data_reaches_the_pages_as_markup() -> None:
    """Markup is made nowhere but in the page files, and these evaluate nothing."""
    pages = Path(__file__).parents[2] / "benchd/report/pages"
    for file in pages.glob("*.typ"):
        assert "eval(" not in file.read_text()
        assert "@preview" not in file.read_text()


def test_a_jog_is_told_in_words_phase_by_phase_and_what_was_not_plausible_first() -> None:
    event = {
        "event": "implausible",
        "sentence": "shaft_speed reads -118 r/min while load_drive turns 120 r/min.",
        "fastest_rpm": 136.42,
        "turned": {"shaft_speed": -118.0, "drive_speed": 120.04, "supply_voltage": 24.0},
        "pushed": {"shaft_torque": 0.154422},
    }
    said = event_words(event)
    assert said.startswith("shaft_speed reads -118 r/min")
    assert "Up to 136.4\u202fr/min; turned: shaft speed −118, drive speed 120; pushed: shaft torque 0.1544" in said
    assert "{" not in said
