"""The plant as a whole: its clock, its determinism, and what time costs."""

import time

import pytest

from benchd_rig.plant import Plant
from benchd_rig.specimen import Specimen
from tests.plugins.rig_physics.running import held, on_its_link


def story(plant: Plant, *, look_every_s: float) -> list[object]:
    """Start, load, stop; commands always at the same plant times, looks at any."""
    seen: list[object] = []

    def until(time_s: float) -> None:
        start_s, looks = plant.time_s, 0
        while plant.time_s < time_s - 1e-9:
            looks += 1
            plant.advance_to(min(start_s + looks * look_every_s, time_s))
        seen.extend((plant.truth(), plant.measure()))

    plant.supply.voltage_v, plant.supply.current_limit_a, plant.supply.output_on = 24.0, 10.0, True
    until(0.5)
    plant.load.power_stage_on, plant.load.torque_nm = True, 0.2
    until(0.8)
    plant.supply.output_on, plant.load.power_stage_on = False, False
    until(1.0)
    return seen


def test_the_same_seed_and_commands_give_the_same_numbers(vent_flap: Specimen) -> None:
    first = story(Plant(vent_flap, seed=5), look_every_s=0.01)
    assert story(Plant(vent_flap, seed=5), look_every_s=0.01) == first
    assert story(Plant(vent_flap, seed=6), look_every_s=0.01) != first


def test_looking_often_changes_nothing(vent_flap: Specimen) -> None:
    assert story(Plant(vent_flap), look_every_s=0.0007) == story(Plant(vent_flap), look_every_s=1.0)


def test_the_seed_changes_what_is_measured_and_not_what_is_true(vent_flap: Specimen) -> None:
    one, other = (story(Plant(vent_flap, seed=seed), look_every_s=1.0) for seed in (1, 2))
    assert one[0::2] == other[0::2]
    assert one[1] != other[1]


def test_time_starts_at_zero_and_never_goes_back(plant: Plant) -> None:
    assert plant.time_s == 0.0
    plant.advance_to(0.25)
    plant.advance_to(0.1)
    assert plant.time_s == pytest.approx(0.25)


def test_the_trips_of_devices_are_asked_every_millisecond(fed_plant: Plant) -> None:
    times_s: list[float] = []
    fed_plant.on_step.append(lambda plant: times_s.append(plant.time_s))
    fed_plant.advance_to(0.1004)
    assert times_s == pytest.approx([0.001 * number for number in range(1, 101)])


def test_a_trip_acts_at_once(fed_plant: Plant) -> None:
    def trip(plant: Plant) -> None:
        if plant.supply_current_a > 5.0:
            plant.supply.output_on = False

    fed_plant.on_step.append(trip)
    fed_plant.advance_to(0.1)
    assert not fed_plant.supply.output_on
    assert fed_plant.supply_current_a == 0.0
    assert fed_plant.motor_speed_rpm < 500.0


def test_a_trip_that_advances_the_plant_is_ignored(fed_plant: Plant) -> None:
    fed_plant.on_step.append(lambda plant: plant.advance_to(plant.time_s + 1.0))
    fed_plant.advance_to(0.01)
    assert fed_plant.time_s == pytest.approx(0.01)


def test_a_command_after_a_long_rest_acts_as_from_the_start(vent_flap: Specimen) -> None:
    rested, fresh = Plant(vent_flap), Plant(vent_flap)
    rested.advance_to(1000.0)
    for plant in (rested, fresh):
        plant.supply.voltage_v, plant.supply.current_limit_a, plant.supply.output_on = 24.0, 10.0, True
        plant.advance_to(plant.time_s + 0.05)
    assert rested.motor_speed_rpm == pytest.approx(fresh.motor_speed_rpm, rel=1e-9)
    assert rested.truth().motor_angle_rad == pytest.approx(fresh.truth().motor_angle_rad, rel=1e-9)


def test_an_hour_at_rest_costs_next_to_nothing(fed_plant: Plant) -> None:
    fed_plant.advance_to(1.0)
    fed_plant.supply.output_on = False
    fed_plant.advance_to(30.0)
    start_s = time.process_time()
    fed_plant.advance_to(3630.0)
    assert time.process_time() - start_s < 1.0  # some 20 ms; stepped through it would be minutes
    assert fed_plant.time_s == pytest.approx(3630.0)


def test_a_brushless_plant_repeats_itself_and_does_not_care_who_looks(pump: Specimen) -> None:
    def numbers(*, look_every_s: float) -> list[object]:
        plant = on_its_link(pump, seed=3)
        plant.motor_drive.mode, plant.motor_drive.speed_rpm = "speed", 1500.0
        plant.motor_drive.power_stage_on = True
        while plant.time_s < 0.8 - 1e-9:
            plant.advance_to(min(plant.time_s + look_every_s, 0.8))
            plant.measure(), plant.analyse(0.05), plant.sample(plant.sampled - 100, 100)
        return [plant.truth(), plant.measure(), plant.analyse(0.1), plant.sample(10_000, 2_000).tobytes()]

    first = numbers(look_every_s=0.01)
    assert numbers(look_every_s=0.01) == first
    assert numbers(look_every_s=0.0035) == first


@pytest.mark.performance
def test_a_spinning_brushless_plant_with_all_its_readers_takes_less_than_a_quarter_of_a_core(pump: Specimen) -> None:
    plant = held(on_its_link(pump), speed_rpm=3000.0, torque_nm=2.0)
    begin_s, start_s = plant.time_s, time.process_time()
    for look in range(1, 501):
        plant.advance_to(begin_s + 0.02 * look)
        plant.measure()
        plant.analyse(0.1)
        plant.sample(plant.sampled - 400, 400)
    share = (time.process_time() - start_s) / 10.0
    print(f"a spinning brushless plant takes {share:.3f} of a core")
    assert share < 0.25


@pytest.mark.performance
def test_a_spinning_plant_takes_less_than_a_tenth_of_a_core(fed_plant: Plant) -> None:
    fed_plant.load.power_stage_on, fed_plant.load.torque_nm = True, 0.25
    fed_plant.advance_to(1.0)
    start_s = time.process_time()
    fed_plant.advance_to(11.0)
    assert (time.process_time() - start_s) / 10.0 < 0.10
