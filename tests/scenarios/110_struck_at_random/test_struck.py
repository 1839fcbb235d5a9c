"""Faults and commands strike a brushless run at random moments, alone or one after the other; the plant judges.

Each case is drawn from its own seed and stays the same from run to run.
"""

import random
from pathlib import Path

import pytest

from benchd.live.virtual_time import run_virtual
from benchd.rules.states import Command
from tests.scenarios.striking import (
    KINDS,
    Case,
    Strike,
    asked,
    broken,
    motor_drive_runs_away,
    pressed,
    struck,
    supply_limits_its_current,
    trips,
    wire,
)

# What strikes, and a word that the first cause must have when it strikes alone and ends the run.
STRIKES: dict[str, tuple[Strike, str]] = {
    "load drive hangs": (wire("load_drive", "hang"), "load_drive"),
    "motor drive hangs": (wire("motor_drive", "hang"), "motor_drive"),
    "load drive runs away": (broken("load_runs_away"), ""),
    "motor drive runs away": (motor_drive_runs_away, ""),
    "load drive unplugged": (wire("load_drive", "refuse"), "load_drive"),
    "motor drive unplugged": (wire("motor_drive", "refuse"), "motor_drive"),
    "load drive garbled": (wire("load_drive", "garbage"), "load_drive"),
    "motor drive deaf": (wire("motor_drive", "ignore_writes"), "motor_drive"),
    "load drive faults": (trips("load_drive"), "load_drive"),
    "motor drive faults": (trips("motor_drive"), "motor_drive"),
    "supply trips": (trips("supply"), "supply"),
    "sink trips": (trips("sink"), "sink"),
    "sink dead": (broken("sink_dead"), "link_voltage"),
    "supply hangs": (wire("supply", "hang"), "supply"),
    "supply limits its current": (supply_limits_its_current, ""),
    "measuring unit unplugged": (wire("measuring_unit", "drop"), "measuring_unit"),
    "encoder lost": (broken("encoder_lost"), "shaft_speed"),
    "transducer lead open": (broken("transducer_lead_open"), "shaft_torque"),
    "transducer flipped": (broken("transducer_sign_flipped"), ""),
    "analyser silent": (wire("power_analyser", "hang"), "motor_current"),
    "meter silent": (wire("resistance_meter", "hang"), "resistance_meter"),
    "chain silent": (wire("safety_chain", "hang"), "safety_chain"),
    "emergency stop": (pressed("estop"), "emergency stop"),
    "guard": (pressed("open_guard"), "guard"),
    "selector": (pressed("local"), "local"),
    "stop": (asked(Command.STOP), ""),
    "abort": (asked(Command.ABORT), "Abort"),
    "hold": (asked(Command.HOLD), ""),
}
PLAYED = {name: strike for name, (strike, _) in STRIKES.items()} | {
    "load drive deaf": wire("load_drive", "ignore_writes"),
    "load drive late": wire("load_drive", "late_reply", delay_s=0.15),
}
CASES = 18


def drawn(number: int) -> Case:
    """A case, by its number alone."""
    draw = random.Random(number)  # noqa: S311  (a story, not a secret)
    names = list(STRIKES)
    first, second = names[11 * number % len(names)], draw.choice(names) if draw.random() < 0.5 else ""
    kind = draw.choice([*KINDS, "load", "rated_point"])
    return Case(
        first=first,
        kinds=(kind,) if draw.random() < 0.8 or kind == "winding_resistance" else ("winding_resistance", kind),
        after_s=draw.uniform(0.0, 1.0) if kind == "winding_resistance" else draw.uniform(0.6, 2.6),
        second=second,
        between_s=draw.choice([0.0, draw.uniform(0.0, 0.3)]),
        from_stop=draw.random() < 0.6,
    )


@pytest.mark.parametrize("number", range(CASES))
def test_the_energy_goes_in_time_and_the_shaft_never_runs_on(tmp_path: Path, number: int) -> None:
    case = drawn(number)
    seen = run_virtual(struck(tmp_path, case, PLAYED))
    assert seen.wrong == [], (case, seen)
    if seen.cause and not case.second:
        assert STRIKES[case.first][1] in seen.cause, (case, seen)


@pytest.mark.parametrize(
    ("first", "kind", "after_s"),
    [
        ("load drive hangs", "load", 2.2),
        ("load drive garbled", "load", 2.2),
        ("load drive deaf", "rated_point", 2.756),
        ("load drive runs away", "torque_zero", 1.0),
        ("motor drive runs away", "no_load", 1.9),
    ],
)
def test_what_a_stop_got_wrong_once_it_does_no_more(tmp_path: Path, first: str, kind: str, after_s: float) -> None:
    """A light rotor that is left to one machine reverses or runs up within a tenth of a second."""
    case = Case(first=first, kinds=(kind,), after_s=after_s)
    seen = run_virtual(struck(tmp_path, case, PLAYED))
    assert seen.wrong == [], seen
    assert seen.state == "Aborted"


@pytest.mark.parametrize(
    ("kind", "after_s", "second", "between_s"),
    [
        ("rated_point", 2.756, "", 0.0),
        ("load", 2.2, "abort", 0.3),
        ("load", 2.3, "abort", 0.3),
        ("rated_point", 2.756, "selector", 0.45),
    ],
)
def test_a_load_drive_that_answers_late_does_not_turn_the_shaft_backwards(
    tmp_path: Path, kind: str, after_s: float, second: str, between_s: float
) -> None:
    """It obeys what reaches it and every word of it takes 0.15 s; two newton metres reverse this rotor in 0.04 s."""
    case = Case(first="load drive late", kinds=(kind,), after_s=after_s, second=second, between_s=between_s)
    seen = run_virtual(struck(tmp_path, case, PLAYED))
    assert seen.wrong == [], seen
    assert seen.state == "Aborted"


@pytest.mark.parametrize(("kind", "after_s"), [("rated_point", 2.756), ("load", 2.2), ("load", 2.3)])
def test_behind_a_supply_that_trips_a_late_load_drive_has_the_chain_opened(
    tmp_path: Path, kind: str, after_s: float
) -> None:
    """Two faults at once: the motor drive has no link to hold the shaft with, nobody has told the brake to hold it."""
    case = Case(first="load drive late", kinds=(kind,), after_s=after_s, second="supply trips", between_s=0.3)
    seen = run_virtual(struck(tmp_path, case, PLAYED))
    assert seen.backwards_rpm < 800.0, seen  # left to the drive's own turn it was 1500 r/min
    assert not seen.permit
    assert seen.off_s < 0.2


@pytest.mark.parametrize(("kind", "after_s"), [("no_load", 1.9), ("load", 2.2)])
@pytest.mark.parametrize("away", ["load drive runs away", "motor drive runs away"])
def test_the_programmes_speed_limit_holds_without_the_encoder(
    tmp_path: Path, kind: str, after_s: float, away: str
) -> None:
    """By the drives' own speeds. Left to the bench's limits alone, 7.5 N·m took this rotor to 5700 r/min."""
    case = Case(first="encoder lost", kinds=(kind,), after_s=after_s, second=away)
    seen = run_virtual(struck(tmp_path, case, PLAYED))
    assert seen.wrong == [], seen
    assert "limits.high, for shaft_speed" in seen.cause
