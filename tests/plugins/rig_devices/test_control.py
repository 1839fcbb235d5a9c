import asyncio
import json

import pytest

from benchd_rig.control import Control, ControlServer
from benchd_rig.servers import DeviceServers


@pytest.fixture
def control(served: DeviceServers) -> Control:
    return Control(served.bench, served)


async def ask(control: Control, **request: object) -> dict:
    return await control.answer(json.dumps(request))


async def test_the_truth_is_plain_json(control):
    reply = await ask(control, do="truth")
    assert reply["ok"]
    assert reply["truth"]["permit"] is True
    assert reply["truth"]["load_drive_state"] == "switch-on disabled"
    json.dumps(reply, allow_nan=False)


async def test_buttons_reset_and_its_refusal(control):
    assert (await ask(control, do="press", button="estop"))["ok"]
    refused = await ask(control, do="press", button="reset")
    assert not refused["ok"]
    assert "E-stop" in refused["error"]
    await ask(control, do="press", button="release_estop")
    assert (await ask(control, do="press", button="reset")) == {"ok": True}
    assert "no button 'lunch'" in (await ask(control, do="press", button="lunch"))["error"]


async def test_plant_faults_by_switch_and_by_amount(control, served):
    assert (await ask(control, do="plant_fault", name="coupling_broken", on=True))["ok"]
    assert (await ask(control, do="plant_fault", name="transducer_offset_nm", value=0.02))["ok"]
    assert served.bench.plant.faults.coupling_broken
    assert served.bench.plant.faults.transducer_offset_nm == 0.02
    assert "has no fault" in (await ask(control, do="plant_fault", name="rust", on=True))["error"]
    assert "needs" in (await ask(control, do="plant_fault", name="coupling_broken"))["error"]


async def test_refuse_closes_the_port_and_clearing_opens_it_again(control, served):
    server = served.by_device["sink"]
    assert (await ask(control, do="fault", device="sink", kind="refuse", on=True))["ok"]
    with pytest.raises(ConnectionRefusedError):
        await asyncio.open_connection(server.host, server.port)
    assert (await ask(control, do="clear_faults"))["ok"]
    _, writer = await asyncio.open_connection(server.host, server.port)
    writer.close()
    await writer.wait_closed()


async def test_an_unknown_device_or_fault_is_one_sentence(control):
    assert "no device 'kettle'" in (await ask(control, do="fault", device="kettle", kind="hang", on=True))["error"]
    assert "no wire fault" in (await ask(control, do="fault", device="supply", kind="melt", on=True))["error"]
    assert "no device" in (await ask(control, do="log", device="kettle"))["error"]


async def test_temperatures_trips_and_commissioning(control, served):
    await ask(control, do="temperature", device="cabinet_thermometers", name="rack", degc=61.0)
    await ask(control, do="temperature", device="thermometers", name="winding", degc="open")
    assert served.bench.cabinet_thermometers.temperatures_degc()["rack"] == 61.0
    assert served.bench.thermometers.temperatures_degc()["winding"] is None
    wrong = await ask(control, do="temperature", device="thermometers", name="oil", degc=1.0)
    assert "no thermometer 'oil'" in wrong["error"]
    await ask(control, do="trip", device="load_drive")
    assert (await ask(control, do="truth"))["truth"]["load_drive_state"] == "fault"
    await ask(control, do="commission", overspeed_rpm=4000.0)
    assert served.bench.drive_registers.read_holding_registers(114, 3) == [0, 40_000, 900]
    await ask(control, do="commission", pole_pairs=5, peak_current_a=70.0, pwm_frequency_hz=9000, rated_current_a=0.5)
    assert served.bench.drive_registers.read_holding_registers(112, 2) == [0, 500]
    assert served.bench.drive_registers.read_holding_registers(119, 5) == [5, 1, 70_000 - 65_536, 0, 9000]
    assert "pole_pairs" in (await ask(control, do="commission", pole_pairs=0))["error"]


@pytest.mark.wires
async def test_the_socket_answers_line_by_line_and_survives_nonsense(control, served):
    async with ControlServer(control) as server, asyncio.timeout(10):
        reader, writer = await asyncio.open_connection(server.host, server.port)
        writer.write(b'\xff\xfe\n{"do": "log", "device": "supply"}\n{"do": "truth"}\n')
        replies = [json.loads(await reader.readline()) for _ in range(3)]
        assert [reply["ok"] for reply in replies] == [False, True, True]
        assert replies[1]["log"] == {"supply": []}
        writer.close()
        await writer.wait_closed()


@pytest.mark.wires
async def test_leaving_ends_a_client_that_is_still_connected(control, served):
    async with asyncio.timeout(10):
        async with ControlServer(control) as server:
            reader, writer = await asyncio.open_connection(server.host, server.port)
            writer.write(b'{"do": "truth"}\n')
            await reader.readline()
        assert await reader.read() == b""
        writer.close()
        await writer.wait_closed()


async def test_a_crossing_is_stamped_when_it_was_and_not_when_somebody_asked(control, served):
    assert (await ask(control, do="watch", name="link_v", above=5.0)) == {"ok": True}
    assert (await ask(control, do="crossing"))["crossed_mono_s"] is None
    bench = served.bench
    bench.advance()
    began_s = bench._clock()
    bench.plant.supply.voltage_v, bench.plant.supply.current_limit_a = 12.0, 20.0
    bench.plant.supply.output_on = True
    for _ in range(20):
        await asyncio.sleep(0.005)
        bench.advance()
    seen = await ask(control, do="crossing")
    assert began_s < seen["crossed_mono_s"] < began_s + 0.03  # the supply rises within 3 ms
    assert 5.0 < seen["furthest"] < 13.0
    refused = await ask(control, do="watch", name="moon", above=1.0)
    assert "'moon'" in refused["error"]
