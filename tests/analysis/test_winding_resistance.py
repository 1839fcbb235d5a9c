"""Winding resistance: polarity reversal cancels offsets, temperatures carry it, open and poor leads are named."""

from dataclasses import replace

import pytest

from benchd.analysis import evaluate, expanded

from .brushless_bench import MOTOR, Played, Sensors, Visit, record

PHASES = (0.25, 0.25, 0.25)
PAIRS = {12: (0, 1), 23: (1, 2), 13: (0, 2)}
THERMAL_EMF_V = 4e-4


def measured(phases=PHASES, *, current_a=1.5, pairs=(12, 23, 13), open_pairs=(), emf_v=THERMAL_EMF_V, degc=31.0):
    visits = []
    for pair in pairs:
        ohm = sum(phases[k] for k in PAIRS[pair])
        for sign in (1.0, -1.0):
            amperes = 0.0 if pair in open_pairs else sign * current_a
            shows = {"winding_current": amperes, "winding_voltage": ohm * amperes + emf_v}
            shows |= {} if degc is None else {"winding_temperature": degc}
            visits.append(Visit(asked={"pair": float(pair), "current_a": sign * current_a}, shows=shows))
    return Played(kind="winding_resistance", visits=visits)


QUIET = Sensors(noise=1e-8)


def test_thermal_voltages_and_offsets_cancel():
    q = evaluate(
        record([measured()], sensors=replace(QUIET, offset={"winding_voltage": 3e-4, "winding_current": 0.01}))
    )
    assert q.quantity("winding_resistance", "resistance_between_terminals").value == pytest.approx(0.5, rel=1e-7)
    assert q.quantity("winding_resistance", "phase_resistance").value == pytest.approx(0.25, rel=1e-7)
    assert q.quantity("winding_resistance", "resistance_12").value == pytest.approx(0.5, rel=1e-7)


def test_the_gains_of_voltage_and_current_remain():
    q = evaluate(record([measured()], sensors=QUIET)).quantity("winding_resistance", "resistance_between_terminals")
    assert q.standard_uncertainty / q.value == pytest.approx(0.0005, rel=0.01)  # 0.03 % and 0.04 %
    assert not any("offset" in name for name in q.budget)


def test_the_resistance_is_carried_to_twenty_and_twenty_five_degrees():
    results = evaluate(record([measured(degc=31.0)], sensors=QUIET))
    for degc in (20, 25):
        q = results.quantity("winding_resistance", f"resistance_between_terminals_{degc}")
        # copper, k = 235 (IEC 60034-1, value from memory)
        assert q.value == pytest.approx(0.5 * (235.0 + degc) / (235.0 + 31.0), rel=1e-6)
        assert q.budget["winding_temperature, offset"] / q.value == pytest.approx(0.3 / 266.0, rel=0.01)


def test_without_a_temperature_the_reason_is_given_in_words():
    results = evaluate(record([measured(degc=None)]))
    assert results.quantity("winding_resistance", "resistance_between_terminals").value is not None
    q = results.quantity("winding_resistance", "resistance_between_terminals_20")
    assert "winding_temperature" in q.reason
    assert "thermometer" in q.reason


@pytest.mark.parametrize(
    ("open_pairs", "words"),
    [
        ((12, 13), "at terminal 1, which these pairs share"),
        ((12, 23), "at terminal 2, which these pairs share"),
        ((23,), "meter's contacts for this pair"),
        ((12, 23, 13), "more than one lead is open, or the meter's own leads are off"),
    ],
)
def test_an_open_lead_is_named(open_pairs, words):
    results = evaluate(record([measured(open_pairs=open_pairs)]))
    assert any(words in n for n in results.tests["winding_resistance"].notes)
    for pair in open_pairs:
        assert "no current flowed" in results.quantity("winding_resistance", f"resistance_{pair}").reason


def test_a_phase_that_stands_out_is_named():
    results = evaluate(record([measured(phases=(0.25, 0.28, 0.25))], sensors=QUIET))
    assert results.quantity("winding_resistance", "resistance_unbalance").value == pytest.approx(0.03 / 0.52, rel=1e-4)
    notes = results.tests["winding_resistance"].notes
    assert any("phase 2 has 12.0 % more resistance" in n and "terminal 2" in n for n in notes)


def test_a_balanced_winding_near_its_data_sheet_has_nothing_to_tell():
    assert evaluate(record([measured()])).tests["winding_resistance"].notes == ()


def test_a_resistance_far_from_the_data_sheet_is_told():
    motor = {**MOTOR, "data_sheet": {"resistance_ohm": 0.8}}
    notes = evaluate(record([measured()], motor=motor)).tests["winding_resistance"].notes
    assert any("data sheet says 0.8" in n for n in notes)


def test_exchanged_voltage_leads_are_told():
    notes = evaluate(record([measured(phases=(-0.25, -0.25, -0.25))])).tests["winding_resistance"].notes
    assert any("voltage leads of the resistance meter are exchanged" in n for n in notes)


def test_a_brushed_motor_has_one_terminal_resistance_with_its_brushes():
    motor = {"kind": "brushed_dc", "data_sheet": {"resistance_ohm": 0.5}}
    results = evaluate(record([measured(pairs=(12,))], motor=motor, sensors=QUIET))
    q = results.quantity("winding_resistance", "terminal_resistance")
    assert q.value == pytest.approx(0.5, rel=1e-7)
    assert "brush contacts" in q.how
    assert abs(q.value - 0.5) < expanded(q)[0]
    assert any("brushes' contacts" in n for n in results.tests["winding_resistance"].notes)


def test_the_points_hold_voltage_and_current():
    test = evaluate(record([measured()])).tests["winding_resistance"]
    assert [p.asked["pair"] for p in test.points] == [12.0, 12.0, 23.0, 23.0, 13.0, 13.0]
    assert test.points[1].values["winding_current"].value == pytest.approx(-1.5, rel=1e-3)
    assert test.units == {"winding_voltage": "V", "winding_current": "A"}


def test_without_the_meter_the_reason_is_given():
    played = measured()
    bare = Played(
        kind=played.kind, visits=[Visit(asked=v.asked, shows={"winding_temperature": 20.0}) for v in played.visits]
    )
    q = evaluate(record([bare])).quantity("winding_resistance", "resistance_between_terminals")
    assert q.reason == "the run has no channel winding_voltage"
