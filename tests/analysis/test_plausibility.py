"""What contradicts physics is said in words that name the likely suspect, and a sound run has nothing to tell."""

import math
from dataclasses import replace

import numpy as np
import pytest

from benchd.analysis import evaluate
from benchd.rules.channels import Quality

from .brushless_bench import Pmsm, back_emf_test, changed, load_test, no_load_test, record

MACHINE = Pmsm(coulomb_nm=0.1)


def notes_of(played, **options):
    return evaluate(record([played], **options)).tests[played.kind].notes


def scaled(channel, factor):
    return {channel: lambda shows: factor * shows[channel]}


STORIES = {
    "a voltage lead of the analyser is off": (
        {**scaled("phase_voltage_1", 0.02), **scaled("phase_power_1", 0.02), **scaled("motor_power", 0.67)},
        "the analyser's voltage lead of this phase is off",
    ),
    "a phase is open": (scaled("phase_current_2", 0.03), "phase_current_2 is 3 % of the other phases"),
    "a current sensor is turned round": (scaled("phase_power_3", -1.0), "a current sensor turned round"),
    "phases are exchanged": (scaled("shaft_torque", 0.1), "two exchanged phase leads"),
    "the commutation is off": (scaled("shaft_torque", 0.7), "a commutation offset, a weakened field"),
    "the torque has the wrong sign": (scaled("shaft_torque", -1.0), "the sign of shaft_torque or of shaft_speed"),
    "the torque is scaled too high": (scaled("shaft_torque", 1.1), "the torque's scale or sign"),
    "the power runs backwards": (
        {**scaled("motor_power", -1.0), **scaled("power_factor", -1.0)},
        "power out of a motor that drives",
    ),
    "the DC current reads low": (scaled("dc_current", 0.8), "the terminals take more power than the DC side gives"),
    "a sense lead is off": (scaled("dc_voltage", 0.9), "a sense lead that is off, or a poor contact"),
    "the coupling slips": (scaled("drive_speed", 0.9), "a slipping or broken coupling"),
    "the pole pairs are wrong": (scaled("motor_frequency", 1.25), "make 5.00 pole pairs"),
}


@pytest.mark.parametrize("story", STORIES)
def test_a_defect_is_told_with_its_likely_suspect(story):
    shows, words = STORIES[story]
    told = notes_of(changed(load_test(MACHINE), **shows))
    assert any(words in n for n in told), told


@pytest.mark.parametrize("played", [load_test(MACHINE), no_load_test(MACHINE), back_emf_test(MACHINE)])
def test_a_sound_test_has_nothing_to_tell(played):
    assert notes_of(played) == ()


def test_a_sense_lead_that_gives_no_number_is_named():
    told = notes_of(changed(load_test(MACHINE), dc_voltage=lambda _: math.nan))
    assert any("dc_voltage" in n and "its sense lead is the likely suspect" in n for n in told)


def test_a_speed_that_never_settled_is_told():
    told = notes_of(
        changed(load_test(MACHINE, speed_band_rpm=5.0), shaft_speed=lambda _: 2980.0, drive_speed=lambda _: 2980.0)
    )
    assert any("never settled within 5 r/min" in n for n in told)


def test_a_shaft_that_hardly_turns_is_one_sentence_and_not_five():
    still = changed(
        load_test(MACHINE), **scaled("phase_current_3", 0.1), shaft_speed=lambda _: 1.0, drive_speed=lambda _: -2.0
    )
    told = [n for n in notes_of(still) if "likely suspect" in n]
    assert len(told) == 1
    assert "hardly turned" in told[0]
    assert "two exchanged phase leads" in told[0]


def test_points_with_one_cause_share_a_sentence():
    told = notes_of(changed(load_test(MACHINE), dc_voltage=lambda _: math.nan))
    assert [n for n in told if "dc_voltage" in n] == [told[0]]
    assert told[0].startswith("Points 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11: dc_voltage")


def test_torque_an_ampere_far_below_the_back_emf_s_constant_is_told():
    weak = changed(load_test(MACHINE), **{c: (lambda s, c=c: s[c] / 0.8) for c in ("motor_current",)})
    sound = [back_emf_test(MACHINE), load_test(MACHINE)]
    assert not any("torque constant" in n for n in evaluate(record(sound)).notes)
    assert any("below the torque constant" in n for n in evaluate(record([sound[0], weak])).notes)


def test_a_saturated_torque_leaves_its_points_without_power_and_says_so():
    run = record([load_test(MACHINE)])
    marks = run.quality["shaft_torque"].copy()
    marks[run.values["shaft_torque"] > 12.0] = Quality.OVER_RANGE
    results = evaluate(replace(run, quality={**run.quality, "shaft_torque": marks}))
    assert any("shaft_torque" in n and "over range" in n for n in results.tests["load"].notes)
    assert results.quantity("load", "point_005_efficiency").value is None
    assert results.quantity("load", "efficiency_at_rated_torque").value is not None


def test_a_standing_shaft_leaves_reasons_and_a_sentence():
    still = changed(load_test(MACHINE), shaft_speed=lambda _: math.nan)
    results = evaluate(record([still]))
    assert all(q.value is None and q.reason for q in results.tests["load"].quantities)
    assert any("no usable speed above standstill" in n for n in results.tests["load"].notes)


@pytest.mark.parametrize("kind", ["load", "no_load", "back_emf", "rated_point", "winding_resistance", "torque_zero"])
@pytest.mark.parametrize("motor", ["brushless", "brushed_dc"])
def test_a_test_without_a_single_row_gives_reasons_and_no_numbers(kind, motor):
    run = record([load_test(MACHINE)])
    empty = replace(
        run,
        time_mono_s=np.zeros(0),
        test=np.zeros(0, dtype=int),
        point=np.zeros(0, dtype=int),
        values={c: np.zeros(0) for c in run.values},
        ages_s={c: np.zeros(0) for c in run.values},
        quality={c: np.zeros(0, dtype=np.uint8) for c in run.values},
        tests=[replace(run.tests[0], kind=kind)],
        motor={**run.motor, "kind": motor},
    )
    for points in (empty.tests[0].points, ()):
        for test in evaluate(replace(empty, tests=[replace(empty.tests[0], points=points)])).tests.values():
            assert all(q.value is None and q.reason for q in test.quantities)
