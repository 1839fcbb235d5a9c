"""Identification against loops that python-control simulates, with what the tests know beforehand."""

import control
import numpy as np
import pytest

from benchd.analysis.identification import Identified, NotIdentified, Response, identify, plant_of

TICK_S = 0.01
STEP_S = 0.0005  # of the simulation
LEVELS = (0.0, 1.0, 0.0, -1.0) * 3 + (0.0,)


def set_points(*, step: float = 0.25, slope_per_s: float = 2.0, hold_s: float = 0.8) -> tuple[np.ndarray, np.ndarray]:
    """What a bench sets at its ticks: up, back, down, back, three times, no faster than its slope."""
    values, now = [0.0] * 30, 0.0
    for level in LEVELS:
        while now != level * step:
            now += float(np.clip(level * step - now, -slope_per_s * TICK_S, slope_per_s * TICK_S))
            values.append(now)
        values += [now] * round(hold_s / TICK_S)
    return 100.0 + TICK_S * np.arange(len(values)), np.array(values)


def simulated(
    *, gain: float = 1.0, lag_s: float = 0.05, dead_s: float = 0.03, noise: float = 0.0, drift: float = 0.0, **how
) -> Response:
    """A held set-point through python-control's first-order lag, moved by the dead time, read every 10 ms or so."""
    set_s, value = set_points(**how)
    fine_s = np.arange(set_s[0], set_s[-1], STEP_S)
    held = value[np.searchsorted(set_s, fine_s + 1e-9, side="right") - 1]
    lag = control.tf([gain], [lag_s, 1.0]) if lag_s else control.tf([gain], [1.0])
    answer = control.forced_response(lag, fine_s - fine_s[0], held).outputs if lag_s else gain * held
    read_s = np.arange(set_s[0] + 0.2003, set_s[-1] - 0.1, 0.0097)
    reading = np.interp(read_s - dead_s, fine_s, answer) + 3.0 + drift * (read_s - read_s[0])
    reading += np.random.default_rng(7).normal(0.0, noise, read_s.size) if noise else 0.0
    return Response(what="it", set_s=set_s, set_point=value, read_s=read_s, reading=reading)


def found(response: Response, *, expected: float = 1.0) -> Identified:
    return identify(response, expected_gain=expected, gain_tolerance=0.2)


@pytest.mark.parametrize(("lag_s", "dead_s"), [(0.0, 0.02), (0.02, 0.0), (0.05, 0.03), (0.15, 0.01), (0.01, 0.08)])
def test_a_lag_and_a_dead_time_are_found_within_a_millisecond_and_a_half(lag_s: float, dead_s: float) -> None:
    one = found(simulated(lag_s=lag_s, dead_s=dead_s))
    assert one.gain.value == pytest.approx(1.0, abs=0.002)
    assert one.lag_s.value + one.dead_s.value == pytest.approx(lag_s + dead_s, abs=1e-3)
    assert one.dead_s.value == pytest.approx(dead_s, abs=1.5e-3)
    assert one.explained_ratio > 0.999


def test_noise_and_drift_widen_the_doubt_and_the_truth_lies_within_it() -> None:
    quiet = found(simulated())
    for drift in (0.0, 0.02):
        loud = found(simulated(noise=0.01, drift=drift))
        for name, true in (("gain", 1.0), ("lag_s", 0.05), ("dead_s", 0.03)):
            value = getattr(loud, name)
            assert abs(value.value - true) < 3.0 * value.standard_uncertainty
            assert value.standard_uncertainty > 2.0 * getattr(quiet, name).standard_uncertainty
        assert loud.left == pytest.approx(0.01, rel=0.1)


def test_the_doubt_is_what_repeats_scatter_by() -> None:
    """Thirty repeats with noise of their own: their scatter is the oracle for the doubt that each one states."""
    clean = simulated(gain=0.08)
    rng = np.random.default_rng(11)
    repeats = [
        found(
            Response(
                what="it",
                set_s=clean.set_s,
                set_point=clean.set_point,
                read_s=clean.read_s,
                reading=np.asarray(clean.reading) + rng.normal(0.0, 0.001, len(clean.reading)),
            ),
            expected=0.08,
        )
        for _ in range(30)
    ]
    for name in ("gain", "lag_s", "dead_s"):
        scatter = np.std([getattr(one, name).value for one in repeats], ddof=1)
        stated = np.median([getattr(one, name).standard_uncertainty for one in repeats])
        assert stated == pytest.approx(scatter, rel=0.5)


def test_a_slower_slope_changes_nothing() -> None:
    steep, flat = (found(simulated(slope_per_s=slope)) for slope in (100.0, 1.0))
    assert steep.dead_s.value == pytest.approx(flat.dead_s.value, abs=1e-3)
    assert steep.lag_s.value == pytest.approx(flat.lag_s.value, abs=2e-3)


def test_two_lags_come_out_as_their_sum() -> None:
    """A drive's and a filter's: what counts for an integral regulator is how late they are together."""
    set_s, value = set_points()
    fine_s = np.arange(set_s[0], set_s[-1], STEP_S)
    held = value[np.searchsorted(set_s, fine_s + 1e-9, side="right") - 1]
    both = control.tf([1.0], [0.02, 1.0]) * control.tf([1.0], [0.03, 1.0])
    answer = control.forced_response(both, fine_s - fine_s[0], held).outputs
    read_s = np.arange(set_s[0] + 0.2, set_s[-1] - 0.1, 0.01)
    one = found(
        Response(what="it", set_s=set_s, set_point=value, read_s=read_s, reading=np.interp(read_s, fine_s, answer))
    )
    assert one.lag_s.value + one.dead_s.value == pytest.approx(0.05, abs=1e-3)


def refused(response: Response, *, expected: float = 1.0) -> str:
    with pytest.raises(NotIdentified) as caught:
        found(response, expected=expected)
    sentence = str(caught.value)
    assert sentence.startswith("it: ")
    assert sentence.endswith(".")
    return sentence


def changed(response: Response, reading: np.ndarray) -> Response:
    return Response(
        what="it", set_s=response.set_s, set_point=response.set_point, read_s=response.read_s, reading=reading
    )


def test_what_the_readings_do_not_carry_is_refused_in_a_sentence() -> None:
    good = simulated()
    reading = np.asarray(good.reading)
    noise = np.random.default_rng(3).normal(0.0, 0.2, reading.size)
    assert "hardly answers" in refused(changed(good, noise))
    assert "falls where it should rise" in refused(simulated(gain=-1.0))
    assert "off the straight line" in refused(changed(good, np.minimum(reading, 3.17)))
    assert "the gain is 0.5" in refused(simulated(gain=0.5))
    assert "explain" in refused(changed(good, reading + 0.25 * noise))
    assert "good readings" in refused(changed(good, np.where(np.arange(reading.size) == 7, np.nan, reading)))
    still = Response(
        what="it", set_s=good.set_s, set_point=np.zeros(len(good.set_s)), read_s=good.read_s, reading=reading
    )
    assert "never moved" in refused(still)
    assert "later than" in refused(simulated(lag_s=3.0, gain=3.0, hold_s=2.0), expected=3.0)


def test_a_long_lag_is_compensated_and_a_short_one_counts_as_late() -> None:
    slow = plant_of(found(simulated(lag_s=0.15, dead_s=0.01)), seen_late_s=0.01)
    assert slow.lag_s == pytest.approx(0.15, abs=0.003)
    assert slow.small_s == 0.0
    assert slow.dead_s == pytest.approx(0.01, abs=0.002)
    fast = plant_of(found(simulated(lag_s=0.02, dead_s=0.03)), seen_late_s=0.01)
    assert fast.lag_s == 0.0
    assert fast.late_s == pytest.approx(0.05, abs=0.002)
