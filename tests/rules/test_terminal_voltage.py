"""A supply corrected for its cable, in a circuit worked out beside it; and what a lead that fell off can do to it."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.rules.regulator import Regulator, Sight, started, step
from benchd.rules.regulator_gains import Bounds, Gains, Schedule
from benchd.rules.terminal_voltage import SenseLine, believed_v, correction_bounds_v

LINE = SenseLine(cable_ohm=0.04, current_limit_a=60.0, margin=1.5, reading_v=0.1)
ASKED_V, LOAD_OHM = 24.0, 0.76  # with 0.04 ohm of cable: 30 A and 1.2 V lost uncorrected, 31.579 A corrected
HOLD = Regulator(
    schedule=Schedule(((0.0, Gains(proportional=0.2, integral_per_s=10.0)),)),
    bounds=Bounds(low=0.0, high=10.0),
    anti_windup_s=0.1,
    blind_s=0.1,
)


def played(*, off_at_s: float, believes: bool, lasts_s: float = 4.0) -> tuple[list[float], list[float], Sight]:
    """The supply's and the terminals' voltage from tick to tick; the sense lead reads 0 from `off_at_s` on."""
    state, supplies_v, terminals_v = started(HOLD, output=0.0, measured=ASKED_V), [], []
    for tick in range(round(lasts_s / 0.01)):
        supply_v = ASKED_V + state.output
        current_a = supply_v / (LOAD_OHM + LINE.cable_ohm)
        terminal_v = current_a * LOAD_OHM
        sensed_v: float | None = terminal_v if tick * 0.01 < off_at_s else 0.0
        if believes:
            sensed_v = believed_v(LINE, sensed_v, output_v=supply_v, current_a=current_a)
        bounds = correction_bounds_v(LINE, current_a=current_a)
        state = step(HOLD, state, dt_s=0.01, set_point=ASKED_V, measured=sensed_v, within=bounds)
        supplies_v.append(supply_v)
        terminals_v.append(terminal_v)
    return supplies_v, terminals_v, state.sight


def test_the_voltage_stands_at_the_terminals_in_spite_of_the_cable() -> None:
    supplies_v, terminals_v, sight = played(off_at_s=math.inf, believes=True)
    assert terminals_v[0] == pytest.approx(24.0 * 0.76 / 0.8)
    assert terminals_v[-1] == pytest.approx(24.0, abs=1e-3)
    assert supplies_v[-1] == pytest.approx(24.0 * 0.8 / 0.76, abs=1e-3)
    assert sight is Sight.SEES


def test_a_lead_that_falls_off_moves_nothing_and_is_told() -> None:
    supplies_v, _, sight = played(off_at_s=2.0, believes=True)
    assert supplies_v[-1] == pytest.approx(supplies_v[199], abs=1e-6)
    assert sight is Sight.LOST


def test_even_where_a_fallen_lead_were_believed_the_correction_ends_at_what_the_cable_can_lose() -> None:
    supplies_v, _, _ = played(off_at_s=2.0, believes=False)
    # closed form: V = 24 + 1.5·0.04·V/0.8 comes to rest at 24/(1 − 0.075), 2.7 % above what the cable needs
    assert max(supplies_v) <= 24.0 / (1.0 - 0.075) + 1e-9
    assert supplies_v[-1] == pytest.approx(24.0 / (1.0 - 0.075), abs=1e-3)


@given(st.floats(allow_nan=True, allow_infinity=True), st.floats(0.0, 1.0), st.floats(0.0, 100.0), st.floats(0.0, 2.0))
def test_no_current_whatever_it_reads_allows_more_than_the_supplys_limit_makes_in_the_cable(
    current_a: float, cable_ohm: float, limit_a: float, diode_v: float
) -> None:
    line = SenseLine(cable_ohm=cable_ohm, current_limit_a=limit_a, diode_v=diode_v, margin=1.2)
    bounds = correction_bounds_v(line, current_a=current_a)
    assert bounds.low == 0.0
    assert 0.0 <= bounds.high <= 1.2 * limit_a * cable_ohm + diode_v
    if not current_a > 0.0:
        assert bounds.high == 0.0


def test_the_bound_is_margin_times_current_times_resistance_and_the_diode() -> None:
    assert correction_bounds_v(LINE, current_a=20.0).high == pytest.approx(1.2)
    assert correction_bounds_v(LINE, current_a=500.0).high == pytest.approx(3.6)
    diode = SenseLine(cable_ohm=0.04, current_limit_a=60.0, diode_v=0.9, margin=1.0)
    assert correction_bounds_v(diode, current_a=10.0).high == pytest.approx(1.3)


@pytest.mark.parametrize(
    ("sensed_v", "current_a", "believed"),
    [
        (24.0, 0.0, True),
        (22.9, 30.0, True),  # 1.8 V may be lost
        (22.0, 30.0, False),
        (22.9, 0.0, False),  # nothing flows, so nothing is lost
        (24.05, 30.0, True),
        (24.2, 30.0, False),
        (25.0, -20.0, True),  # what flows back lifts it
        (22.9, -20.0, False),
        (0.0, 30.0, False),
        (-22.9, 30.0, False),  # the lead's wires exchanged
    ],
)
def test_a_reading_is_believed_where_cable_and_current_explain_it(
    sensed_v: float, current_a: float, *, believed: bool
) -> None:
    found = believed_v(LINE, sensed_v, output_v=24.0, current_a=current_a)
    assert found == (sensed_v if believed else None)


@pytest.mark.parametrize(
    ("sensed_v", "output_v", "current_a"),
    [(None, 24.0, 1.0), (math.nan, 24.0, 1.0), (24.0, math.nan, 1.0), (24.0, 24.0, math.inf)],
)
def test_a_reading_that_cannot_be_judged_is_not_believed(
    sensed_v: float | None, output_v: float, current_a: float
) -> None:
    assert believed_v(LINE, sensed_v, output_v=output_v, current_a=current_a) is None


@pytest.mark.parametrize(
    "wrong", [{"cable_ohm": -0.1}, {"cable_ohm": math.inf}, {"margin": 0.9}, {"diode_v": math.nan}, {"reading_v": -1.0}]
)
def test_a_line_that_cannot_be_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="sense line"):
        SenseLine(**{"cable_ohm": 0.04, "current_limit_a": 60.0, **wrong})
