"""Waits until the bench has come to rest: measured standstill, link discharged, sink disarmed, everything still off.

It must never call a shaft stopped that nobody measured, and never switch anything on.
"""

import asyncio
import math
from collections.abc import Callable

from benchd.contract import DriveReading, DriverError, DriveState, ResistanceReading, SupplyReading
from benchd.live.rack import LOOK_AGAIN_S, SPEEDS, Rack
from benchd.rules.coasting import coasting_time_s

STEADY_S = 0.2  # the shaft must have been still for this long
STEADY_IF_DOUBTED_S = 1.0  # and for this long where devices say so that were part of the cause, or an end is untold
STILL_OFF_WITHIN_S = 0.5  # a device that answers at all is polled more often than this
NOTHING_DOUBTED: frozenset[str] = frozenset()


class _Coasting:
    """How long the shaft coasts, predicted when everything has let go of it, and measured when it stands."""

    def __init__(self, rack: Rack, doubted: frozenset[str]) -> None:
        self._rack = rack
        self._began_s = self._still_s = asyncio.get_running_loop().time()
        speed_rpm = rack.shaft_speed_rpm(doubted=doubted)
        self._from_rpm = rack.shaft_speed_rpm() if math.isnan(speed_rpm) else speed_rpm
        self._coasts = self._from_rpm > rack.plan.stopping.standstill_rpm
        self._predicted_s: float | None = None
        if not self._coasts:
            return
        if rack.shaft is not None:
            predicted_s = coasting_time_s(rack.shaft, from_rpm=self._from_rpm, to_rpm=rack.plan.stopping.standstill_rpm)
            if predicted_s is not None and math.isfinite(predicted_s):  # a shaft that nothing slows: not stated either
                self._predicted_s = predicted_s
        rack.on_event(
            "coasting_down", from_rpm=self._from_rpm, predicted_s=self._predicted_s, sentence=self._sentence()
        )

    def _sentence(self) -> str:
        known = self._predicted_s is not None
        how_long = f"{self._predicted_s:.1f} s predicted" if known else "how long is not predicted: friction not stated"
        return f"The shaft coasts from {self._from_rpm:.0f} r/min, {how_long}."

    def stands(self, since_s: float) -> None:
        """It has been still since then."""
        self._still_s = since_s

    def tell(self) -> None:
        """Standstill is told: how long the shaft took, where it coasted at all."""
        if self._coasts:
            took_s = self._still_s - self._began_s
            self._rack.on_event("coasted", from_rpm=self._from_rpm, took_s=took_s, predicted_s=self._predicted_s)


class Rester:
    """The last part of every stop. Each method gives a sentence for what is not as it should be, or None."""

    def __init__(self, rack: Rack) -> None:
        self._rack = rack
        self._plan = plan = rack.plan
        # Each drive tells the speed of its own machine; a specimen without a drive has the encoder alone.
        ends = {drive.device for drive in plan.drives}
        if plan.motor_drive is None:
            ends |= {channel.device for channel in plan.channels if channel.name == "shaft_speed"}
        self._tell_the_ends = frozenset(
            channel.device for channel in plan.channels if channel.name in SPEEDS and channel.device in ends
        )

    async def come_to_rest(self, doubted: Callable[[], frozenset[str]] = lambda: NOTHING_DOUBTED) -> str | None:
        """Wait for measured standstill, or for the coasting time where no speed is believed; then the sink's turn.

        `doubted` names the devices whose word is not enough, with those that joined them meanwhile. A coupling may be
        broken: each machine's end counts by what tells it (`_tell_the_ends`), a doubted device for want of a better
        one. Where doubted devices tell an end, or nothing does, the shaft must rest for longer and is not called
        measured; an end that nothing tells is also told as unconfirmed.
        """
        stopping = self._plan.stopping
        loop = asyncio.get_running_loop()
        coasting = _Coasting(self._rack, doubted())
        until_s = loop.time() + stopping.coasting_time_s
        still_since_s = math.inf
        told_by_doubted = seen = False
        while loop.time() < until_s:
            believed_rpm, all_rpm = self._rack.speeds_rpm(doubted=doubted()), self._rack.speeds_rpm()
            only_doubted = not believed_rpm
            speeds_rpm = {
                device: rpm
                for device, rpm in all_rpm.items()
                if only_doubted or device in believed_rpm or device in self._tell_the_ends
            }
            untold = sorted(self._tell_the_ends - speeds_rpm.keys())
            measured = not untold and speeds_rpm.keys() == believed_rpm.keys()
            seen = seen or bool(speeds_rpm)
            if told_by_doubted and not only_doubted:
                still_since_s = math.inf  # what doubted devices told before does not count for those that are believed
            told_by_doubted = only_doubted
            if speeds_rpm and max(speeds_rpm.values()) <= stopping.standstill_rpm:
                still_since_s = min(still_since_s, loop.time())
                coasting.stands(still_since_s)
                if loop.time() - still_since_s >= (STEADY_S if measured else STEADY_IF_DOUBTED_S):
                    self._rack.on_event(
                        "standstill",
                        measured=measured,
                        told_by=sorted(speeds_rpm),
                        untold=untold,
                        only_doubted=only_doubted,
                    )
                    coasting.tell()
                    return self._unconfirmed(untold, await self._discharge(until_s))
            else:
                still_since_s = math.inf
            await asyncio.sleep(LOOK_AGAIN_S)
        if seen:
            return (
                f"The shaft did not come to rest within the coasting time of {stopping.coasting_time_s:g} s: "
                "keep the guard closed."
            )
        return (
            f"No believable speed was read for the coasting time of {stopping.coasting_time_s:g} s: "
            "make sure that the shaft is at rest before opening the guard."
        )

    def _unconfirmed(self, untold: list[str], after: str | None) -> str | None:
        if not untold:
            return after
        sentence = (
            f"No speed is read from {' and '.join(untold)}: that end of the shaft may turn where the coupling broke; "
            "make sure that it is at rest before opening the guard."
        )
        return sentence if after is None else f"{sentence} {after}"

    async def _discharge(self, until_s: float) -> str | None:
        """Disarm the sink once the link is below the touch limit; it stays armed otherwise."""
        loop = asyncio.get_running_loop()
        until_s = max(until_s, loop.time() + 1.0)
        charged = not self._discharged()
        while not self._discharged():
            if loop.time() > until_s:
                link_v = self._rack.link_voltage_v()
                shows = "is not measured" if math.isinf(link_v) else f"still shows {link_v:g} V"
                return f"The DC link {shows}: wait and measure before touching anything; the sink stays armed."
            await asyncio.sleep(LOOK_AGAIN_S)
        self._rack.on_event("discharged", link_v=self._rack.link_voltage_v(), waited_for=charged)
        return await self._disarm()

    def _discharged(self) -> bool:
        return self._rack.link_voltage_v() < self._plan.stopping.discharged_v

    async def disarm_at_rest(self) -> str | None:
        """Disarm the sink now, or leave it armed and say so: nothing was energised, but the shaft may turn by hand."""
        if self._rack.shaft_speed_rpm() <= self._plan.stopping.standstill_rpm and self._discharged():
            return await self._disarm()
        return f"{self._plan.sink} was left as it is: neither standstill nor a discharged link is measured."

    async def _disarm(self) -> str | None:
        self._rack.in_service.discard(self._plan.sink)
        try:
            await self._rack.call(self._plan.sink, lambda sink: sink.disarm())
        except DriverError as error:
            return f"{self._plan.sink} did not confirm that it is disarmed: {error}"
        self._rack.on_event("disarmed", port=str(self._plan.sink))
        return None

    async def still_off(self) -> str | None:
        """Look once more at what was made safe: a late command on a wire may have switched it on again.

        A device that answers no more had confirmed before; what did not confirm was told then.
        """
        rack, plan = self._rack, self._plan
        supply, *drives = await asyncio.gather(
            rack.fresh(plan.supply, SupplyReading, within_s=STILL_OFF_WITHIN_S),
            *(rack.fresh(ref, DriveReading, within_s=STILL_OFF_WITHIN_S) for ref in plan.drives),
        )
        if isinstance(supply, SupplyReading) and supply.output_on:
            return f"{plan.supply} shows its output on after it had confirmed off: switch it off at its panel."
        for ref, drive in zip(plan.drives, drives, strict=True):
            if isinstance(drive, DriveReading) and drive.state is DriveState.OPERATION_ENABLED:
                return f"{ref} shows Operation enabled after it had confirmed off: switch it off at its panel."
        if plan.resistance_meter is not None:
            meter = await rack.fresh(plan.resistance_meter, ResistanceReading, within_s=STILL_OFF_WITHIN_S)
            if meter is not None and meter.pair != 0:
                return (
                    f"{plan.resistance_meter} shows terminals {meter.pair} connected after it had confirmed that none "
                    "are: switch its current off at its panel."
                )
        return None
