"""A measuring unit over SCPI: averaged inputs and a sample stream. It must never change a range, filter or trigger."""

import math

from benchd.contract import MeasuringReading, Port
from benchd_scpi import message
from benchd_scpi.instrument import Instrument
from benchd_scpi.message import Garbled
from benchd_scpi.session import Session
from benchd_scpi.settings import ScpiMeasuringUnitSettings
from benchd_scpi.waveforms import SampleStream


class MeasuringInputs:
    """The latest averaged values of the inputs, by name, in their own units."""

    def __init__(self, session: Session, settings: ScpiMeasuringUnitSettings) -> None:
        self._session = session
        self._names = [each.name for each in settings.inputs]
        channels = ",".join(str(each.channel) for each in settings.inputs)
        self._read_message = message.compose(f"{settings.headers.fetch}? (@{channels})")

    async def read(self) -> MeasuringReading:
        """Every input's latest value in one exchange.

        Plus or minus infinity where the unit reports an overload, NaN where it has no number for this input. Raises
        `ReplyWrong` where it answers with anything else.
        """
        values, taken_mono_s = await self._session.ask(self._read_message, self._values)
        overloaded = frozenset(name for name, value in values.items() if math.isinf(value))
        return MeasuringReading(values=values, overloaded=overloaded, taken_mono_s=taken_mono_s)

    def _values(self, text: str) -> dict[str, float]:
        parts = text.split(",")
        if len(parts) != len(self._names):
            raise Garbled(f"expected {len(self._names)} values, got {len(parts)}")
        return dict(zip(self._names, map(message.number_or_special, parts), strict=True))


def measuring_unit(settings: ScpiMeasuringUnitSettings) -> Instrument:
    """A driver with the port "inputs" and, where the settings name waveforms, the port "waveforms"."""
    session = Session(settings, kind="measuring unit", error_query=f"{settings.headers.error}?")
    ports: dict[str, Port] = {"inputs": MeasuringInputs(session, settings)}
    if settings.waveforms is not None:
        ports["waveforms"] = SampleStream(session, settings.waveforms, settings.headers.waveforms)
    return Instrument(session, ports)
