"""Cogging torque has LCM(slots, poles) periods a revolution (closed form, a rule of the trade)."""

import math

import numpy as np
import pytest

from benchd_rig.plant import Plant
from benchd_rig.pmsm import Cogging
from benchd_rig.specimen import BrushlessMotor, Specimen, load_specimen

# slots, poles, periods a revolution (closed form: least common multiple)
PERIODS = [
    (9, 8, 72),
    (12, 10, 60),
    (12, 8, 24),
    (36, 6, 36),
    (12, 14, 84),
    (27, 6, 54),
    (24, 4, 24),
    (9, 6, 18),
]


def with_slots(slots: int, poles: int) -> tuple[Specimen, BrushlessMotor]:
    specimen = load_specimen("pump_48v")
    assert isinstance(specimen.motor, BrushlessMotor)
    motor = specimen.motor.model_copy(update={"slots": slots, "pole_pairs": poles // 2})
    return specimen.model_copy(update={"motor": motor}), motor


def strongest_order(torque_nm: np.ndarray) -> int:
    """The number of periods in the record that carries most."""
    return int(np.argmax(np.abs(np.fft.rfft(torque_nm - torque_nm.mean()))))


@pytest.mark.parametrize(("slots", "poles", "periods"), PERIODS)
def test_one_revolution_has_the_published_periods(slots: int, poles: int, periods: int) -> None:
    _, motor = with_slots(slots, poles)
    cogging = Cogging(motor)
    torque_nm = np.array([cogging.torque_nm(2.0 * math.pi * point / 1024) for point in range(1024)])
    assert strongest_order(torque_nm) == periods
    assert torque_nm.max() == pytest.approx(motor.cogging_nm, rel=1e-3)


def test_the_shaft_of_a_slowly_turned_specimen_feels_the_published_periods() -> None:
    specimen, _ = with_slots(9, 8)
    plant = Plant(specimen)
    plant.load.mode, plant.load.speed_rpm, plant.load.power_stage_on = "speed", 30.0, True
    plant.advance_to(2.0)
    torque_nm = []
    plant.on_step.append(lambda turning: torque_nm.append(turning.truth().shaft_torque_nm))
    plant.advance_to(4.0)  # one revolution
    assert strongest_order(np.array(torque_nm)) == 72
