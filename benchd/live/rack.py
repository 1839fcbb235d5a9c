"""The devices of one bench as the acts see them: links, latest readings, set-points. It takes no decision."""

import asyncio
import math
from collections.abc import Awaitable, Callable, Mapping
from typing import Any, TypeVar

from benchd.contract import DriveReading, DriverError, DriveState, Reading, Refused, SinkReading, SupplyReading
from benchd.live.intake import Intake
from benchd.live.link import Link
from benchd.live.link_state import sentence_of
from benchd.live.plan import BenchPlan, PortRef
from benchd.live.setpoints import SetPoints
from benchd.rules.channels import Quality
from benchd.rules.coasting import ShaftTrain

R = TypeVar("R", bound=Reading)
LOOK_AGAIN_S = 0.005
SINK_AGE_LIMIT_S = 0.5
SPEEDS = frozenset({"shaft_speed", "drive_speed", "motor_drive_speed"})  # all that tell how an end of the shaft turns
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
        self.measuring = False  # only the resistance meter is in service; what turns the shaft is proved off
        self.waits_for = ""  # what a start is waiting for somebody to do, in a sentence
        self.beat_wanted = True  # False lets the safety chain open by itself
        self.chain_objected_s = -math.inf  # when the safety chain, or its selector, last let no energy flow
        self.unsafe: set[PortRef] = set()  # told to be safe and not confirmed since
        self.shaft: ShaftTrain | None = None  # of the run, for predicting how long it coasts
        self.trouble: dict[str, str] = {}  # what a device was told last and has not obeyed yet, or did not

    async def call(
        self, ref: PortRef, action: Callable[[Any], Awaitable[Any]], *, deadline_s: float | None = None
    ) -> Any:
        """One driver call through the device's lane. Raises the five error kinds and nothing else.

        `deadline_s` is for a call that takes longer than the device's promised reply time.

        What a driver raises outside its contract becomes `Refused`: no defect of one driver may keep another device
        from being told to stop.
        """
        try:
            return await self.links[ref.device].call(ref.port, action, deadline_s=deadline_s)
        except DriverError:
            raise
        except Exception as error:
            raise Refused(sentence_of(ref.device, error)) from error

    async def tell(self, ref: PortRef, what: str, action: Callable[[Any], Awaitable[Any]]) -> None:
        """As `call`, for an order; while it is not obeyed, `trouble` says so in words beginning with "it"."""
        self.trouble[ref.device] = f"it did not confirm when told to {what}"
        try:
            await self.call(ref, action)
        except DriverError as error:
            self.trouble[ref.device] = f"it did not confirm when told to {what}: {error}"
            raise
        except BaseException:
            self.trouble.pop(ref.device, None)  # nobody waits for it any more
            raise
        self.trouble.pop(ref.device, None)

    async def safe(self, ref: PortRef) -> str | None:
        """Bring a port to its safe state at once; a sentence when it did not confirm within its promised time.

        Raises nothing but a cancellation: the other devices' turn comes whatever this one's driver does.
        """
        self.in_service.discard(ref)
        self.unsafe.add(ref)
        self.trouble[ref.device] = f"{ref} did not confirm that it is safe"
        safe_time_s = self.plan.devices[ref.device].safe_time_s
        try:
            async with asyncio.timeout(safe_time_s + LANE_S):
                await self.links[ref.device].make_safe(ref.port)
        except TimeoutError:
            return f"{ref} did not confirm that it is safe within {safe_time_s:g} s."
        except Exception as error:  # noqa: BLE001 - see the docstring
            return f"{ref} did not confirm that it is safe: {sentence_of(ref.device, error)}"
        self.unsafe.discard(ref)
        self.trouble.pop(ref.device, None)
        self.on_event("made_safe", port=str(ref))
        return None

    def latest(self, ref: PortRef, kind: type[R]) -> R | None:
        """The latest reading of a port, or None when nothing of that kind arrived yet."""
        reading = self.intake.readings.get(ref)
        return reading if isinstance(reading, kind) else None

    def shows_on(self, ref: PortRef) -> bool:
        """Whether the latest reading of a supply or drive shows that it is on."""
        reading = self.intake.readings.get(ref)
        if isinstance(reading, DriveReading):
            return reading.state is DriveState.OPERATION_ENABLED
        return isinstance(reading, SupplyReading) and reading.output_on

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
        return self.believed_at(*names, doubted=doubted)[0]

    def believed_at(self, *names: str, doubted: frozenset[str] = frozenset()) -> tuple[float, float]:
        """As `believed`, with the moment at which it was taken; both NaN when there is none."""
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
                    return sample.value, sample.taken_mono_s
        return math.nan, math.nan

    def speeds_rpm(self, *, doubted: frozenset[str] = frozenset()) -> Mapping[str, float]:
        """The greatest magnitude of speed that each believed device shows just now, by its name."""
        now_s = asyncio.get_running_loop().time()
        found: dict[str, float] = {}
        for channel in self.plan.channels:
            sample = self.intake.samples[channel.name]
            if (
                channel.name in SPEEDS
                and channel.device not in doubted
                and sample.quality in {Quality.GOOD, Quality.OVER_RANGE}
                and now_s - sample.taken_mono_s <= channel.age_limit_s
            ):
                found[channel.device] = max(abs(sample.value), found.get(channel.device, 0.0))
        return found

    def shaft_speed_rpm(self, *, doubted: frozenset[str] = frozenset()) -> float:
        """The greatest magnitude that the believed sources of speed show, NaN when none can be believed."""
        return max(self.speeds_rpm(doubted=doubted).values(), default=math.nan)

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
