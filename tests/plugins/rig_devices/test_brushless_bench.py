"""The bench of a brushless specimen: what it has more than a brushed one's, and that the chain drops both drives."""

import json

import pytest

from benchd.contract import DriveState
from benchd_rig.bench import Bench, make_bench
from benchd_rig.control import Control
from benchd_rig.safety_chain import Button
from benchd_rig.servers import DeviceServers


@pytest.fixture
def pump(clock) -> Bench:
    made = make_bench("pump_48v", seed=1, clock=clock)
    clock.bench = made
    made.advance()
    return made


def enable(drive, *, mode: int) -> None:
    drive.select_mode(mode)
    for controlword in (0x06, 0x07, 0x0F):
        drive.write_controlword(controlword)


def at_work(pump: Bench, clock) -> None:
    """The motor drive holds a speed, the load drive brakes."""
    pump.sink.set_level("voltage", 52.0)
    pump.sink.switch_input(on=True)
    pump.supply.set_voltage(48.0)
    pump.supply.set_current_limit(30.0)
    pump.supply.switch_output(on=True)
    clock.passes(0.3)
    enable(pump.motor_drive, mode=3)
    enable(pump.load_drive, mode=10)
    pump.motor_drive.settings.target_speed_rpm = 1500.0
    pump.motor_drive.settings.max_torque_permille = 1500
    clock.passes(0.5)
    pump.load_drive.settings.target_torque_permille = -200
    clock.passes(0.5)


def test_the_motor_drive_holds_a_speed_against_the_load_drive_with_positive_torque(pump, clock):
    at_work(pump, clock)
    assert pump.plant.motor_speed_rpm == pytest.approx(1500.0, abs=15.0)
    assert pump.plant.truth().shaft_torque_nm == pytest.approx(1.2, rel=0.05)
    assert pump.motor_drive.torque_permille == pytest.approx(1200 / 2.39, rel=0.15)  # shaft torque and its own losses
    assert pump.load_drive.torque_permille == pytest.approx(-200.0, abs=5.0)
    assert pump.motor_drive.dc_link_v == pytest.approx(48.0, abs=0.5)


@pytest.mark.parametrize("button", [Button.ESTOP, Button.OPEN_GUARD, Button.STO])
def test_the_hardware_takes_both_drives_and_the_supply_away_within_10_ms_without_any_request(pump, clock, button):
    at_work(pump, clock)
    pump.safety_chain.press(button)
    clock.passes(0.010)
    assert not pump.plant.supply.output_on
    for drive in pump.drives.values():
        assert drive.state is DriveState.SWITCH_ON_DISABLED
        assert not drive.power_stage_on
    assert pump.plant.sink.input_on


def test_a_closed_chain_gives_the_motor_drive_nothing_back(pump, clock):
    at_work(pump, clock)
    pump.safety_chain.press(Button.ESTOP)
    clock.passes(0.1)
    enable(pump.motor_drive, mode=3)
    assert pump.motor_drive.state is DriveState.SWITCH_ON_DISABLED
    pump.safety_chain.press(Button.RELEASE_ESTOP)
    pump.safety_chain.press(Button.RESET)
    clock.passes(1.0)
    assert not pump.plant.motor_drive.power_stage_on
    enable(pump.motor_drive, mode=3)
    assert pump.motor_drive.state is DriveState.OPERATION_ENABLED


def test_the_silence_of_one_drives_wire_trips_that_drive_alone(pump, clock):
    at_work(pump, clock)
    for drive in pump.drives.values():
        drive.settings.watchdog_ms = 100
        drive.request_arrived()
    for _ in range(10):
        clock.passes(0.02)
        pump.load_drive.request_arrived()
    assert pump.motor_drive.fault_code == 0x8130
    assert pump.load_drive.state is DriveState.OPERATION_ENABLED


def test_every_request_on_its_wire_keeps_the_motor_drives_watchdog_quiet(pump, clock):
    at_work(pump, clock)
    wire = DeviceServers(pump).by_device["motor_drive"].conversation
    pump.motor_drive.settings.watchdog_ms = 100
    pump.motor_drive.request_arrived()
    statusword = bytes.fromhex("0001 0000 0006 01 03 0064 0001")
    for _ in range(20):
        clock.passes(0.05)
        reply = wire.answer(statusword)
        assert reply[-1] & 0x6F == 0x27  # operation enabled
    clock.passes(0.2)
    assert pump.motor_drive.fault_code == 0x8130


def test_an_open_contactor_leaves_the_motor_without_current(pump, clock):
    at_work(pump, clock)
    pump.resistance_meter.switch_contactor(closed=False)
    clock.passes(0.1)
    assert not pump.resistance_meter.power_leads_closed
    assert pump.plant.analyse(0.05)[12] == pytest.approx(0.0, abs=0.05)


def test_a_current_through_the_meter_shows_the_resistance_between_two_phases(pump, clock):
    meter = pump.resistance_meter
    meter.switch_contactor(closed=False)
    clock.passes(0.1)
    seen = []
    for amperes in (1.0, -1.0):
        meter.connect(12)
        meter.set_current(amperes)
        clock.passes(0.5)
        seen.append((meter.measured_v, meter.measured_a))
    (forward_v, forward_a), (back_v, back_a) = seen
    ohm = (forward_v - back_v) / (forward_a - back_a)
    cold = 2 * 0.035 * (1 + 0.00393 * 3.0)  # two phases in series, at 23 instead of 20 °C
    assert ohm == pytest.approx(cold, rel=2e-3)


def test_the_magnet_has_a_thermometer_and_a_brushed_motor_has_none(pump, bench):
    assert pump.thermometers.temperatures_degc()["magnet"] == 23.0
    assert pump.thermometers.read_input_registers(3, 1) == [230]
    assert bench.thermometers.temperatures_degc()["magnet"] is None
    pump.set_plant_fault("magnet_thermometer_open", True)
    assert pump.thermometers.temperatures_degc() == {"winding": 23.0, "housing": 23.0, "ambient": 23.0, "magnet": None}


def test_each_bench_has_its_devices(pump, bench):
    assert set(pump.devices) - set(bench.devices) == {"motor_drive", "power_analyser"}
    assert "resistance_meter" in bench.devices
    assert (bench.motor_drive, bench.power_analyser) == (None, None)


def test_a_link_beyond_60_v_has_a_supply_and_a_sink_that_reach_it(clock):
    high = make_bench("reference_pmsm", seed=0, clock=clock)
    assert high.identities["supply"].split(",")[1] == "QS400-30"
    assert high.identities["sink"].split(",")[1] == "QL400-30"
    assert high.supply.rating.max_voltage_v > 300.0
    assert high.sink.rating.max_voltage_v > 300.0
    assert high.motor_drive.rating.over_voltage_v == pytest.approx(360.0)


@pytest.mark.parametrize("name", ["phases_swapped", "analyser_lead_open"])
def test_a_fault_of_a_converter_is_refused_where_there_is_none(bench, pump, name):
    with pytest.raises(ValueError, match="needs a converter"):
        bench.set_plant_fault(name, True)
    pump.set_plant_fault(name, True)
    assert getattr(pump.plant.faults, name)


async def ask(control: Control, **request: object) -> dict:
    return await control.answer(json.dumps(request))


async def test_the_control_socket_reaches_the_new_devices_and_faults(pump):
    servers = DeviceServers(pump)
    control = Control(pump, servers)
    for name, setting in (
        ("phases_swapped", {"on": True}),
        ("commutation_offset_deg", {"value": 12.5}),
        ("analyser_lead_open", {"on": True}),
        ("magnet_thermometer_open", {"on": True}),
        ("contactor_welded", {"on": True}),
        ("sink_dead", {"on": True}),
    ):
        assert await ask(control, do="plant_fault", name=name, **setting) == {"ok": True}
    assert pump.plant.faults.commutation_offset_deg == 12.5
    assert pump.plant.faults.sink_dead
    await ask(control, do="commission", device="motor_drive", overspeed_rpm=3500.0, own_torque_permille=1100)
    assert pump.registers["motor_drive"].read_holding_registers(114, 3) == [0, 35_000, 1100]
    assert pump.load_drive.rating.overspeed_rpm == 5500.0
    await ask(control, do="commission", device="load_drive", pole_pairs=8)
    assert pump.plant.faults.believed_pole_pairs == 0.0  # that machine's drive turns as before
    await ask(control, do="commission", device="motor_drive", pole_pairs=8)
    assert pump.registers["motor_drive"].read_holding_registers(119, 1) == [8]
    assert pump.plant.faults.believed_pole_pairs == 8.0  # it counts revolutions with them
    await ask(control, do="trip", device="motor_drive")
    truth = (await ask(control, do="truth"))["truth"]
    assert truth["motor_drive_state"] == "fault"
    assert truth["load_drive_state"] == "switch-on disabled"
    assert (truth["power_leads_closed"], truth["resistance_meter_pair"], truth["waveforms_running"]) == (True, 0, False)
    json.dumps(truth, allow_nan=False)
    for device, kind in (("power_analyser", "nan"), ("motor_drive", "hang"), ("measuring_unit", "lost_samples")):
        assert await ask(control, do="fault", device=device, kind=kind, on=True) == {"ok": True}
    refused = await ask(control, do="fault", device="supply", kind="truncated_block", on=True)
    assert "no wire fault 'truncated_block'" in refused["error"]


async def test_a_brushed_bench_has_no_motor_drive_to_trip_commission_or_listen(bench):
    control = Control(bench, DeviceServers(bench))
    for request in ({"do": "trip"}, {"do": "commission", "overspeed_rpm": 100.0}):
        assert "no device 'motor_drive'" in (await ask(control, device="motor_drive", **request))["error"]
    assert "motor_drive_state" not in (await ask(control, do="truth"))["truth"]
    with pytest.raises(ValueError, match="has no motor_drive"):
        DeviceServers(bench, ports={"motor_drive": 0})
