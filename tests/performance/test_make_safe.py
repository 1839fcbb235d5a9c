"""How soon `make_safe` is on the wire when the device's running call hangs; times are the rig's own of receiving."""

import asyncio
import contextlib
import statistics
import time

import pytest

from benchd.app.demo import device_options
from benchd.app.loading import load_all
from benchd.contract import DriverError
from benchd.live.link import Link
from benchd.live.link_state import LinkState
from benchd.live.quiet import quiet_process

from ..scenarios.on_the_wire import a_bench

pytestmark = pytest.mark.performance

PROVOCATIONS = 50
PORTS = {"supply": "output", "load_drive": "axis"}


@pytest.mark.parametrize("device", sorted(PORTS))
def test_make_safe_beside_a_hanging_call_is_on_the_wire_in_time(device: str) -> None:
    port = PORTS[device]
    taken_s: list[float] = []

    async def story(settings, control) -> None:
        manifest = settings.devices[device].manifest
        link = Link(
            device,
            manifest.make(settings.devices[device].settings),
            reply_time_s=manifest.reply_time_s,
            safe_time_s=manifest.safe_time_s,
            on_change=lambda _: None,
        )
        async with asyncio.TaskGroup() as group:
            running = group.create_task(link.run())
            while link.state is not LinkState.UP:
                await asyncio.sleep(0.01)
            with quiet_process():
                for _ in range(PROVOCATIONS):
                    control.ask("fault", device=device, kind="hang", on=True, times=1)
                    stuck = group.create_task(swallowed(link.call(port, lambda p: p.read())))
                    await asyncio.sleep(0.03)
                    began_s = time.monotonic()
                    await link.make_safe(port)
                    arrivals = [m["at_mono_s"] for m in control.ask("log", device=device, last=20)["log"][device]]
                    taken_s.append(min(at for at in arrivals if at >= began_s) - began_s)
                    await stuck
                    while link.state is not LinkState.UP:
                        await asyncio.sleep(0.01)
            running.cancel()

    with a_bench() as (listening, control):
        options = [value for value in device_options(listening, "greenhouse") if value != "--device"]
        settings, _ = load_all("greenhouse", None, None, None, device=options)
        asyncio.run(story(settings, control))
    ordered = sorted(taken_s)
    print(
        f"\n{device}: first byte of make_safe beside a hanging call after {statistics.median(ordered) * 1e3:.2f} ms "
        f"(median), {ordered[-2] * 1e3:.2f} ms (second worst), {ordered[-1] * 1e3:.2f} ms (worst of {len(ordered)})"
    )
    assert statistics.median(ordered) < 0.010
    assert ordered[int(0.95 * len(ordered))] < 0.010


async def swallowed(call) -> None:
    with contextlib.suppress(DriverError):
        await call
