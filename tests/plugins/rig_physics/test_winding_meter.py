"""The resistance meter: four-wire voltage and current of a pair of terminals, with what polarity reversal cancels."""

import math

import pytest

from benchd_rig.plant import Plant
from benchd_rig.specimen import Specimen
from tests.plugins.rig_physics.running import held


def read(plant: Plant, *, pair: int, current_a: float) -> tuple[float, float]:
    plant.meter.pair, plant.meter.current_a = pair, current_a
    plant.advance_to(plant.time_s + 0.5)
    return plant.meter_voltage_v, plant.meter_current_a


def resistance_ohm(plant: Plant, pair: int) -> float:
    (high_v, high_a), (low_v, low_a) = (read(plant, pair=pair, current_a=one) for one in (1.0, -1.0))
    return (high_v - low_v) / (high_a - low_a)


@pytest.fixture
def opened(pump: Specimen) -> Plant:
    """The pump with its power leads open and nothing energised."""
    plant = Plant(pump)
    plant.meter.contactor_closed = False
    plant.advance_to(0.1)
    return plant


def test_each_pair_has_the_resistance_of_its_two_phases(opened: Plant) -> None:
    ohm = 0.035 * (1.0 + 0.00393 * 3.0)  # at 23 °C
    phases = [ohm * (1.0 + spread) for spread in (0.0012, -0.0005, -0.0007)]
    for pair, (one, other) in {12: (0, 1), 23: (1, 2), 13: (0, 2)}.items():
        assert resistance_ohm(opened, pair) == pytest.approx(phases[one] + phases[other], rel=2.5e-4)


def test_polarity_reversal_cancels_an_offset_that_one_polarity_shows(opened: Plant) -> None:
    volt, ampere = read(opened, pair=12, current_a=0.1)
    true_ohm = 0.035 * (1.0 + 0.00393 * 3.0) * (2.0 + 0.0012 - 0.0005)
    assert abs(volt / ampere - true_ohm) / true_ohm > 2e-3
    back_v, back_a = read(opened, pair=12, current_a=-0.1)
    assert (volt - back_v) / (ampere - back_a) == pytest.approx(true_ohm, rel=5e-4)


def test_no_current_flows_through_closed_leads_nor_with_nothing_connected(opened: Plant) -> None:
    assert read(opened, pair=0, current_a=1.0)[1] == 0.0
    opened.meter.contactor_closed = True
    assert read(opened, pair=12, current_a=1.0)[1] == 0.0
    opened.meter.contactor_closed, opened.faults.contactor_welded = False, True
    volt, ampere = read(opened, pair=12, current_a=1.0)
    assert ampere == 0.0
    assert abs(volt) < 1e-4


def test_the_current_rises_with_its_time_constant(opened: Plant) -> None:
    opened.meter.pair, opened.meter.current_a = 12, 1.0
    opened.advance_to(opened.time_s + 0.02)
    assert opened.meter_current_a == pytest.approx(1.0 - math.exp(-1.0), abs=0.01)


def test_a_connected_pair_shows_its_offset_without_current_however_long_it_rests(opened: Plant) -> None:
    opened.meter.pair, opened.meter.current_a = 12, 0.0
    opened.advance_to(opened.time_s + 100.0)
    assert opened.meter_current_a == 0.0
    assert opened.meter_voltage_v == pytest.approx(-2.2e-5, abs=5e-6)


def test_a_turning_rotor_shows_its_induced_voltage(pump_plant: Plant) -> None:
    held(pump_plant, speed_rpm=2000.0)
    pump_plant.meter.contactor_closed = False
    pump_plant.meter.pair = 12
    highest_v = 0.0

    def watch(plant: Plant) -> None:
        nonlocal highest_v
        highest_v = max(highest_v, abs(plant.meter_voltage_v))

    pump_plant.advance_to(pump_plant.time_s + 0.01)
    pump_plant.on_step.append(watch)
    peak_v = math.sqrt(2.0) * pump_plant.truth().motor_emf_v
    pump_plant.advance_to(pump_plant.time_s + 0.02)
    assert highest_v == pytest.approx(peak_v, rel=0.05)


def test_the_meters_current_warms_the_winding_and_the_books_close(opened: Plant) -> None:
    opened.meter.pair, opened.meter.current_a = 12, 2.0
    opened.advance_to(opened.time_s + 15.0)
    energy = opened.energy
    assert energy.meter_j == pytest.approx(4.0 * 0.0709 * 15.0, rel=0.01)
    assert energy.meter_j == pytest.approx(energy.copper_j)
    assert opened.winding_degc == pytest.approx(23.0 + energy.copper_j / 190.0, abs=2e-3)


def test_a_brushed_winding_has_one_pair_and_its_brushes_in_it(vent_flap: Specimen) -> None:
    plant = Plant(vent_flap)
    plant.meter.contactor_closed = False
    volt, ampere = read(plant, pair=12, current_a=0.5)
    assert volt == pytest.approx(0.5 * plant.truth().winding_ohm + 0.80 * (1.0 - 0.0015 * 3.0), rel=1e-3)
    assert ampere == pytest.approx(0.5, rel=2e-4)
    assert read(plant, pair=23, current_a=0.5)[1] == 0.0
