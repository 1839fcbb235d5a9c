"""Foreign clients against the bench's own servers: each is the other's independent check."""

import asyncio
import time

import pytest
import pyvisa
from pymodbus.client import AsyncModbusTcpClient

from benchd_rig.servers import DeviceServers

pytestmark = pytest.mark.wires

I32 = AsyncModbusTcpClient.DATATYPE.INT32
U32 = AsyncModbusTcpClient.DATATYPE.UINT32
I16 = AsyncModbusTcpClient.DATATYPE.INT16


async def modbus(served: DeviceServers, device: str) -> AsyncModbusTcpClient:
    server = served.by_device[device]
    client = AsyncModbusTcpClient(server.host, port=server.port, timeout=5, retries=0)
    assert await client.connect()
    return client


async def test_a_pymodbus_client_walks_the_drive_to_operation_enabled_and_reads_it(served):
    client = await modbus(served, "load_drive")
    try:
        await client.write_register(1, 10, device_id=1)
        for controlword in (0x06, 0x07, 0x0F):
            assert not (await client.write_register(0, controlword, device_id=1)).isError()
        words = client.convert_to_registers(-1000, I32)
        assert not (await client.write_registers(4, words, device_id=1)).isError()
        actual = (await client.read_holding_registers(100, count=19, device_id=1)).registers
        assert actual[0] & 0x6F == 0x27
        assert client.convert_from_registers(actual[10:12], U32) == 2000
        back = (await client.read_holding_registers(4, count=2, device_id=1)).registers
        assert client.convert_from_registers(back, I32) == -1000
        assert served.bench.load_drive.settings.target_speed_rpm == -100.0
    finally:
        client.close()


async def test_a_pymodbus_client_gets_the_exception_codes(served):
    client = await modbus(served, "load_drive")
    try:
        assert (await client.read_holding_registers(500, count=1, device_id=1)).exception_code == 2
        assert (await client.write_register(10, 9, device_id=1)).exception_code == 3
        assert (await client.read_coils(0, count=1, device_id=1)).exception_code == 1
    finally:
        client.close()


async def test_a_pymodbus_client_reads_temperatures_and_the_chain(served):
    thermometers, chain = await modbus(served, "thermometers"), await modbus(served, "safety_chain")
    try:
        words = (await thermometers.read_input_registers(0, count=3, device_id=1)).registers
        assert [thermometers.convert_from_registers([word], I16) for word in words] == [230, 230, 230]
        assert (await chain.read_discrete_inputs(0, count=5, device_id=1)).bits[:5] == [True] * 5
        await chain.write_coil(1, True, device_id=1)
        assert (await chain.read_discrete_inputs(3, count=2, device_id=1)).bits[:2] == [False, False]
        assert (await chain.read_coils(0, count=2, device_id=1)).bits[:2] == [False, True]
    finally:
        thermometers.close()
        chain.close()


async def test_a_visa_client_sets_measures_and_reads_the_error_queue(served):
    supply, unit = served.by_device["supply"], served.by_device["measuring_unit"]

    def session() -> tuple[str, float, str, list[float]]:
        manager = pyvisa.ResourceManager("@py")
        try:
            opened = [
                manager.open_resource(
                    f"TCPIP::{server.host}::{server.port}::SOCKET",
                    read_termination="\n",
                    write_termination="\n",
                    timeout=5000,
                )
                for server in (supply, unit)
            ]
            output, inputs = opened
            identity = output.query("*IDN?")
            output.write("VOLT 12;CURR 5;:OUTP ON")
            output.query("*OPC?")
            give_up_s = time.monotonic() + 20.0
            volts = 0.0
            while volts < 11.5 and time.monotonic() < give_up_s:  # the motor has to get going first
                volts = float(output.query("MEAS:VOLT?"))
            output.write("VOLT 500")
            error = output.query("SYST:ERR?")
            values = inputs.query_ascii_values("FETC? (@1,5)")
            for resource in opened:
                resource.close()
            return identity, volts, error, values
        finally:
            manager.close()

    identity, volts, error, values = await asyncio.to_thread(session)
    assert identity == "Quillmoor Instruments,QS80-60,QS-0117,1.0"
    assert volts == pytest.approx(12.0, abs=0.5)
    assert error == '-222,"Data out of range"'
    assert len(values) == 2


async def test_every_device_of_the_bench_has_a_port(served):
    assert set(served.addresses()) == {
        "supply",
        "sink",
        "load_drive",
        "measuring_unit",
        "resistance_meter",
        "thermometers",
        "cabinet_thermometers",
        "safety_chain",
    }
    assert all(where["port"] for where in served.addresses().values())


async def test_polling_keeps_the_drives_watchdog_quiet_and_silence_does_not(served):
    client = await modbus(served, "load_drive")
    drive = served.bench.load_drive
    try:
        await client.write_registers(12, [0, 300], device_id=1)  # coast on a fault; watchdog 300 ms
        await client.write_register(1, 10, device_id=1)
        for controlword in (0x06, 0x07, 0x0F):
            await client.write_register(0, controlword, device_id=1)
        for _ in range(8):
            await asyncio.sleep(0.05)
            actual = (await client.read_holding_registers(100, count=1, device_id=1)).registers
        assert actual[0] & 0x6F == 0x27
        for _ in range(40):
            await asyncio.sleep(0.02)
            served.bench.advance()
        assert drive.fault_code == 0x8130
        assert not served.bench.plant.load.power_stage_on
    finally:
        client.close()
