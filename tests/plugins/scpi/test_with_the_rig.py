"""The three drivers against the simulated bench as a process of its own, over its real wires."""

import asyncio
import json
import math
import subprocess
import sys
from collections.abc import Iterator

import pytest

from benchd.contract import SinkSettings
from benchd_scpi.manifests import MEASURING_UNIT, SINK, SUPPLY

pytestmark = pytest.mark.wires

LIMITS = {"max_voltage_v": 80.0, "max_current_a": 60.0}


@pytest.fixture(scope="module")
def rig_devices() -> Iterator[dict[str, dict[str, object]]]:
    command = [sys.executable, "-m", "benchd_rig", "--specimen", "reference_dc_24v", "--until-stdin-closes"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout
        yield json.loads(process.stdout.readline())["devices"]
        assert process.stdin
        process.stdin.close()
        assert process.wait(timeout=10.0) is not None


async def test_supply_sink_and_measuring_unit_of_the_rig_are_entered_set_read_and_left(rig_devices):
    supply_settings = SUPPLY.settings.model_validate(
        rig_devices["supply"] | LIMITS | {"identity": "Quillmoor Instruments,QS80-60", "reply_time_s": 0.4}
    )
    sink_settings = SINK.settings.model_validate(
        rig_devices["sink"] | LIMITS | {"identity": "Quillmoor Instruments,QL80-60", "reply_time_s": 0.4}
    )
    unit_settings = MEASURING_UNIT.settings.model_validate(
        rig_devices["measuring_unit"]
        | {
            "identity": "Quillmoor Instruments,QM8",
            "reply_time_s": 0.4,
            "inputs": [{"name": "terminal_v", "channel": 1}, {"name": "link_v", "channel": 6}],
        }
    )
    supply = SUPPLY.make(supply_settings)
    async with SINK.make(sink_settings) as sink_ports, MEASURING_UNIT.make(unit_settings) as unit_ports:
        async with supply as supply_ports:
            output = supply_ports["output"]
            await sink_ports["input"].arm(threshold_v=30.0, current_limit_a=20.0)
            await output.set_over_voltage_protection(34.0)
            await output.set_voltage(12.0, current_limit_a=5.0)
            await output.switch_output(on=True)
            await asyncio.sleep(0.5)
            reading = await output.read()
            assert reading.output_on
            assert reading.voltage_v == pytest.approx(12.0, abs=0.2)
            assert (await output.read_settings()).over_voltage_protection_v == 34.0
            values = (await unit_ports["inputs"].read()).values
            assert values["link_v"] == pytest.approx(1.2, abs=0.05)  # 0.1 V per V
            assert math.isfinite(values["terminal_v"])
            await supply.reconnect()
            assert (await output.read()).output_on  # a reconnection takes no energy away
            assert await sink_ports["input"].read_settings() == SinkSettings(
                armed=True, threshold_v=30.0, current_limit_a=20.0
            )
            await output.make_safe()
            assert not (await output.read()).output_on
        async with SUPPLY.make(supply_settings) as supply_ports:  # left, so free for the next
            assert not (await supply_ports["output"].read()).output_on
