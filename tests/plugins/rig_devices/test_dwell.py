"""A bench that dwells: how far it gets, why it stops, and that devices watch on afterwards."""

import asyncio
import copy

import pytest

from benchd.contract import DriveState
from benchd.live.virtual_time import run_virtual
from benchd_rig.bench import Bench, make_bench
from benchd_rig.plant import Plant
from benchd_rig.safety_chain import Button
from benchd_rig.twin import twin_drivers


def commanded(bench: Bench, clock, *, torque_permille: float = 100.0) -> None:
    """The vent flap on 24 V, the load drive enabled with a watchdog of half a second; heartbeat alive."""
    bench.safety_chain.beat(high=True)
    bench.supply.set_voltage(24.0)
    bench.supply.set_current_limit(20.0)
    bench.supply.switch_output(on=True)
    drive = bench.load_drive
    drive.settings.watchdog_ms = 500
    for word in (0x06, 0x07, 0x0F):
        drive.write_controlword(word)
    drive.select_mode(4)
    drive.settings.target_torque_permille = -torque_permille
    for beat in range(20):
        drive.request_arrived()
        bench.safety_chain.beat(high=bool(beat % 2))
        clock.passes(0.1)


def test_it_dwells_as_long_as_asked_ahead_of_the_clock(bench: Bench, clock) -> None:
    commanded(bench, clock)
    before_s, speed_rpm = bench.plant.time_s, bench.plant.motor_speed_rpm
    dwelt = bench.dwell(600.0)
    assert (dwelt.seconds, dwelt.why) == (pytest.approx(600.0, abs=1e-3), "")
    assert bench.plant.time_s == pytest.approx(before_s + 600.0, abs=1e-3)
    assert bench.plant.motor_speed_rpm == pytest.approx(speed_rpm, rel=0.03)
    assert bench.plant.winding_degc > 30.0
    assert not bench.plant.leaps  # as it was
    at_s = bench.plant.time_s
    clock.passes(599.0)
    assert bench.plant.time_s == at_s
    for _ in range(15):
        bench.load_drive.request_arrived()
        bench.safety_chain.hear_on()
        clock.passes(0.1)
    assert bench.plant.time_s == pytest.approx(at_s + 0.5, abs=2e-3)
    assert bench.load_drive.state is DriveState.OPERATION_ENABLED
    assert bench.safety_chain.permit


def test_watchdog_and_heartbeat_run_on_after_a_dwell(bench: Bench, clock) -> None:
    commanded(bench, clock)
    dwelt = bench.dwell(30.0)
    clock.passes(dwelt.seconds)
    assert bench.load_drive.state is DriveState.OPERATION_ENABLED
    clock.passes(0.7)  # nobody asks any more
    assert bench.load_drive.state is not DriveState.OPERATION_ENABLED
    assert not bench.safety_chain.permit


def test_short_dwells_one_after_the_other_miss_no_more_than_fine_steps(bench: Bench, clock) -> None:
    commanded(bench, clock, torque_permille=150.0)
    fine = Plant(bench.plant.specimen, seed=1)
    fine.supply, fine.load = copy.copy(bench.plant.supply), copy.copy(bench.plant.load)
    begin_s, at_degc = bench.plant.time_s, bench.plant.winding_degc
    leapt_s = bench.plant.leapt_s
    while bench.plant.time_s < begin_s + 60.0:
        dwelt = bench.dwell(5.0)
        assert dwelt.why == ""
        clock.passes(dwelt.seconds)
        for _ in range(4):
            bench.load_drive.request_arrived()
            bench.safety_chain.hear_on()
            clock.passes(0.03)
    assert bench.plant.leapt_s - leapt_s > 0.85 * 60.0
    fine.advance_to(begin_s)
    first_degc = fine.winding_degc
    fine.advance_to(bench.plant.time_s)
    assert first_degc == pytest.approx(at_degc, abs=0.5)  # it was brought here another way
    rise_k = bench.plant.winding_degc - at_degc
    assert rise_k == pytest.approx(fine.winding_degc - first_degc, abs=0.05)
    assert rise_k > 5.0


def test_a_heartbeat_that_had_stopped_is_not_revived(bench: Bench, clock) -> None:
    commanded(bench, clock)
    clock.passes(0.6)
    assert not bench.safety_chain.permit
    bench.dwell(5.0)
    assert not bench.safety_chain.permit


def test_it_stops_where_the_shaft_is_not_steady(bench: Bench, clock) -> None:
    commanded(bench, clock, torque_permille=0.0)
    bench.supply.switch_output(on=False)  # the shaft coasts for seconds
    dwelt = bench.dwell(600.0)
    assert 1.9 < dwelt.seconds < 3.0
    assert dwelt.why.startswith("It is not steady: ")
    assert "still changes by" in dwelt.why


def test_it_stops_where_a_device_acts(bench: Bench, clock) -> None:
    commanded(bench, clock)
    bench.safety_chain.press(Button.ESTOP)
    dwelt = bench.dwell(600.0)
    assert dwelt.why == "A device acted by itself: the safety chain opened."
    assert dwelt.seconds < 0.3


def test_rest_is_dwelt_through(bench: Bench) -> None:
    assert bench.dwell(3600.0).why == ""
    assert bench.plant.time_s == pytest.approx(3600.0)


def test_in_process_drivers_dwell_and_the_loops_time_catches_up() -> None:
    async def story() -> None:
        drivers = twin_drivers("vent_flap_24v", seed=1)
        async with drivers["supply"] as ports:
            await ports["output"].set_voltage(24.0, current_limit_a=20.0)
            await ports["output"].switch_output(on=True)
            await asyncio.sleep(2.0)
            dwelt = drivers.dwell(100.0)
            assert dwelt.why == ""
            at_s = drivers.bench.plant.time_s
            await asyncio.sleep(dwelt.seconds)
            assert drivers.truth()["time_s"] == pytest.approx(at_s, abs=2e-3)
            await asyncio.sleep(1.0)
            assert drivers.truth()["time_s"] == pytest.approx(at_s + 1.0, abs=2e-3)

    run_virtual(story())


def test_a_stalled_clock_never_leaps(clock) -> None:
    bench = make_bench("vent_flap_24v", seed=1, clock=clock)
    clock.bench = bench
    bench.advance()
    commanded(bench, clock)
    leapt_s = bench.plant.leapt_s
    clock.passes(0.4)
    assert bench.plant.leapt_s == leapt_s
