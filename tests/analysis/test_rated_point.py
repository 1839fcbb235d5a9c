"""The rated point: what the end of a dwell shows, how far the machine warmed, whether it still warms."""

import math
from dataclasses import replace

import numpy as np
import pytest

from benchd.analysis import CapturedWaveform, evaluate, expanded

from .brushless_bench import RPM, Played, Pmsm, Sensors, Visit, load_test, record

MACHINE = Pmsm(coulomb_nm=0.1)
ASKED = {"torque_nm": 10.0, "speed_rpm": 3000.0}
QUIET = Sensors(noise=1e-8)
BRUSHED = {
    "kind": "brushed_dc",
    "rated": {"voltage_v": 24.0, "torque_nm": 0.25, "current_a": 8.0, "speed_rpm": 2400.0},
}


def dwell(*, begin_degc=40.0, end_degc=80.0, **shows):
    cold, warm = (
        {**MACHINE.loaded(10.0, 3000.0), "winding_temperature": degc, **shows} for degc in (begin_degc, end_degc)
    )
    warm = {**warm, "motor_power": warm["motor_power"] + 6.0}  # a warm winding loses more
    return Played(kind="rated_point", visits=[Visit(asked=ASKED, shows=cold), Visit(asked=ASKED, shows=warm)])


def long_dwell(*, seconds, settling_s, rise_k=50.0):
    """A run whose windings warm exponentially in one long window, sampled every 10 s, between two points."""
    base = record([dwell()], sensors=QUIET)
    rows = base.time_mono_s.size
    stretched = np.linspace(0.0, seconds, rows)
    theta = 30.0 + rise_k * (1.0 - np.exp(-stretched / settling_s))
    return replace(base, time_mono_s=50.0 + stretched, values={**base.values, "winding_temperature": theta})


def test_the_end_of_the_dwell_is_what_counts():
    at = MACHINE.loaded(10.0, 3000.0)
    shaft, power = 10.0 * 3000.0 / RPM, at["motor_power"] + 6.0
    dc = at["dc_voltage"] * at["dc_current"]
    results = evaluate(record([dwell()], sensors=QUIET))
    for name, truth in {
        "shaft_power": shaft,
        "input_power": power,
        "efficiency": shaft / power,
        "system_efficiency": shaft / dc,
        "converter_efficiency": power / dc,
        "losses": power - shaft,
        "winding_temperature": 80.0,
        "winding_temperature_rise": 56.0,
        "input_power_change": 6.0,
    }.items():
        q = results.quantity("rated_point", name)
        assert q.value == pytest.approx(truth, rel=1e-5), name
        assert abs(q.value - truth) < expanded(q)[0]


def test_a_change_is_known_better_than_the_values_because_their_gain_errors_are_common():
    results = evaluate(record([dwell()], sensors=QUIET))
    change, power = (results.quantity("rated_point", n) for n in ("input_power_change", "input_power"))
    assert change.standard_uncertainty < 0.01 * power.standard_uncertainty


def test_a_machine_that_still_warms_is_not_in_equilibrium():
    results = evaluate(long_dwell(seconds=3600.0, settling_s=1500.0))
    q = results.quantity("rated_point", "winding_temperature_trend")
    # over the last half hour: 50·(exp(-1800/1500) - exp(-3600/1500)) = 10.5 K; a line through the bend is near it
    assert q.value == pytest.approx(10.5, rel=0.1)
    assert any("not yet in thermal equilibrium" in n for n in results.tests["rated_point"].notes)


def test_a_machine_that_has_settled_is_in_equilibrium():
    results = evaluate(long_dwell(seconds=7200.0, settling_s=900.0))
    q = results.quantity("rated_point", "winding_temperature_trend")
    assert 0.0 < q.value < 1.0
    assert q.standard_uncertainty < 0.1
    assert any("in thermal equilibrium" in n and "not yet" not in n for n in results.tests["rated_point"].notes)


def test_a_short_dwell_states_no_trend():
    q = evaluate(record([dwell()])).quantity("rated_point", "winding_temperature_trend")
    assert "shorter than" in q.reason


def test_a_missing_thermometer_is_said_and_the_efficiency_remains():
    visits = [replace(v, shows={c: x for c, x in v.shows.items() if "temperature" not in c}) for v in dwell().visits]
    results = evaluate(record([Played(kind="rated_point", visits=visits)]))
    assert results.quantity("rated_point", "efficiency").value is not None
    assert "winding_temperature" in results.quantity("rated_point", "winding_temperature").reason
    assert "winding_temperature" in results.quantity("rated_point", "winding_temperature_rise").reason


def test_a_point_away_from_what_was_asked_is_told():
    visits = [Visit(asked={**ASKED, "torque_nm": 12.0}, shows=MACHINE.loaded(10.0, 3000.0))] * 2
    notes = evaluate(record([Played(kind="rated_point", visits=visits)])).tests["rated_point"].notes
    assert any("torque was 10 N·m, asked was 12 N·m" in n for n in notes)


def test_a_dwell_that_ended_early_gives_reasons():
    run = record([dwell()])
    ended = replace(run, point=np.where(run.point == 1, -1, run.point))
    q = evaluate(ended).quantity("rated_point", "efficiency")
    assert q.value is None
    assert "end of the dwell" in q.reason


def test_what_was_measured_before_the_dwell_is_never_called_its_end():
    run = record([dwell()])
    cut = replace(run.tests[0], points=run.tests[0].points[:1])  # the run tripped in the dwell
    results = evaluate(replace(run, tests=[cut], point=np.where(run.point == 1, -1, run.point)))
    found = results.tests["rated_point"]
    for name in ("efficiency", "motor_current", "winding_temperature", "efficiency_change"):
        q = results.quantity("rated_point", name)
        assert q.value is None, name
        assert "before the end of the dwell" in q.reason
    assert any("before the end of the dwell" in n for n in found.notes)
    assert results.quantity("rated_point", "point_000_efficiency").value == pytest.approx(0.94, abs=0.02)
    assert [p.number for p in found.points] == [0]


def brushed_state(torque_nm, speed_rpm=2400.0):
    """U = K·w + R·I + Ub, K·I = T + friction, at a held speed."""
    k, r, ub, friction = 0.065, 0.6, 0.5, 0.02
    current = (torque_nm + friction) / k
    omega = speed_rpm / RPM
    return {
        "shaft_torque": torque_nm,
        "shaft_speed": speed_rpm,
        "dc_voltage": k * omega + r * current + ub,
        "dc_current": current,
        "winding_temperature": 50.0,
    }


def test_a_brushed_motor_has_a_rated_point_too():
    at = brushed_state(0.25)
    played = Played(kind="rated_point", visits=[Visit(asked={"torque_nm": 0.25, "speed_rpm": 2400.0}, shows=at)] * 2)
    results = evaluate(record([played], motor=BRUSHED, sensors=Sensors(noise=1e-7)))
    q = results.quantity("rated_point", "efficiency")
    assert q.value == pytest.approx(0.25 * 2400.0 / RPM / (at["dc_voltage"] * at["dc_current"]), rel=1e-5)
    assert "converter_efficiency" not in [one.name for one in results.tests["rated_point"].quantities]


def test_a_brushed_load_test_at_a_held_speed_reads_rated_torque_without_carrying_it_anywhere():
    torques = (0.05, 0.1, 0.2, 0.3, 0.35)
    visits = [
        Visit(asked={"torque_nm": t, "speed_rpm": 2400.0}, shows=brushed_state(t), direction=way)
        for way, ways in (("up", torques), ("down", torques[::-1]))
        for t in ways
    ]
    results = evaluate(record([Played(kind="load", visits=visits)], motor=BRUSHED, sensors=Sensors(noise=1e-7)))
    at = brushed_state(0.25)
    q = results.quantity("load", "efficiency_at_rated_torque")
    assert q.value == pytest.approx(0.25 * 2400.0 / RPM / (at["dc_voltage"] * at["dc_current"]), rel=1e-4)
    kt = results.quantity("load", "torque_constant")
    assert abs(kt.value - 0.065) < expanded(kt)[0] < 0.01
    # friction is the same at all of these points: nothing is assumed of how it changes with speed
    assert not any(name.startswith("friction, assumed") for name in kt.budget)
    assert results.quantity("load", "voltage_constant").value is not None
    assert "stall_torque" not in [one.name for one in results.tests["load"].quantities]
    assert set(results.tests["load"].points[0].values) >= {
        "speed",
        "torque",
        "input_power",
        "shaft_power",
        "efficiency",
    }


def waveforms(*, seconds=0.5, rate_hz=20000.0, fifth=0.05, ripple=0.02, order=(0, 1, 2)):
    t = np.arange(int(seconds * rate_hz)) / rate_hz
    omega = 2.0 * math.pi * 200.0

    def three(size, lag):
        turned = [size * np.cos(omega * t - lag - k * 2.0 * math.pi / 3.0) for k in range(3)]
        turned = [
            u + fifth * size * np.cos(5.0 * (omega * t - lag - k * 2.0 * math.pi / 3.0)) for k, u in enumerate(turned)
        ]
        return [turned[k] for k in order]

    volts, amperes = three(120.0, 0.0), three(20.0, 0.4)
    values = {f"phase_voltage_{k + 1}": u for k, u in enumerate(volts)}
    values |= {f"phase_current_{k + 1}": i for k, i in enumerate(amperes)}
    values["shaft_torque"] = 10.0 * (1.0 + ripple * math.sqrt(2.0) * np.cos(6.0 * omega * t))
    return CapturedWaveform(test=0, point=1, rate_hz=rate_hz, values=values)


def test_captured_waveforms_tell_displacement_distortion_and_ripple():
    run = replace(record([dwell()]), waveforms=(waveforms(),))
    results = evaluate(run)
    for name, truth in {
        "displacement_factor": math.cos(0.4),
        "current_distortion": 0.05,
        "voltage_distortion": 0.05,
        "torque_ripple": 0.02,
    }.items():
        q = results.quantity("rated_point", name)
        assert q.value == pytest.approx(truth, rel=2e-3), name
        assert q.standard_uncertainty > 0.0
    assert not any("exchanged" in n for n in results.tests["rated_point"].notes)


def test_exchanged_phases_are_seen_in_the_captured_waveforms():
    run = replace(record([dwell()]), waveforms=(waveforms(order=(1, 0, 2)),))
    assert any("two of the specimen's leads are exchanged" in n for n in evaluate(run).tests["rated_point"].notes)


def test_a_shaft_that_hardly_turns_blames_no_lead_of_the_waveforms():
    stalled = dwell(shaft_speed=20.0)  # asked for 3000 r/min: what the phases carry has no order then
    run = replace(record([stalled]), waveforms=(waveforms(order=(1, 0, 2)),))
    assert not any("Waveforms" in n for n in evaluate(run).tests["rated_point"].notes)


def test_gaps_in_captured_waveforms_are_told():
    run = replace(record([dwell()]), waveforms=(replace(waveforms(), lossy="1200 samples were lost"),))
    assert "Waveforms of point 1: 1200 samples were lost." in evaluate(run).tests["rated_point"].notes


def test_without_waveforms_there_are_no_quantities_of_them():
    names = [q.name for q in evaluate(record([load_test(MACHINE)])).tests["load"].quantities]
    assert "current_distortion" not in names
