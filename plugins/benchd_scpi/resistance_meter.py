"""A four-wire resistance meter over SCPI, with its contacts. It must never meet a winding that something else feeds."""

import asyncio
import math

from benchd.contract import OutOfRange, Refused, ResistanceReading
from benchd_scpi import message
from benchd_scpi.instrument import Instrument
from benchd_scpi.message import Check, Garbled
from benchd_scpi.session import Session
from benchd_scpi.settings import ScpiResistanceMeterSettings

PAIRS = (12, 23, 13)
NOTHING = 0
LOOK_AGAIN_S = 0.01  # a contactor takes some 20 ms, common practice


class WindingMeter:
    """One meter at the winding; safe is: no current and nothing connected, the power leads as they are."""

    def __init__(self, session: Session, settings: ScpiResistanceMeterSettings) -> None:
        self._session = session
        self._settings = settings
        headers = self._headers = settings.headers
        self._pair_query = f"{headers.connect}?"
        self._current_query = f"{headers.current}?"
        self._contactor_message = message.compose(f"{headers.contactor}?")
        self._nothing_commands = (f"{headers.current} 0", headers.disconnect)
        self._nothing_checks = (self._is_current(0.0), self._is_pair(NOTHING))
        self._read_message = message.compose(
            f"{headers.measured_voltage}?",
            f"{headers.measured_current}?",
            self._pair_query,
            f"{headers.contactor}?",
        )

    async def read(self) -> ResistanceReading:
        """Voltage, current and contacts in one exchange."""
        (voltage_v, current_a, pair, closed), taken_mono_s = await self._session.ask(self._read_message, _look)
        return ResistanceReading(
            voltage_v=voltage_v,
            current_a=current_a,
            pair=pair,
            power_leads_open=not closed,
            taken_mono_s=taken_mono_s,
        )

    async def connect(self, pair: int) -> None:
        """Open the power leads, see them open, then connect this pair (12, 23 or 13) without current.

        Raises `OutOfRange` before sending, `Refused`, with nothing connected, when the power leads stay closed.
        """
        if pair not in PAIRS:
            raise OutOfRange(
                f"The {self._session.device} was to connect the pair {pair}, which is none of 12, 23 and 13: "
                "nothing was sent; see the pairs in the programme."
            )
        await self._session.put((*self._nothing_commands, f"{self._headers.contactor} OFF"), self._nothing_checks)
        await self._see_power_leads(closed=False)
        await self._session.put([f"{self._headers.connect} (@{pair})"], [self._is_pair(pair), self._is_current(0.0)])

    async def set_current(self, current_a: float) -> None:
        """Send this current through the connected pair, read back. Raises `OutOfRange` before sending."""
        bound_a = self._settings.max_current_a
        if not (math.isfinite(current_a) and abs(current_a) <= bound_a):
            raise OutOfRange(
                f"The {self._session.device} was to send {current_a:g} A, which is not within ±{bound_a:g} A: "
                "nothing was sent; see max_current_a in the bench file."
            )
        await self._session.put(
            [f"{self._headers.current} {message.decimal(current_a)}"], [self._is_current(current_a)]
        )

    async def disconnect(self) -> None:
        """No current, nothing connected, power leads closed again; each step read back before the next.

        Raises `Refused` when the power leads stay open.
        """
        await self._session.put(self._nothing_commands, self._nothing_checks)
        # Only now: closing them first would put whatever feeds the winding onto the meter.
        await self._session.put([f"{self._headers.contactor} ON"], [self._is_pair(NOTHING)])
        await self._see_power_leads(closed=True)

    async def make_safe(self) -> None:
        """No current and nothing connected, read back, whatever the connection is doing."""
        await self._session.insist(self._nothing_commands, self._nothing_checks)

    async def _see_power_leads(self, *, closed: bool) -> None:
        """Look at the feedback contact until it shows this, a contactor's time at most. Raises `Refused`."""
        loop = asyncio.get_running_loop()
        until_mono_s = loop.time() + self._settings.contactor_time_s
        while True:
            late = loop.time() >= until_mono_s
            seen, _ = await self._session.ask(self._contactor_message, message.flag)
            if seen is closed:
                return
            if late:
                break
            await asyncio.sleep(LOOK_AGAIN_S)
        stay, wanted = ("open", "close") if closed else ("closed", "open")
        raise Refused(
            f"The power leads stay {stay} although the {self._session.device} was told to {wanted} them, and nothing "
            "is connected to the winding: look at the contactor and its feedback contact."
        )

    def _is_current(self, current_a: float) -> Check:
        within = self._settings.current_resolution_a
        return message.is_number(self._current_query, current_a, within=within, unit="A")

    def _is_pair(self, pair: int) -> Check:
        return Check(query=self._pair_query, wanted=str(pair), holds=lambda text: _pair(text) == pair)


def _pair(text: str) -> int:
    given = text.strip()
    if given not in {str(pair) for pair in (NOTHING, *PAIRS)}:
        raise Garbled(f"expected the connected pair (0, 12, 23 or 13), got {text!r}")
    return int(given)


def _look(text: str) -> tuple[float, float, int, bool]:
    voltage, current, pair, contactor = message.parts_of(text, 4)
    return message.number(voltage), message.number(current), _pair(pair), message.flag(contactor)


def resistance_meter(settings: ScpiResistanceMeterSettings) -> Instrument:
    """A driver with the port "winding"; leaving it takes the current off and disconnects, the power leads stay."""
    session = Session(settings, kind="resistance meter", error_query=f"{settings.headers.error}?")
    winding = WindingMeter(session, settings)
    return Instrument(session, {"winding": winding}, before_leaving=winding.make_safe)
