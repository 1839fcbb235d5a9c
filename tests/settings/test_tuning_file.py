"""Tuning files: what is in them becomes loops, what is wrong with them is refused with line and key."""

import re
from pathlib import Path

import pytest

from benchd.rules.loops import Driven
from benchd.rules.moves import Role
from benchd.settings.errors import SettingsError
from benchd.settings.tuning_file import load_tuning, newest_tuning, tuning_directory

GOOD = f"""\
schema = 1
made_utc = 2026-11-28T20:15:00Z
made_by = "Odile Brandvold"
software = "benchd 1"
bench = "vineyard"
motor = "WP48-750"
adapter = "foot mount"

[sources]
bench = "{"0" * 64}"
motor = "{"1" * 64}"
setup = "{"2" * 64}"

[[loop]]
role = "load_drive"
driven = "torque"
channel = "shaft_torque"
rule = "magnitude optimum"
explained_ratio = 0.999
seen_late_s = 0.007

[loop.plant]
gain = 0.5
lag_s = 0.04
small_s = 0.0
dead_s = 0.012

[loop.doubt]
gain = 0.005
lag_s = 0.002
dead_s = 0.002

[loop.regulator]
proportional = 1.25
integral_per_s = 29.0
weight = 1.0
anti_windup_s = 0.04
blind_s = 0.5
low = -0.1
high = 0.2

[loop.predicted]
phase_margin_deg = 61.0
overshoot_ratio = 0.04
settling_s = 0.11
"""
LOOP = GOOD[GOOD.index("[[loop]]") :]
WRONG = {
    "no loop": (LOOP, "", "loop", "missing"),
    "a key that nobody knows": ("lag_s = 0.04", "lag_s = 0.04\nlead_s = 1.0", "loop.plant.lead_s", ""),
    "a negative dead time": ("dead_s = 0.012", "dead_s = -0.012", "loop.plant.dead_s", ""),
    "no number": ("gain = 0.5", "gain = nan", "loop.plant.gain", "finite number"),
    "a plant that does nothing": ("gain = 0.5", "gain = 0.0", "loop item 1", "would drive the channel away"),
    "a gain of the wrong sign": ("gain = 0.5", "gain = -0.5", "loop item 1", "would drive the channel away"),
    "gains that contradict": ("proportional = 1.25", "proportional = -1.25", "loop item 1", "one sign"),
    "a role that holds nothing": ('"load_drive"', '"sink"', "loop.role", ""),
    "no set-point of that kind": ('"torque"', '"current"', "loop.driven", ""),
    "bounds on one side": ("low = -0.1", "low = 0.1", "loop.regulator.low", "both sides of 0"),
    "bounds the wrong way round": ("high = 0.2", "high = -0.2", "loop.regulator.low", "both sides of 0"),
    "a sum that is none": ("0" * 64, "0" * 63, "sources.bench", ""),
    "a time without its zone": ("20:15:00Z", "20:15:00", "made_utc", ""),
    "the same loop twice": (LOOP, LOOP + LOOP, "loop item 2", "second one"),
    "a weight beyond 1": ("weight = 1.0", "weight = 1.5", "loop.regulator.weight", ""),
    "a later format": ("schema = 1", "schema = 2", "schema", "update benchd"),
}


def file_of(folder: Path, text: str) -> Path:
    path = folder / "20261128T201500Z.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_good_file_becomes_loops(tmp_path: Path) -> None:
    path = file_of(tmp_path, GOOD)
    tuning = load_tuning(path)
    (loop,) = tuning.loops
    assert (loop.role, loop.driven, loop.channel) == (Role.LOAD_DRIVE, Driven.TORQUE, "shaft_torque")
    assert (loop.plant.gain, loop.plant.lag_s, loop.plant.dead_s) == (0.5, 0.04, 0.012)
    gains = loop.regulator.schedule.at(0.0)
    assert (gains.proportional, gains.integral_per_s) == (1.25, 29.0)
    assert (loop.regulator.bounds.low, loop.regulator.bounds.high) == (-0.1, 0.2)
    assert loop.origin == str(path)
    assert tuning.settings.made_utc.isoformat() == "2026-11-28T20:15:00+00:00"


def test_two_channels_may_follow_one_set_point_and_one_channel_two(tmp_path: Path) -> None:
    more = LOOP.replace('"shaft_torque"', '"drive_torque"') + LOOP.replace('"torque"', '"speed"')
    assert len(load_tuning(file_of(tmp_path, GOOD + more)).loops) == 3


@pytest.mark.parametrize("mistake", WRONG)
def test_a_mistake_is_refused_with_file_line_and_key(tmp_path: Path, mistake: str) -> None:
    old, new, key, words = WRONG[mistake]
    assert old in GOOD
    path = file_of(tmp_path, GOOD.replace(old, new, 1))
    with pytest.raises(SettingsError) as refused:
        load_tuning(path)
    assert refused.value.key == key
    assert words in refused.value.sentence
    assert re.search(r"20261128T201500Z\.toml:\d+ ", refused.value.sentence)


def test_the_newest_of_a_motor_on_a_bench_counts_and_no_other(tmp_path: Path) -> None:
    mine = tuning_directory(tmp_path, "vineyard", "WP48-750")
    other = tuning_directory(tmp_path, "vineyard", "WP48-75")
    assert newest_tuning(tmp_path, "vineyard", "WP48-750") is None
    for directory, name in (
        (mine, "20261128T201500Z"),
        (mine, "20271128T201500Z"),
        (mine, "20270101T000000Z"),
        (other, "20301128T201500Z"),
    ):
        directory.mkdir(parents=True, exist_ok=True)
        (directory / f"{name}.toml").write_text(GOOD, encoding="utf-8")
    (mine / "20991128T201500Z.toml.partial").write_text("half", encoding="utf-8")
    assert newest_tuning(tmp_path, "vineyard", "WP48-750") == mine / "20271128T201500Z.toml"


@pytest.mark.parametrize("odd", ["../../etc", "a/b", "..", "spaced name", "µ-7", "a%2Fb"])
def test_an_odd_motor_type_stays_one_directory_below_its_bench(tmp_path: Path, odd: str) -> None:
    directory = tuning_directory(tmp_path, "vineyard", odd)
    assert directory.parent == tmp_path / "tuning" / "vineyard"
    assert directory.resolve().parent == (tmp_path / "tuning" / "vineyard").resolve()
