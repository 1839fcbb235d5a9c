"""The devices of one bench as the acts see them: links, latest readings, set-points. It takes no decision."""

import asyncio
import math
from collections.abc import Awaitable, Callable, Mapping
from typing import Any, TypeVar

from benchd.contract import DriverError, Reading, Refused, SinkReading
from benchd.live.intake import Intake
from benchd.live.link import Link
from benchd.live.link_state import sentence_of
from benchd.live.plan import BenchPlan, PortRef
from benchd.live.setpoints import SetPoints
from benchd.rules.channels import Quality

R = TypeVar("R", bound=Reading)
LOOK_AGAIN_S = 0.005
SINK_AGE_LIMIT_S = 0.5
LANE_S = 0.05  # what a lane may need on top to cut off a call that is stuck


class Rack:
    """Everything an act needs to speak to the devices and to see what they say."""

    def __init__(
        self,
        plan: BenchPlan,
        links: Mapping[str, Link],
        intake: Intake,
        setpoints: SetPoints,
        *,
        on_event: Callable[..., None],
    ) -> None:
        self.plan = plan
        self.links = links
        self.intake = intake
        self.setpoints = setpoints
        self.on_event = on_event
        self.energised = False  # from just before the first device is enabled until the bench has come to rest
        self.in_service: set[PortRef] = set()  # ports that shall be on just now: output, power stage, sink
        self.beat_wanted = True  # False lets the safety chain open by itself

    async def call(self, ref: PortRef, action: Callable[[Any], Awaitable[Any]]) -> Any:
        """One driver call through the device's lane. Raises the five error kinds and nothing else.

        What a driver raises outside its contract becomes `Refused`: no defect of one driver may keep another device
        from being told to stop.
        """
        try:
            return await self.links[ref.device].call(ref.port, action)
        except DriverError:
            raise
        except Exception as error:
            raise Refused(sentence_of(ref.device, error)) from error

    async def safe(self, ref: PortRef) -> str | None:
        """Bring a port to its safe state at once; a sentence when it did not confirm within its promised time.

        Raises nothing but a cancellation: the other devices' turn comes whatever this one's driver does.
        """
        self.in_service.discard(ref)
        safe_time_s = self.plan.devices[ref.device].safe_time_s
        try:
            async with asyncio.timeout(safe_time_s + LANE_S):
                await self.links[ref.device].make_safe(ref.port)
        except TimeoutError:
            return f"{ref} did not confirm that it is safe within {safe_time_s:g} s."
        except Exception as error:  # noqa: BLE001 - see the docstring
            return f"{ref} did not confirm that it is safe: {sentence_of(ref.device, error)}"
        self.on_event("made_safe", port=str(ref))
        return None

    def latest(self, ref: PortRef, kind: type[R]) -> R | None:
        """The latest reading of a port, or None when nothing of that kind arrived yet."""
        reading = self.intake.readings.get(ref)
        return reading if isinstance(reading, kind) else None

    async def fresh(self, ref: PortRef, kind: type[R], *, within_s: float) -> R | None:
        """A reading taken after now, or None when none arrives in time."""
        loop = asyncio.get_running_loop()
        began_s = loop.time()
        while loop.time() - began_s < within_s:
            reading = self.latest(ref, kind)
            if reading is not None and reading.taken_mono_s > began_s:
                return reading
            await asyncio.sleep(LOOK_AGAIN_S)
        return None

    def believed(self, *names: str, doubted: frozenset[str] = frozenset()) -> float:
        """The first of these channels that is good, not too old and not of a doubted device; NaN when none is."""
        now_s = asyncio.get_running_loop().time()
        for name in names:
            for channel in self.plan.channels:
                sample = self.intake.samples[channel.name]
                if (
                    channel.name == name
                    and channel.device not in doubted
                    and sample.quality is Quality.GOOD
                    and now_s - sample.taken_mono_s <= channel.age_limit_s
                ):
                    return sample.value
        return math.nan

    def shaft_speed_rpm(self, *, doubted: frozenset[str] = frozenset()) -> float:
        """The greatest magnitude that the believed sources of speed show, NaN when none can be believed."""
        now_s = asyncio.get_running_loop().time()
        found = [
            abs(sample.value)
            for channel in self.plan.channels
            if channel.name in {"shaft_speed", "drive_speed"} and channel.device not in doubted
            for sample in [self.intake.samples[channel.name]]
            if sample.quality in {Quality.GOOD, Quality.OVER_RANGE}
            and now_s - sample.taken_mono_s <= channel.age_limit_s
        ]
        return max(found, default=math.nan)

    def link_voltage_v(self) -> float:
        """The greatest voltage that the link's own channel and the sink across it show; infinite when neither does.

        The supply says nothing of the link: a diode stands between them.
        """
        now_s = asyncio.get_running_loop().time()
        found = [
            abs(sample.value)
            for channel in self.plan.channels
            if channel.name == "link_voltage"
            for sample in [self.intake.samples[channel.name]]
            if sample.quality in {Quality.GOOD, Quality.OVER_RANGE}
            and now_s - sample.taken_mono_s <= channel.age_limit_s
        ]
        sink = self.latest(self.plan.sink, SinkReading)
        if sink is not None and now_s - sink.taken_mono_s <= SINK_AGE_LIMIT_S:
            found.append(abs(sink.voltage_v))
        return max(found, default=math.inf)
