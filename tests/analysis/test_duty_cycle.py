"""Energies, efficiency and deviations of a duty cycle against integrals in closed form, and their uncertainties."""

import math
from collections.abc import Callable

import numpy as np
import pytest

from benchd.analysis.duty_cycle import SCATTER, evaluate_duty_cycle
from benchd.analysis.evaluation import evaluate
from benchd.analysis.record import Record, RecordedPoint, RecordedTest, Zero
from benchd.rules.channels import Quality

from .conftest import UNITS, calibration, part

RAD_S = math.pi / 30.0
ROW_S = 0.01
CHANNELS = ("dc_voltage", "dc_current", "shaft_torque", "shaft_speed")
Signal = Callable[[np.ndarray], np.ndarray]


def constant(value: float) -> Signal:
    return lambda t: np.full_like(t, value)


def settings(lasts_s: float, *, repeated: int, speed_rpm: float = 1000.0, torque_nm: float = 1.0) -> dict:
    hold = {"speed_rpm": {"shape": "hold", "at": speed_rpm, "time_s": lasts_s}}
    return {"part": [{**hold, "torque_nm": {"shape": "hold", "at": torque_nm}}], "repeated": repeated}


def recorded(
    signals: dict[str, Signal],
    *,
    lasts_s: float = 10.0,
    repeated: int = 2,
    ages_s: dict[str, float] | None = None,
    calibrations: dict | None = None,
    zeros: dict | None = None,
    noise: dict[str, float] | None = None,
    seed: int = 1,
    asked: dict | None = None,
    cut: tuple[int, float] | None = None,
    kind: str = "brushless",
) -> Record:
    """Rows of 10 ms with a second before and after the course; `cut` takes rows from this repetition on this second."""
    times = np.arange(-100, round(lasts_s * repeated / ROW_S) + 101) * ROW_S
    drawn = np.random.default_rng(seed)
    # the move of a stretch is made a row before its first row
    number = np.floor((times - 0.5 * ROW_S) / lasts_s).astype(int)
    point = np.where((number >= 0) & (number < repeated), number, -1)
    if cut is not None:
        point[(number == cut[0]) & (times - lasts_s * cut[0] > cut[1])] = -1
    ages = {c: np.full(times.size, (ages_s or {}).get(c, 0.0)) for c in CHANNELS}
    values = {
        c: signals[c](times - ages[c]) + (noise or {}).get(c, 0.0) * drawn.standard_normal(times.size) for c in CHANNELS
    }
    points = [RecordedPoint(point=n, asked={"repetition": n + 1, "course_s": n * lasts_s}) for n in range(repeated)]
    return Record(
        time_mono_s=times + 1000.0,
        test=np.zeros(times.size, dtype=np.int16),
        point=point,
        values=values,
        ages_s=ages,
        quality={c: np.full(times.size, Quality.GOOD, dtype=np.uint8) for c in CHANNELS},
        units={c: UNITS[c] for c in CHANNELS},
        calibrations={c: (calibrations or {}).get(c) for c in CHANNELS},
        zeros=zeros or {},
        tests=[
            RecordedTest(
                index=0, kind="duty_cycle", settings=asked or settings(lasts_s, repeated=repeated), points=points
            )
        ],
        motor={"kind": kind},
        setup={},
    )


def found(record: Record) -> dict:
    return {one.name: one for one in evaluate_duty_cycle(record, record.tests[0]).quantities}


STEADY = {
    "dc_voltage": constant(48.0),
    "dc_current": constant(3.0),
    "shaft_torque": constant(1.0),
    "shaft_speed": constant(1000.0),
}


def test_a_steady_cycle_has_the_energies_of_power_times_time() -> None:
    values = {name: one.value for name, one in found(recorded(STEADY)).items()}
    shaft_w = 1000.0 * RAD_S
    assert values["electrical_energy_in"] == pytest.approx(48.0 * 3.0 * 20.0, rel=1e-9)
    assert values["electrical_energy_back"] == 0.0
    assert values["mechanical_energy_out"] == pytest.approx(shaft_w * 20.0, rel=1e-9)
    assert values["mechanical_energy_out_per_repetition"] == pytest.approx(shaft_w * 10.0, rel=1e-9)
    assert values["mechanical_energy_out_repetition_2"] == pytest.approx(shaft_w * 10.0, rel=1e-9)
    assert values["cycle_efficiency"] == pytest.approx(shaft_w / 144.0, rel=1e-9)
    assert values["mean_input_power"] == pytest.approx(144.0, rel=1e-9)
    assert (values["rms_torque"], values["peak_torque"]) == (pytest.approx(1.0), pytest.approx(1.0))
    assert values["greatest_speed_error"] == pytest.approx(0.0, abs=1e-9)


def test_what_flows_back_is_counted_apart() -> None:
    swinging = {
        **STEADY,
        "shaft_torque": lambda t: 2.0 * np.sin(2.0 * np.pi * t),
        "dc_current": lambda t: 1.0 + 5.0 * np.sin(2.0 * np.pi * t),
    }
    values = {name: one.value for name, one in found(recorded(swinging)).items()}
    half_j = 2.0 * 1000.0 * RAD_S / math.pi  # ∫ of the positive half of a sine of 1 s
    assert values["mechanical_energy_out"] == pytest.approx(20.0 * half_j, rel=1e-3)
    assert values["mechanical_energy_in"] == pytest.approx(20.0 * half_j, rel=1e-3)
    assert values["electrical_energy_in"] - values["electrical_energy_back"] == pytest.approx(48.0 * 20.0, rel=1e-3)
    assert values["electrical_energy_back"] > 1000.0
    assert values["rms_torque"] == pytest.approx(2.0 / math.sqrt(2.0), rel=1e-3)
    assert values["peak_torque"] == pytest.approx(2.0, rel=1e-3)
    assert values["cycle_efficiency"] is None  # no net work: nothing that could be called one


def test_channels_that_are_read_at_different_times_are_multiplied_at_one_instant() -> None:
    together = {
        **STEADY,
        "shaft_torque": lambda t: 1.0 * np.sin(2.0 * np.pi * t),
        "shaft_speed": lambda t: 1000.0 * np.sin(2.0 * np.pi * t),
    }
    late = recorded(together, ages_s={"shaft_torque": 0.0, "shaft_speed": 0.06})
    mean_w = 0.5 * 1000.0 * RAD_S
    # looked at row by row the two would be 0.06 s apart: 7 % less
    assert found(late)["mean_shaft_power"].value == pytest.approx(mean_w, rel=2e-3)


def test_a_gain_error_is_one_error_of_the_whole_cycle_and_a_zero_acts_as_long_as_it_turns() -> None:
    record = recorded(
        STEADY,
        calibrations={"dc_current": calibration("A", 60.0, part("gain", 0.005, "gain"))},
        zeros={"shaft_torque": Zero(value=0.0, standard_uncertainty=0.002, degrees_of_freedom=50.0)},
    )
    quantities = found(record)
    assert quantities["electrical_energy_in"].standard_uncertainty == pytest.approx(0.005 * 2880.0, rel=1e-6)
    per_repetition = quantities["electrical_energy_in_per_repetition"]
    assert per_repetition.standard_uncertainty == pytest.approx(0.005 * 1440.0, rel=1e-6)
    out = quantities["mechanical_energy_out"]
    assert out.standard_uncertainty == pytest.approx(0.002 * 1000.0 * RAD_S * 20.0, rel=1e-6)
    assert set(out.budget) == {"shaft_torque, measured zero"}
    share = math.hypot(0.005, 0.002)
    assert quantities["cycle_efficiency"].standard_uncertainty == pytest.approx(
        share * quantities["cycle_efficiency"].value, rel=1e-3
    )


def test_a_sensors_offset_counts_unless_the_zero_took_it_off() -> None:
    offset = {"shaft_torque": calibration("N·m", 5.0, part("offset", 0.01, "offset", relative_to="unit"))}
    with_it = found(recorded(STEADY, calibrations=offset))["rms_torque"]
    assert with_it.standard_uncertainty == pytest.approx(0.01, rel=1e-6)
    zeros = {"shaft_torque": Zero(value=0.0, standard_uncertainty=1e-4, degrees_of_freedom=9.0)}
    without = found(recorded(STEADY, calibrations=offset, zeros=zeros))["rms_torque"]
    assert without.standard_uncertainty == pytest.approx(1e-4, rel=1e-6)


def test_the_scatter_that_is_stated_is_the_one_that_repeated_runs_show() -> None:
    noise = {"dc_current": 0.3, "dc_voltage": 0.5, "shaft_torque": 0.05}
    runs = [found(recorded(STEADY, lasts_s=2.0, repeated=1, noise=noise, seed=seed)) for seed in range(150)]
    for name in ("electrical_energy_in", "mechanical_energy_out"):
        seen = float(np.std([one[name].value for one in runs], ddof=1))
        stated = float(np.mean([one[name].budget[SCATTER] for one in runs]))
        assert stated == pytest.approx(seen, rel=0.25)


def test_how_far_the_shaft_was_off_is_told_with_its_place() -> None:
    off = {**STEADY, "shaft_speed": lambda t: 1000.0 + 25.0 * np.exp(-(((t - 14.0) / 0.3) ** 2))}
    record = recorded(off)
    assert found(record)["greatest_speed_error"].value == pytest.approx(25.0, rel=1e-3)
    notes = evaluate_duty_cycle(record, record.tests[0]).notes
    assert any("by 25 r/min, in repetition 2 at second 4.00" in note for note in notes)


def test_a_repetition_that_was_broken_off_does_not_count_and_is_named() -> None:
    record = recorded(STEADY, repeated=3, cut=(1, 6.0))
    results = evaluate_duty_cycle(record, record.tests[0])
    values = {one.name: one.value for one in results.quantities}
    assert values["electrical_energy_in"] == pytest.approx(48.0 * 3.0 * 20.0, rel=1e-9)
    assert "electrical_energy_in_repetition_2" not in values
    assert "Held or cut off in between, and left out: repetition 2." in results.notes
    assert any("2 of 3 repetitions" in note for note in results.notes)


def test_without_a_whole_repetition_nothing_is_determined() -> None:
    record = recorded(STEADY, repeated=1, cut=(0, 6.0))
    quantities = evaluate_duty_cycle(record, record.tests[0]).quantities
    assert {one.value for one in quantities} == {None}
    assert quantities[0].reason == "no repetition was played through"


def test_a_channel_that_went_over_its_range_takes_only_what_needs_it() -> None:
    record = recorded(STEADY)
    record.quality["shaft_torque"][500] = Quality.OVER_RANGE
    quantities = found(record)
    assert quantities["mechanical_energy_out"].value is None
    assert "1 of 2201 samples are over range" in quantities["mechanical_energy_out"].reason
    assert quantities["electrical_energy_in"].value == pytest.approx(2880.0)


def test_the_table_follows_the_course_over_its_time() -> None:
    ramp = {
        "part": [
            {
                "speed_rpm": {"shape": "linear", "start": 0.0, "end": 1000.0, "time_s": 10.0},
                "torque_nm": {"shape": "hold", "at": 1.0},
            }
        ],
        "repeated": 1,
    }
    record = recorded({**STEADY, "shaft_speed": lambda t: 100.0 * t + 7.0}, repeated=1, asked=ramp)
    results = evaluate_duty_cycle(record, record.tests[0])
    assert len(results.points) == 24
    for one in results.points:
        assert one.values["speed_asked"].value == pytest.approx(100.0 * one.asked["time_s"], abs=0.6)
        assert one.values["speed"].value - one.values["speed_asked"].value == pytest.approx(7.0, abs=1e-6)
    assert list(results.units)[:4] == ["speed", "speed_asked", "torque", "torque_asked"]
    assert any("energy of motion" in note for note in results.notes)


@pytest.mark.parametrize(("kind", "column"), [("brushless", "converter_input_power"), ("brushed_dc", "input_power")])
def test_a_record_of_either_kind_of_motor_is_evaluated(kind: str, column: str) -> None:
    rising = {**STEADY, "dc_current": lambda t: 1.0 + 0.2 * t, "shaft_speed": lambda t: 1000.0 + 30.0 * t}
    results = evaluate(recorded(rising, kind=kind))
    test = results.tests["duty_cycle"]
    assert column in test.units
    assert not any("drifts" in note or "no evaluation" in note for note in (*test.notes, *results.notes))
