"""The evaluation of a permanent-magnet machine whose steady state is published, from an ideal record of it.

Four pole pairs, Rs 0.25 Ω, Ld 2.0 mH, Lq 3.2 mH, ψ 0.085 V·s (peak dq), 3000 r/min, id -6 A, iq 20 A; no iron loss and
no friction. The closed form, gym-electric-motor 3.0.3 and motulator 0.5.0 agree on the numbers below.
"""

import math
from collections.abc import Mapping

import numpy as np
import pytest

from benchd.analysis import Record, RecordedPoint, RecordedTest, RecordResults, evaluate, expanded
from benchd.rules.channels import Calibration, Contribution

SPEED_RPM, LINK_V, DC_W = 3000.0, 300.0, 3750.0
TORQUE_NM, ELECTRICAL_W, MECHANICAL_W, COPPER_W = 11.064, 3639.358112, 3475.858112, 163.5
CURRENT_A, LINE_V, POWER_FACTOR = 14.764823, 155.254144, 0.916627
EMF_V_PER_KRPM, TORQUE_CONSTANT_NM_A = 43.606694, 0.721249
POLE_PAIRS, FLUX_VS = 4, 0.085
LAST_DIGIT = 2e-7  # relative, of the numbers as they are published

LOADED = {
    "shaft_speed": SPEED_RPM,
    "shaft_torque": TORQUE_NM,
    "motor_power": ELECTRICAL_W,
    "motor_voltage_fundamental": LINE_V,
    "motor_current": CURRENT_A,
    "motor_apparent_power": math.sqrt(3.0) * LINE_V * CURRENT_A,
    "motor_frequency": 200.0,
    "dc_voltage": LINK_V,
    "dc_current": DC_W / LINK_V,
}
UNITS = {
    "shaft_speed": "r/min",
    "shaft_torque": "N·m",
    "motor_power": "W",
    "motor_voltage_fundamental": "V",
    "motor_current": "A",
    "motor_apparent_power": "VA",
    "motor_frequency": "Hz",
    "dc_voltage": "V",
    "dc_current": "A",
}
GAIN = 0.001


def driven(speed_rpm: float) -> dict[str, float]:
    """Without current there is nothing but the back-EMF."""
    return {
        **dict.fromkeys(LOADED, 0.0),
        "shaft_speed": speed_rpm,
        "motor_voltage_fundamental": EMF_V_PER_KRPM * speed_rpm / 1000.0,
        "motor_frequency": POLE_PAIRS * speed_rpm / 60.0,
        "dc_voltage": LINK_V,
    }


def calibration(channel: str) -> Calibration:
    gain = Contribution(name="gain", size=GAIN, distribution="normal", relative_to="reading", effect="gain")
    return Calibration(
        sensor="ideal",
        serial="0",
        certificate="0",
        calibrated_on="2026-01-01",
        due_on="2027-01-01",
        input_unit=UNITS[channel],
        output_unit=UNITS[channel],
        gain=1.0,
        offset=0.0,
        full_scale=5000.0,
        contributions=(gain,),
    )


def record_of(tests: Mapping[str, list[tuple[dict[str, float], dict[str, float]]]], *, rows: int = 20) -> Record:
    """Each test's points (asked, shown) as settled rows without noise."""
    index, point, shown, recorded = [], [], [], []
    for place, (kind, visits) in enumerate(tests.items()):
        points = [RecordedPoint(point=n, asked=asked) for n, (asked, _) in enumerate(visits)]
        recorded.append(RecordedTest(index=place, kind=kind, points=points))
        for n, (_, values) in enumerate(visits):
            index += [place] * rows
            point += [n] * rows
            shown += [values] * rows
    total = len(index)
    return Record(
        time_mono_s=0.01 * np.arange(total),
        test=np.array(index),
        point=np.array(point),
        values={c: np.array([values[c] for values in shown]) for c in UNITS},
        ages_s={c: np.zeros(total) for c in UNITS},
        quality={c: np.zeros(total, dtype=np.uint8) for c in UNITS},
        units=UNITS,
        calibrations={c: calibration(c) for c in UNITS},
        zeros={},
        tests=recorded,
        motor={"kind": "brushless", "pole_pairs": POLE_PAIRS, "rated": {"torque_nm": TORQUE_NM}},
        setup={},
    )


@pytest.fixture(scope="module")
def results() -> RecordResults:
    asked = {"torque_nm": TORQUE_NM, "speed_rpm": SPEED_RPM}
    return evaluate(
        record_of(
            {
                "back_emf": [({"speed_rpm": n}, driven(n)) for n in (500.0, 1500.0, 3000.0)],
                "rated_point": [(asked, LOADED), (asked, LOADED)],
            }
        )
    )


@pytest.mark.parametrize(
    ("test", "name", "published"),
    [
        ("rated_point", "torque", TORQUE_NM),
        ("rated_point", "shaft_power", MECHANICAL_W),
        ("rated_point", "input_power", ELECTRICAL_W),
        ("rated_point", "losses", COPPER_W),
        ("rated_point", "efficiency", MECHANICAL_W / ELECTRICAL_W),
        ("rated_point", "converter_efficiency", ELECTRICAL_W / DC_W),
        ("rated_point", "system_efficiency", MECHANICAL_W / DC_W),
        ("rated_point", "motor_current", CURRENT_A),
        ("rated_point", "torque_per_ampere", TORQUE_NM / CURRENT_A),
        ("back_emf", "voltage_constant", EMF_V_PER_KRPM),
        ("back_emf", "torque_constant", TORQUE_CONSTANT_NM_A),
        ("back_emf", "flux_linkage", FLUX_VS),
    ],
)
def test_the_published_machine_comes_back_within_its_uncertainty(results, test, name, published) -> None:
    quantity = results.quantity(test, name)
    assert quantity.value is not None, quantity.reason
    rounding = 1e-6 if name in {"torque_constant", "flux_linkage"} else LAST_DIGIT
    tolerance = 0.001 if name == "losses" else rounding * published  # a small difference of large rounded numbers
    assert quantity.value == pytest.approx(published, abs=tolerance)
    assert abs(quantity.value - published) <= expanded(quantity)[0]


def test_the_power_factor_of_the_published_machine_comes_back(results) -> None:
    assert results.quantity("rated_point", "power_factor").value == pytest.approx(POWER_FACTOR, abs=1e-6)


def test_the_uncertainty_of_the_voltage_constant_is_that_of_two_gains(results) -> None:
    quantity = results.quantity("back_emf", "voltage_constant")
    assert quantity.standard_uncertainty / quantity.value == pytest.approx(math.hypot(GAIN, GAIN), rel=1e-3)
