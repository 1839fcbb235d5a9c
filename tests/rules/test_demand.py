import math

from benchd.rules.demand import Capacity, Demand, Demanded, misfits

DEMAND = Demand(speed_rpm=3500.0, torque_nm=0.25, power_w=120.0, voltage_v=24.0, current_a=5.0, duration_s=30.0)


def capacity(quantity: Demanded, value: float, origin: str = "bench.toml:12 max") -> Capacity:
    return Capacity(quantity=quantity, value=value, origin=origin)


def test_a_demand_within_every_capacity_has_no_misfit() -> None:
    assert misfits(DEMAND, [capacity(q, 1e6) for q in Demanded], who="p.toml:3") == []


def test_a_misfit_names_who_asks_what_bounds_it_and_both_numbers() -> None:
    [sentence] = misfits(
        DEMAND, [capacity(Demanded.SPEED, 3000.0, "motor.toml:9 max_speed_rpm")], who="p.toml:3 (Load test)"
    )
    for part in ("p.toml:3 (Load test)", "3500", "3000", "motor.toml:9 max_speed_rpm", "speed", "r/min"):
        assert part in sentence


def test_the_tightest_capacity_is_the_one_named() -> None:
    [sentence] = misfits(
        DEMAND, [capacity(Demanded.CURRENT, 4.0, "fuse"), capacity(Demanded.CURRENT, 3.0, "supply")], who="p"
    )
    assert "supply" in sentence
    assert "fuse" not in sentence


def test_exactly_as_much_as_there_is_fits() -> None:
    assert misfits(DEMAND, [capacity(Demanded.TORQUE, 0.25)], who="p") == []


def test_a_demand_that_is_no_number_never_fits() -> None:
    demand = Demand(speed_rpm=math.nan, torque_nm=0.0, power_w=0.0, voltage_v=0.0, current_a=0.0, duration_s=0.0)
    assert len(misfits(demand, [capacity(Demanded.SPEED, 1e6)], who="p")) == 1
