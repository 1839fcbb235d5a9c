import pytest

from benchd.contract import DriveState
from benchd_rig.bench import Bench, make_bench
from benchd_rig.safety_chain import Button


def at_work(bench: Bench, clock) -> None:
    """Supply on, load drive enabled and braking, shaft turning."""
    bench.supply.set_voltage(24.0)
    bench.supply.set_current_limit(10.0)
    bench.supply.switch_output(on=True)
    bench.load_drive.select_mode(10)
    for controlword in (0x06, 0x07, 0x0F):
        bench.load_drive.write_controlword(controlword)
    bench.load_drive.settings.target_torque_permille = -50
    clock.passes(1.0)
    assert bench.plant.load_speed_rpm > 1000.0
    assert bench.plant.load_torque_nm == pytest.approx(0.1, abs=0.01)


@pytest.mark.parametrize("button", [Button.ESTOP, Button.OPEN_GUARD, Button.STO])
def test_the_hardware_takes_supply_and_torque_away_within_10_ms_without_any_request(bench, clock, button):
    at_work(bench, clock)
    bench.safety_chain.press(button)
    clock.passes(0.010)
    assert not bench.plant.supply.output_on
    assert not bench.supply.output_on
    assert not bench.plant.load.power_stage_on
    assert bench.load_drive.state is DriveState.SWITCH_ON_DISABLED


def test_what_the_chain_took_away_does_not_come_back_by_itself(bench, clock):
    at_work(bench, clock)
    bench.safety_chain.press(Button.ESTOP)
    clock.passes(0.1)
    bench.safety_chain.press(Button.RELEASE_ESTOP)
    bench.safety_chain.press(Button.RESET)
    clock.passes(1.0)
    assert bench.safety_chain.permit
    assert not bench.plant.supply.output_on
    assert not bench.plant.load.power_stage_on
    at_work(bench, clock)


def test_the_selector_takes_nothing_away(bench, clock):
    at_work(bench, clock)
    bench.safety_chain.press(Button.LOCAL)
    clock.passes(0.1)
    assert bench.supply.output_on
    assert bench.load_drive.state is DriveState.OPERATION_ENABLED


def test_a_dead_heartbeat_takes_the_energy_away_at_its_own_millisecond(bench, clock):
    at_work(bench, clock)
    bench.safety_chain.beat(high=True)
    clock.passes(0.49)
    assert bench.plant.supply.output_on
    stopped_at = []
    bench.plant.on_step.append(lambda plant: plant.supply.output_on or stopped_at.append(plant.time_s))
    start_s = bench.plant.time_s
    clock.passes(10.0)  # one look after ten seconds
    assert stopped_at[0] - start_s == pytest.approx(0.02, abs=0.004)


def test_a_load_drive_that_runs_away_is_stopped_by_its_own_overspeed_trip(bench, clock):
    at_work(bench, clock)
    bench.set_plant_fault("load_runs_away", True)
    clock.passes(2.0)
    assert bench.load_drive.state is DriveState.FAULT
    assert bench.load_drive.fault_code == 0x8400
    assert not bench.plant.load.power_stage_on


def test_an_open_winding_thermometer_is_open_and_the_others_are_not(bench):
    bench.set_plant_fault("winding_thermometer_open", True)
    temperatures = bench.thermometers.temperatures_degc()
    assert temperatures["winding"] is None
    assert temperatures["housing"] == 23.0


@pytest.mark.parametrize(
    ("name", "value", "says"),
    [
        ("coupling_lost", True, "no fault 'coupling_lost'"),
        ("coupling_broken", 1.0, "true or false"),
        ("transducer_offset_nm", True, "finite number"),
        ("transducer_offset_nm", float("nan"), "finite number"),
    ],
)
def test_an_unknown_plant_fault_is_one_sentence(bench, name, value, says):
    with pytest.raises(ValueError, match=says):
        bench.set_plant_fault(name, value)


def test_a_stalled_process_lets_its_world_stand_still():
    now = [0.0]
    bench = make_bench("vent_flap_24v", seed=0, clock=lambda: now[0], longest_catch_up_s=0.1)
    bench.advance()
    bench.safety_chain.beat(high=True)
    now[0] = 5.0
    bench.advance()
    assert bench.plant.time_s == pytest.approx(0.1)
    assert bench.slipped_s == pytest.approx(4.9)
    assert bench.safety_chain.permit


def test_the_same_seed_gives_the_same_measurements(clock):
    def measured(seed):
        now = [0.0]
        bench = make_bench("vent_flap_24v", seed=seed, clock=lambda: now[0])
        bench.advance()
        now[0] = 0.5
        bench.advance()
        return bench.measuring_unit.values()

    assert measured(3) == measured(3)
    assert measured(3) != measured(4)
