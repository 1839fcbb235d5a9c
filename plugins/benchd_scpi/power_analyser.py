"""A power analyser's integrated results over SCPI. It must never change a range, a filter or its wiring."""

import math

from benchd.contract import PowerReading, Refused
from benchd_scpi import message
from benchd_scpi.instrument import Instrument
from benchd_scpi.message import Garbled
from benchd_scpi.session import Session
from benchd_scpi.settings import ScpiPowerAnalyserSettings

WINDOW_RESOLUTION = 1e-3  # relative; an analyser that rounds to whole periods does not hold what it was told


class AnalyserResult:
    """The latest integrated results, by name, in their own units."""

    def __init__(self, session: Session, settings: ScpiPowerAnalyserSettings) -> None:
        self._session = session
        self._settings = settings
        headers = settings.headers
        self._names = [each.name for each in settings.results]
        numbers = ",".join(str(each.number) for each in settings.results)
        self._window_query = f"{headers.window}?"
        self._bandwidth_query = f"{headers.bandwidth}?"
        self._read_message = message.compose(
            f"{headers.fetch}? (@{numbers})", self._bandwidth_query, self._window_query
        )

    async def check_bandwidth(self) -> None:
        """Raises `Refused` where the analyser's bandwidth is below what the bench needs."""
        query = message.compose(self._bandwidth_query)
        bandwidth_hz, _ = await self._session.ask(query, message.number)
        self._wide_enough(bandwidth_hz)

    async def read(self) -> PowerReading:
        """The latest result in one exchange, with the bandwidth and the window it was made with.

        Where the window is not that of the settings (first reading, power cut) it is set, and the result after it comes
        with further exchanges. Plus or minus infinity where the analyser reports an overload, NaN where it has no
        number. Raises `Refused` where a filter has taken the bandwidth away, `ReplyWrong` for anything else.
        """
        (values, bandwidth_hz, window_s), taken_mono_s = await self._session.ask(self._read_message, self._result)
        if not self._is_window(window_s):
            await self._set_window()
            (values, bandwidth_hz, window_s), taken_mono_s = await self._session.ask(self._read_message, self._result)
        self._wide_enough(bandwidth_hz)
        overloaded = frozenset(name for name, value in values.items() if math.isinf(value))
        return PowerReading(values=values, overloaded=overloaded, window_s=window_s, taken_mono_s=taken_mono_s)

    async def _set_window(self) -> None:
        window_s = self._settings.window_s
        check = message.is_number(self._window_query, window_s, within=WINDOW_RESOLUTION * window_s, unit="s")
        await self._session.put([f"{self._settings.headers.window} {message.decimal(window_s)}"], [check])

    def _is_window(self, window_s: float) -> bool:
        return math.isclose(window_s, self._settings.window_s, rel_tol=WINDOW_RESOLUTION)

    def _wide_enough(self, bandwidth_hz: float) -> None:
        needed_hz = self._settings.minimum_bandwidth_hz
        if bandwidth_hz < needed_hz:
            raise Refused(
                f"The {self._session.device} measures up to {bandwidth_hz:g} Hz and the bench needs {needed_hz:g} Hz "
                "for the power of a modulated voltage: switch its filter off, or correct minimum_bandwidth_hz."
            )

    def _result(self, text: str) -> tuple[dict[str, float], float, float]:
        listed, bandwidth, window = message.parts_of(text, 3)
        parts = listed.split(",")
        if len(parts) != len(self._names):
            raise Garbled(f"expected {len(self._names)} results, got {len(parts)}")
        values = dict(zip(self._names, map(message.number_or_special, parts), strict=True))
        return values, message.number(bandwidth), message.number(window)


def power_analyser(settings: ScpiPowerAnalyserSettings) -> Instrument:
    """A driver with the port "result"; entering it is refused where the bandwidth is too low."""
    session = Session(settings, kind="power analyser", error_query=f"{settings.headers.error}?")
    result = AnalyserResult(session, settings)
    return Instrument(session, {"result": result}, before_use=result.check_bandwidth)
