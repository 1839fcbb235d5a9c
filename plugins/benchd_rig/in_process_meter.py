"""The simulated resistance meter as an in-process port: power leads open, seen open, then a pair, then a current.

Its one job is the order of the steps that the contract promises, each read back; the meter itself refuses what would
put it across a winding that is fed.
"""

import asyncio
import math
from collections.abc import Callable

from benchd.contract import OutOfRange, Refused, ReplyWrong, ResistanceReading
from benchd_rig.in_process_wire import InProcessWire
from benchd_rig.resistance_meter import MAX_CURRENT_A, PAIRS, ResistanceMeter
from benchd_rig.scpi_parameters import ScpiRefusal

_POLL_S = 0.01
_CONTACTOR_S = 0.2
_RESOLUTION_A = 1e-3


class InProcessResistanceMeter:
    """The port "winding"."""

    def __init__(self, wire: InProcessWire, meter: ResistanceMeter) -> None:
        self._wire = wire
        self._meter = meter

    async def read(self) -> ResistanceReading:
        """Voltage, current and contacts."""

        def look() -> ResistanceReading:
            meter = self._meter
            voltage_v, current_a = meter.measured_v, meter.measured_a
            if math.isnan(voltage_v) or math.isnan(current_a):
                raise ReplyWrong("The resistance_meter measures no number: look at the device.")
            return ResistanceReading(
                voltage_v=voltage_v,
                current_a=current_a,
                pair=meter.pair,
                power_leads_open=not meter.power_leads_closed,
                taken_mono_s=self._wire.now(),
            )

        return await self._wire.exchange("reading", look)

    async def connect(self, pair: int) -> None:
        """Open the power leads, see them open, then connect this pair without current."""
        if pair not in PAIRS:
            raise OutOfRange(
                f"The resistance_meter was to connect the pair {pair}, which is none of 12, 23 and 13: "
                "nothing was sent."
            )
        meter = self._meter
        await self._let_go()
        await self._contactor(closed=False)
        await self._wire.write(
            "pair",
            lambda: _allowed(lambda: self._close(pair)),
            lambda: meter.pair == pair and meter.current_a == 0.0,
        )

    async def set_current(self, current_a: float) -> None:
        """Send this current through the connected pair."""
        if not (math.isfinite(current_a) and abs(current_a) <= MAX_CURRENT_A):
            raise OutOfRange(
                f"The resistance_meter was to send {current_a:g} A, outside ±{MAX_CURRENT_A:g} A: nothing was sent."
            )
        meter = self._meter
        await self._wire.write(
            "current",
            lambda: _allowed(lambda: meter.set_current(current_a)),
            lambda: math.isclose(meter.current_a, current_a, abs_tol=_RESOLUTION_A),
        )

    async def disconnect(self) -> None:
        """No current, nothing connected, power leads closed again."""
        await self._let_go()
        await self._contactor(closed=True)

    async def make_safe(self) -> None:
        """No current and nothing connected, whatever the connection is doing; the power leads stay as they are."""
        await self._wire.open()
        await self._let_go()

    def _close(self, pair: int) -> None:
        if pair not in self._meter.pairs:
            raise ScpiRefusal(-224, "the winding has two terminals")
        self._meter.connect(pair)

    async def _let_go(self) -> None:
        meter = self._meter
        await self._wire.write("contacts", meter.open_all, lambda: meter.pair == 0 and meter.current_a == 0.0)

    async def _contactor(self, *, closed: bool) -> None:
        """Tell the contactor and see its feedback contact follow. Raises `Refused` where it does not."""
        meter = self._meter
        await self._wire.exchange(
            "contactor", lambda: _allowed(lambda: meter.switch_contactor(closed=closed)), writes=True
        )
        until_s = self._wire.now() + _CONTACTOR_S
        while await self._wire.exchange("contactor?", lambda: meter.power_leads_closed) is not closed:
            if self._wire.now() >= until_s:
                raise Refused(
                    f"The power leads stay {'open' if closed else 'closed'} although the resistance_meter was told "
                    f"to {'close' if closed else 'open'} them, and nothing is connected to the winding: look at the "
                    "contactor."
                )
            await asyncio.sleep(_POLL_S)


def _allowed(act: Callable[[], None]) -> None:
    try:
        act()
    except ScpiRefusal as refusal:
        raise Refused(f"The resistance_meter refuses: {refusal}; look at the device.") from refusal
