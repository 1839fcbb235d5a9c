"""Supply, sink and capacitor: who gives, who takes, and what the link does when nobody does."""

import pytest

from benchd_rig.commands import SinkCommand, SupplyCommand
from benchd_rig.dc_link import DcLink
from benchd_rig.energy import EnergyAccount
from benchd_rig.motor_dc import BrushDrop
from benchd_rig.plant import Plant
from benchd_rig.specimen import Specimen


def driven_beyond_no_load_speed(plant: Plant) -> Plant:
    """4500 r/min by the load machine, with 24 V on: the no-load speed is some 3400 r/min."""
    plant.load.mode = "speed"
    plant.load.speed_rpm = 4500.0
    plant.load.power_stage_on = True
    return plant


def test_the_link_rises_with_the_generated_voltage_when_no_sink_is_armed(fed_plant: Plant) -> None:
    driven_beyond_no_load_speed(fed_plant).advance_to(2.0)
    truth = fed_plant.truth()
    assert truth.link_v > 29.0
    assert truth.link_v <= truth.motor_emf_v
    assert truth.supply_current_a == 0.0


def test_an_armed_sink_holds_the_link_at_its_threshold(fed_plant: Plant) -> None:
    fed_plant.sink.input_on, fed_plant.sink.level, fed_plant.sink.current_limit_a = True, 27.0, 40.0
    highest_v = 0.0

    def watch(plant: Plant) -> None:
        nonlocal highest_v
        highest_v = max(highest_v, plant.link_v)

    fed_plant.on_step.append(watch)
    driven_beyond_no_load_speed(fed_plant).advance_to(2.0)
    assert highest_v < 27.3
    assert fed_plant.link_v == pytest.approx(27.0 + 0.02 * fed_plant.sink_current_a, abs=1e-6)
    assert fed_plant.sink_current_a == pytest.approx(-fed_plant.motor_current_a, abs=0.05)
    assert fed_plant.supply_current_a == 0.0


def test_a_dead_sink_holds_nothing(fed_plant: Plant) -> None:
    fed_plant.sink.input_on, fed_plant.sink.level, fed_plant.sink.current_limit_a = True, 27.0, 40.0
    fed_plant.faults.sink_dead = True
    driven_beyond_no_load_speed(fed_plant).advance_to(2.0)
    assert fed_plant.link_v > 29.0
    assert fed_plant.sink_current_a == 0.0


def test_a_sink_at_its_current_limit_lets_the_link_rise(fed_plant: Plant) -> None:
    fed_plant.sink.input_on, fed_plant.sink.level, fed_plant.sink.current_limit_a = True, 27.0, 1.0
    driven_beyond_no_load_speed(fed_plant).advance_to(2.0)
    assert fed_plant.sink_current_a == pytest.approx(1.0)
    assert fed_plant.link_v > 28.0


def test_the_supply_never_takes_current_back(fed_plant: Plant) -> None:
    lowest_a = 0.0

    def watch(plant: Plant) -> None:
        nonlocal lowest_a
        lowest_a = min(lowest_a, plant.supply_current_a)

    fed_plant.on_step.append(watch)
    fed_plant.advance_to(0.5)
    fed_plant.supply.voltage_v = 5.0  # the spinning specimen is now the higher source
    fed_plant.advance_to(1.0)
    fed_plant.supply.output_on = False
    fed_plant.advance_to(1.2)
    assert lowest_a == 0.0


def test_the_current_limit_holds_and_gives_way_to_constant_voltage(fed_plant: Plant) -> None:
    fed_plant.supply.current_limit_a = 3.0
    fed_plant.advance_to(0.02)
    assert fed_plant.supply_current_a == pytest.approx(3.0)
    assert fed_plant.link_v < 23.0
    fed_plant.advance_to(3.0)
    assert fed_plant.supply_current_a < 1.0
    assert fed_plant.link_v == pytest.approx(24.0, abs=0.01)


def test_a_load_beyond_the_current_limit_pulls_the_voltage_down(fed_plant: Plant) -> None:
    fed_plant.faults.rotor_jammed = True
    fed_plant.supply.current_limit_a = 3.0
    fed_plant.advance_to(0.5)
    truth = fed_plant.truth()
    loop_ohm = truth.winding_ohm + fed_plant.specimen.bench.link.cable_ohm
    assert fed_plant.supply_current_a == pytest.approx(3.0, abs=1e-6)
    assert fed_plant.link_v == pytest.approx(3.0 * loop_ohm + truth.brush_drop_v, rel=2e-3)


def test_the_limit_stands_where_a_little_more_current_is_asked_for(fed_plant: Plant) -> None:
    fed_plant.sink.mode, fed_plant.sink.level, fed_plant.sink.current_limit_a = "resistance", 6.0, 40.0
    fed_plant.supply.current_limit_a = 3.0
    fed_plant.advance_to(2.0)
    fed_plant.sink.input_on = True  # asks for 4 A
    fed_plant.advance_to(3.0)
    assert fed_plant.supply_current_a == pytest.approx(3.0, abs=1e-6)
    assert fed_plant.link_v < 20.0


@pytest.mark.parametrize(
    ("mode", "level", "current_a"),
    [("current", 3.0, 3.0), ("resistance", 8.0, 24.0 / 8.0), ("power", 48.0, 48.0 / 24.0), ("voltage", 24.5, 0.0)],
)
def test_each_sink_mode_takes_what_it_says(fed_plant: Plant, mode: str, level: float, current_a: float) -> None:
    fed_plant.advance_to(0.5)  # a constant-power load switched on before its source holds both down
    fed_plant.sink.mode = mode
    fed_plant.sink.level, fed_plant.sink.current_limit_a, fed_plant.sink.input_on = level, 40.0, True
    fed_plant.advance_to(1.0)
    assert fed_plant.sink_current_a == pytest.approx(current_a, rel=2e-3)


def test_output_off_coasts_and_the_link_discharges(fed_plant: Plant) -> None:
    fed_plant.advance_to(1.0)
    speed_rpm = fed_plant.motor_speed_rpm
    fed_plant.supply.output_on = False
    fed_plant.advance_to(1.1)
    assert fed_plant.motor_speed_rpm > 0.9 * speed_rpm
    fed_plant.advance_to(10.0)
    assert fed_plant.motor_speed_rpm == 0.0
    assert fed_plant.link_v == 0.0


def test_a_specimen_driven_backwards_cannot_pull_the_link_far_below_zero(plant: Plant) -> None:
    plant.load.mode, plant.load.speed_rpm, plant.load.power_stage_on = "speed", -1000.0, True
    plant.advance_to(1.0)
    assert plant.motor_speed_rpm == pytest.approx(-1000.0, rel=0.01)
    assert -0.8 < plant.link_v < -0.5


@pytest.mark.parametrize("volt_a", [1e-4, 0.3, 50.0])
@pytest.mark.parametrize("source_v", [0.0, 3.0, 24.0, 80.0])
@pytest.mark.parametrize("before_v", [0.0, 24.0, 60.0])
@pytest.mark.parametrize("mean_a", [-30.0, 0.0, 30.0])
def test_currents_balance_whatever_conducts(
    vent_flap: Specimen, source_v: float, before_v: float, mean_a: float, volt_a: float
) -> None:
    stiff = vent_flap.bench.supply.model_copy(update={"output_resistance_ohm": 1e-8, "rise_s": 0.0})
    bench = vent_flap.bench.model_copy(update={"supply": stiff})
    link = DcLink(bench, EnergyAccount(), step_s=5e-4)
    link.link_v = before_v
    link.warm(BrushDrop(level_v=0.8, scale_a=0.08), extra_ohm=0.005)
    supply = SupplyCommand(output_on=True, voltage_v=source_v, current_limit_a=20.0)
    link.follow(supply, SinkCommand(input_on=True, level=27.0, current_limit_a=10.0), sink_dead=False)
    drive_v = link.settle(mean_a, volt_a, mean_a, volt_a)
    motor_a = mean_a + volt_a * drive_v
    stored_a = bench.link.capacitance_f * (link.link_v - before_v) / 5e-4
    balance_a = link.supply_current_a - link.sink_current_a - motor_a - stored_a - link.link_v / bench.link.bleed_ohm
    assert balance_a == pytest.approx(0.0, abs=1e-6)
    if link.link_v > -0.6:
        assert 0.0 <= link.supply_current_a <= 20.0 + 1e-6
    if link.link_v > source_v + 1e-6:
        assert link.supply_current_a == pytest.approx(0.0, abs=1e-6)
    assert link.sink_current_a == pytest.approx(min(max((link.link_v - 27.0) / 0.02, 0.0), 10.0), abs=1e-6)
