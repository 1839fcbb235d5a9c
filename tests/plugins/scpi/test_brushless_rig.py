"""Sample stream, power analyser and resistance meter of the simulated bench, over its real wires."""

import asyncio
import contextlib
import json
import math
import socket
import subprocess
import sys
from collections.abc import Iterator

import numpy as np
import pytest

from benchd.contract import LinkLost, Refused, ReplyWrong
from benchd_scpi.manifests import MEASURING_UNIT, POWER_ANALYSER, RESISTANCE_METER

pytestmark = pytest.mark.wires

RATE_HZ = 20000.0
REPLY = {"reply_time_s": 0.4}


class Rig:
    """Where its devices listen, and its control socket."""

    def __init__(self, listening: dict) -> None:
        self.devices = listening["devices"]
        control = listening["control"]
        self._socket = socket.create_connection((control["host"], control["port"]))
        self._lines = self._socket.makefile("rw")

    def do(self, what: str, **fields: object) -> dict:
        self._lines.write(json.dumps({"do": what, **fields}) + "\n")
        self._lines.flush()
        reply = json.loads(self._lines.readline())
        assert reply["ok"], reply
        return reply

    def close(self) -> None:
        self._lines.close()
        self._socket.close()


@pytest.fixture(scope="module")
def rig() -> Iterator[Rig]:
    command = [sys.executable, "-m", "benchd_rig", "--specimen", "reference_pmsm", "--until-stdin-closes"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout
        found = Rig(json.loads(process.stdout.readline()))
        yield found
        found.close()
        assert process.stdin
        process.stdin.close()
        assert process.wait(timeout=10.0) is not None


def unit_of(rig: Rig):
    return MEASURING_UNIT.make(
        MEASURING_UNIT.settings.model_validate(
            rig.devices["measuring_unit"]
            | REPLY
            | {
                "identity": "Quillmoor Instruments,QM8",
                "inputs": [{"name": "terminal_v", "channel": 1}, {"name": "link_v", "channel": 6}],
                "waveforms": {
                    "rate_hz": RATE_HZ,
                    "inputs": [{"name": f"wf{channel}_v", "channel": channel} for channel in range(11, 19)],
                },
            }
        )
    )


def meter_of(rig: Rig):
    given = rig.devices["resistance_meter"] | REPLY | {"identity": "Quillmoor Instruments,QR2", "max_current_a": 1.5}
    return RESISTANCE_METER.make(RESISTANCE_METER.settings.model_validate(given))


async def test_the_stream_of_eight_inputs_is_whole_and_keeps_its_rate_beside_the_averaged_values(rig):
    async with unit_of(rig) as ports:
        stream = ports["waveforms"]
        with pytest.raises(Refused):
            await stream.read_block()
        await stream.start()
        began_s = asyncio.get_running_loop().time()
        blocks = []
        for _ in range(20):
            await asyncio.sleep(0.05)
            assert math.isfinite((await ports["inputs"].read()).values["link_v"])
            blocks.append(await stream.read_block())
        took_s = blocks[-1].taken_mono_s - began_s
        expected = 0
        for block in blocks:
            assert (block.first_index, block.lost) == (expected, 0)
            expected += block.samples
            assert np.all(np.isfinite(np.frombuffer(block.data, "<f4")))
        assert expected == pytest.approx(took_s * RATE_HZ, abs=0.05 * RATE_HZ)
        assert blocks[-1].signals[0] == "wf11_v"
        await stream.stop()
        await stream.stop()


async def test_what_the_unit_drops_comes_up_told_or_not(rig):
    async with unit_of(rig) as ports:
        stream = ports["waveforms"]
        await stream.start()
        first = await stream.read_block()
        for told in (1.0, 0.0):
            await asyncio.sleep(0.1)
            rig.do("fault", device="measuring_unit", kind="lost_samples", on=True, times=1, samples=400.0, told=told)
            block = await stream.read_block()
            assert block.first_index - first.first_index - first.samples == 400
            assert block.lost - first.lost == 400 * told
            first = block


async def test_a_block_that_breaks_off_is_a_wrong_reply_and_the_next_one_is_whole(rig):
    unit = unit_of(rig)
    async with unit as ports:
        stream = ports["waveforms"]
        await stream.start()
        await asyncio.sleep(0.1)
        rig.do("fault", device="measuring_unit", kind="truncated_block", on=True, times=1)
        with pytest.raises(ReplyWrong, match="broke off"):
            await stream.read_block()
        await reconnected(unit)
        block = await stream.read_block()
        assert block.first_index > 0  # the stream went on; what was in the torn block is a gap
        assert np.all(np.isfinite(np.frombuffer(block.data, "<f4")))


async def reconnected(driver) -> None:
    """As the link does it: again after a pause, for a device that has not let go of its last connection yet."""
    for _ in range(50):
        with contextlib.suppress(LinkLost):
            return await driver.reconnect()
        await asyncio.sleep(0.01)
    return await driver.reconnect()


async def test_the_analyser_has_a_result_of_its_stated_bandwidth_and_no_frequency_at_standstill(rig):
    given = rig.devices["power_analyser"] | REPLY | {"identity": "Quillmoor Instruments,QP3"}
    given |= {"minimum_bandwidth_hz": 100_000.0, "window_s": 0.2}
    driver = POWER_ANALYSER.make(POWER_ANALYSER.settings.model_validate(given))
    async with driver as ports:
        reading = await ports["result"].read()
        assert reading.window_s == 0.2
        assert len(reading.values) == 16
        assert math.isnan(reading.values["frequency_hz"])
        assert reading.values["p_w"] == pytest.approx(0.0, abs=5.0)
    too_much = POWER_ANALYSER.settings.model_validate(given | {"minimum_bandwidth_hz": 1e9})
    with pytest.raises(Refused, match="the bench needs 1e\\+09 Hz"):
        await POWER_ANALYSER.make(too_much).__aenter__()


async def test_a_winding_is_measured_in_both_directions_of_the_current(rig):
    async with meter_of(rig) as ports:
        winding = ports["winding"]
        await winding.connect(23)
        found = {}
        for current_a in (1.0, -1.0):
            await winding.set_current(current_a)
            await asyncio.sleep(0.1)
            reading = await winding.read()
            assert (reading.pair, reading.power_leads_open) == (23, True)
            found[current_a] = reading
        resistance_ohm = (found[1.0].voltage_v - found[-1.0].voltage_v) / (found[1.0].current_a - found[-1.0].current_a)
        assert resistance_ohm == pytest.approx(0.5, rel=0.005)  # two phases of 0.25 ohm at 23 degrees
        await winding.disconnect()
        reading = await winding.read()
        assert (reading.pair, reading.power_leads_open) == (0, False)


async def test_a_welded_contactor_refuses_the_pair_and_nothing_is_connected(rig):
    rig.do("plant_fault", name="contactor_welded", on=True)
    try:
        async with meter_of(rig) as ports:
            with pytest.raises(Refused, match="stay closed"):
                await ports["winding"].connect(12)
            assert (await ports["winding"].read()).pair == 0
    finally:
        rig.do("plant_fault", name="contactor_welded", on=False)


async def test_making_safe_takes_the_current_off_while_the_meter_hangs(rig):
    async with meter_of(rig) as ports:
        winding = ports["winding"]
        await winding.connect(12)
        await winding.set_current(1.0)
        rig.do("fault", device="resistance_meter", kind="hang", on=True, times=1)
        async with asyncio.TaskGroup() as group:
            stuck = group.create_task(_fails(winding.read()))
            await asyncio.sleep(0.05)
            await winding.make_safe()
        assert isinstance(stuck.result(), LinkLost)
        reading = await winding.read()
        assert (reading.pair, reading.power_leads_open) == (0, True)
        await winding.disconnect()


async def _fails(call) -> Exception | None:
    try:
        await call
    except (LinkLost, ReplyWrong) as error:
        return error
    return None
