"""Waits while the shaft is braked. It gives no order and says how braking ended, never that anything is at rest."""

import asyncio
import math
from collections.abc import Callable

from benchd.live.rack import LOOK_AGAIN_S, Rack


async def slowing(rack: Rack, believed: Callable[[], bool]) -> str | None:
    """Wait while the shaft is braked; every end of it but standstill has a sentence, in the stop or as an event."""
    stopping = rack.plan.stopping
    loop = asyncio.get_running_loop()
    began_s = loop.time()
    while (speed_rpm := rack.shaft_speed_rpm()) > stopping.standstill_rpm and believed():
        if loop.time() > began_s + stopping.controlled_stop_time_s:
            break
        await asyncio.sleep(LOOK_AGAIN_S)
    braked_s = loop.time() - began_s
    if speed_rpm <= stopping.standstill_rpm:
        rack.on_event("braked", took_s=braked_s)
        return None
    if math.isnan(speed_rpm):
        return f"Braking ended after {braked_s:.2g} s because no believable speed was read any more."
    if believed():
        return f"The shaft still turned at {speed_rpm:.0f} r/min after {braked_s:.2g} s of braking."
    sentence = f"Braking ended after {braked_s:.2g} s at {speed_rpm:.0f} r/min: a device that it needs is doubted now."
    rack.on_event("braking_ended", sentence=sentence)
    return None  # the cause has grown and says which; the shaft coasts
