"""Drivers on a plate: the bench file's names, its scales, and what this rig cannot play."""

import asyncio
import dataclasses

import numpy as np
import pytest

from benchd.contract import Plate, PlatePort, PlateSignal
from benchd.live.virtual_time import run_virtual
from benchd_rig.plate_drivers import drivers_on_plate
from benchd_rig.twin import TWIN
from tests.plugins.plates import PUMP, VENT_FLAP, plate


@pytest.fixture(scope="module")
def flap() -> Plate:
    return plate(*VENT_FLAP)


@pytest.fixture(scope="module")
def pump() -> Plate:
    return plate(*PUMP)


def with_port(of: Plate, role: str, **changes: object) -> Plate:
    ports = tuple(dataclasses.replace(one, **changes) if one.role == role else one for one in of.ports)
    return dataclasses.replace(of, ports=ports)


async def turning(drivers, *, volt: float = 24.0) -> dict[str, object]:
    """Every port by "device.port", the specimen turning in the load drive's idle."""
    ports = {}
    for device in drivers.values():
        await device.__aenter__()
    for name, device in drivers.items():
        ports |= {f"{name}.{port}": one for port, one in device._ports.items()}
    supply = drivers.bench.plant.supply
    supply.voltage_v, supply.current_limit_a, supply.output_on = volt, 20.0, True
    await asyncio.sleep(2.0)
    return ports


async def passing(drive, *, seconds: float) -> None:
    """Time in which somebody keeps asking the drive, so that its watchdog stays quiet."""
    for _ in range(round(seconds / 0.1)):
        await drive.read()
        await asyncio.sleep(0.1)


def test_the_twin_makes_them_by_the_contract(flap: Plate) -> None:
    drivers = TWIN.on_plate(flap, seed=3)
    assert set(drivers) == {port.device for port in flap.ports}
    assert any("fuse" in sentence for sentence in drivers.assumed)


def test_a_signal_is_what_the_benchs_own_sensor_would_put_out(flap: Plate) -> None:
    inputs = (
        PlateSignal(signal="revs_v", channel="shaft_speed", gain=500.0, full_scale=6000.0),
        PlateSignal(signal="torque_ma", channel="shaft_torque", gain=0.25, offset=-1.0, sign=-1.0, full_scale=2.0),
        PlateSignal(signal="amps_v", channel="dc_current", gain=2.0, full_scale=20.0),
        PlateSignal(signal="pressure_v", channel="oil_pressure"),
        PlateSignal(signal="spare_v"),
    )
    changed = with_port(flap, "measuring_unit", device="daq", port="slot1", signals=inputs)

    async def look() -> None:
        drivers = drivers_on_plate(changed, seed=3)
        ports = await turning(drivers)
        drive = ports["load_drive.axis"]
        await drive.enable()
        await drive.follow_torque(0.2, speed_limit_rpm=5000.0)
        await passing(drive, seconds=1.0)
        values = (await ports["daq.slot1"].read()).values
        truth = drivers.truth()
        assert list(values) == ["pressure_v", "spare_v", "revs_v", "torque_ma", "amps_v"]
        assert 500.0 * values["revs_v"] == pytest.approx(truth["motor_speed_rpm"], abs=0.5)
        # channel = sign · (gain · signal + offset)
        assert -(0.25 * values["torque_ma"] - 1.0) == pytest.approx(truth["shaft_torque_nm"], abs=1e-3)
        assert truth["shaft_torque_nm"] == pytest.approx(0.2, abs=0.03)
        assert 2.0 * values["amps_v"] == pytest.approx(truth["motor_current_a"], abs=0.01)
        assert (values["pressure_v"], values["spare_v"]) == (0.0, 0.0)
        assert "daq.slot1.pressure_v: nothing is simulated for the channel oil_pressure; it reads nothing." in (
            drivers.assumed
        )

    run_virtual(look())


def test_a_value_beyond_the_sensors_range_is_an_overload(flap: Plate) -> None:
    weak = (PlateSignal(signal="amps_v", channel="dc_current", gain=0.01, full_scale=0.1),)

    async def look() -> None:
        drivers = drivers_on_plate(with_port(flap, "measuring_unit", signals=weak), seed=3)
        ports = await turning(drivers)
        reading = await ports["measuring_unit.inputs"].read()
        assert reading.overloaded == {"amps_v"}

    run_virtual(look())


def test_thermometers_bear_the_benchs_names(flap: Plate) -> None:
    signals = (
        PlateSignal(signal="coil_degc", channel="winding_temperature", offset=-2.0),
        PlateSignal(signal="door_degc", channel="door_temperature"),
    )
    ports = (*(one for one in flap.ports if one.role != "thermometers"),)
    ports += (PlatePort(device="rtd", port="one", role="thermometers", signals=signals),)
    changed = dataclasses.replace(flap, ports=ports, ambient_degc=27.0)

    async def look() -> None:
        drivers = drivers_on_plate(changed, seed=3)
        found = await turning(drivers)
        temperatures = (await found["rtd.one"].read()).temperatures_degc
        assert temperatures["coil"] == pytest.approx(drivers.truth()["winding_degc"] + 2.0, abs=0.06)
        assert temperatures["door"] == 27.0

    run_virtual(look())


def test_a_drive_tells_what_the_bench_file_expects_and_holds_its_limits(pump: Plate) -> None:
    async def look() -> None:
        drivers = drivers_on_plate(pump, seed=3)
        ports = await turning(drivers, volt=48.0)
        for role in ("load_drive", "motor_drive"):
            stated = getattr(pump, role).parameters
            assert dict((await ports[f"{role}.axis"].read_parameters()).values) == pytest.approx(dict(stated))
        limits = await ports["motor_drive.axis"].read_limits()
        assert (limits.overspeed_rpm, limits.rated_torque_nm) == (5500.0, 2.39)
        assert limits.torque_limit_nm == pytest.approx(3.585)
        with pytest.raises(Exception, match="outside 0 to 80 V"):
            await ports["supply.output"].set_voltage(81.0, current_limit_a=1.0)

    run_virtual(look())


def test_samples_and_analysed_values_agree_with_the_truth(pump: Plate) -> None:
    by_signal = {one.signal: one for port in pump.ports if port.role == "waveforms" for one in port.signals}

    async def look() -> None:
        drivers = drivers_on_plate(dataclasses.replace(pump, waveform_rate_hz=5000.0), seed=3)
        ports = await turning(drivers, volt=48.0)
        drive = ports["motor_drive.axis"]
        await drive.enable()
        await drive.follow_speed(2000.0, torque_limit_nm=2.0)
        await passing(drive, seconds=1.5)
        await ports["measuring_unit.waveforms"].start()
        await passing(drive, seconds=0.3)
        block = await ports["measuring_unit.waveforms"].read_block()
        truth = drivers.truth()
        assert block.rate_hz == 5000.0
        rows = np.frombuffer(block.data, dtype="<f4").reshape(-1, len(block.signals))
        wave = {by_signal[name].channel: rows[:, at] * by_signal[name].gain for at, name in enumerate(block.signals)}
        rms_a = float(np.sqrt(np.mean(wave["phase_current_1"][:1500] ** 2)))
        ripple_free_a = float(np.hypot(truth["d_current_a"], truth["q_current_a"])) / 2.0**0.5
        assert rms_a == pytest.approx(ripple_free_a, rel=0.05)
        values = (await ports["power_analyser.result"].read()).values
        assert values["p_w"] == pytest.approx(truth["converter_output_w"], rel=0.05)
        assert values["frequency_hz"] == pytest.approx(2000.0 / 60.0 * 4.0, rel=0.01)

    run_virtual(look())


@pytest.mark.parametrize(
    ("role", "says"),
    [
        ("supply", "it has no supply"),
        ("safety_chain", "it has no safety_chain"),
        ("load_drive", "it has no load_drive"),
    ],
)
def test_a_bench_without_a_needed_part_is_one_sentence(flap: Plate, role: str, says: str) -> None:
    less = dataclasses.replace(flap, ports=tuple(one for one in flap.ports if one.role != role))
    with pytest.raises(ValueError, match=says):
        drivers_on_plate(less, seed=0)


def test_two_ports_of_one_role_are_one_sentence(flap: Plate) -> None:
    twice = dataclasses.replace(flap, ports=(*flap.ports, PlatePort(device="psu2", port="b", role="supply")))
    with pytest.raises(ValueError, match=r"supply\.output and psu2\.b both play supply"):
        drivers_on_plate(twice, seed=0)


def test_a_converter_before_a_brushed_motor_is_one_sentence(flap: Plate, pump: Plate) -> None:
    [axis] = [one for one in pump.ports if one.role == "motor_drive"]
    with pytest.raises(ValueError, match="a brushed motor is fed by the supply itself"):
        drivers_on_plate(dataclasses.replace(flap, ports=(*flap.ports, axis)), seed=0)


def test_a_role_that_nobody_plays_here_is_one_sentence(flap: Plate) -> None:
    strange = PlatePort(device="cam", port="one", role="camera")
    with pytest.raises(ValueError, match=r"this rig cannot play camera \(cam\.one\)"):
        drivers_on_plate(dataclasses.replace(flap, ports=(*flap.ports, strange)), seed=0)
