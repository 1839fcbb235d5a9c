"""A group of thermometers behind a Modbus module, one input register each.

Its one job is temperatures in tenths of a degree, -32768 for an open sensor. It switches nothing.
"""

from collections.abc import Callable, Mapping, Sequence

from benchd_rig.modbus_codec import ILLEGAL_DATA_ADDRESS, ModbusRefusal, NothingMapped, word_of
from benchd_rig.wire_faults import WireFaults

OPEN_SENSOR = -32768
_OUT_OF_RANGE_DEGC = 3000.0


class Thermometers(NothingMapped):
    """Thermometers by name, in register order; each source tells °C or NaN for an open sensor."""

    def __init__(self, *, sources: Mapping[str, Callable[[], float]], faults: WireFaults) -> None:
        self._sources = dict(sources)
        self._faults = faults
        self._put: dict[str, float] = {}

    def put(self, name: str, degc: float | None) -> None:
        """Hold one thermometer at a temperature (NaN: open) for a test; None gives it back to the simulation.

        Raises `KeyError` for a thermometer that is not there.
        """
        if name not in self._sources:
            raise KeyError(name)
        if degc is None:
            self._put.pop(name, None)
        else:
            self._put[name] = degc

    @property
    def names(self) -> tuple[str, ...]:
        """The thermometers in register order."""
        return tuple(self._sources)

    def temperatures_degc(self) -> Mapping[str, float | None]:
        """Each temperature in steps of 0.1 °C, None for an open sensor."""
        return {name: self._one(name) for name in self._sources}

    def read_input_registers(self, address: int, count: int) -> Sequence[int]:
        """Tenths of a degree, signed."""
        if address + count > len(self._sources):
            raise ModbusRefusal(ILLEGAL_DATA_ADDRESS)
        values = [self._one(name) for name in list(self._sources)[address : address + count]]
        return [word_of(OPEN_SENSOR if value is None else round(value * 10)) for value in values]

    def _one(self, name: str) -> float | None:
        if self._faults.is_on("nan"):
            return None
        degc = self._put.get(name)
        if degc is None:
            degc = self._sources[name]()
        if not abs(degc) < _OUT_OF_RANGE_DEGC:  # also true for NaN
            return None
        return round(degc, 1)
