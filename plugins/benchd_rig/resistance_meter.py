"""The four-wire resistance meter: its contacts at the winding, its current source, and the power leads' contactor.

Its one job is the order of its contacts: it never connects itself to a winding whose power leads are closed, and never
closes them while it is connected. What its current does in the winding is the plant's.
"""

import math
from typing import Protocol

from benchd_rig.commands import MeterCommand, PlantFaults
from benchd_rig.scpi_instrument import Parameters, ScpiInstrument
from benchd_rig.scpi_parameters import ScpiRefusal, channel_list, fixed, measured, number, switch
from benchd_rig.wire_faults import WireFaults

MODEL = "QR2"
MAX_CURRENT_A = 2.0
PAIRS = (12, 23, 13)
TWO_TERMINALS = (12,)
CONTACTOR_TIME_S = 0.02  # from its coil to its feedback contact, common practice
_DECIMALS = 4


class Winding(Protocol):
    """What the meter reaches of the plant."""

    meter: MeterCommand
    faults: PlantFaults

    @property
    def meter_voltage_v(self) -> float:
        """Four-wire voltage at the connected pair."""

    @property
    def meter_current_a(self) -> float:
        """Current through the connected pair."""


class ResistanceMeter:
    """One winding, ±2 A in steps of 0.1 mA. `pairs` are the pairs of terminals that the winding has."""

    def __init__(self, *, winding: Winding, faults: WireFaults, pairs: tuple[int, ...]) -> None:
        self._winding = winding
        self._faults = faults
        self._coil = winding.meter.contactor_closed  # what the contactor was told last
        self._moves_at_s: float | None = None
        self._now_s = 0.0
        self.pairs = pairs

    @property
    def power_leads_closed(self) -> bool:
        """What the contactor's feedback contact shows."""
        return self._winding.meter.contactor_closed or self._winding.faults.contactor_welded

    @property
    def pair(self) -> int:
        """The connected pair, 0 where nothing is."""
        return self._winding.meter.pair

    @property
    def current_a(self) -> float:
        """The current's set-point."""
        return self._winding.meter.current_a

    @property
    def measured_v(self) -> float:
        """Four-wire voltage."""
        return math.nan if self._faults.is_on("nan") else self._winding.meter_voltage_v

    @property
    def measured_a(self) -> float:
        """Current through the winding."""
        return math.nan if self._faults.is_on("nan") else self._winding.meter_current_a

    def reset(self) -> None:
        """The state after `*RST`: no current, nothing connected; the power leads stay as they are."""
        self.open_all()

    def switch_contactor(self, *, closed: bool) -> None:
        """Tell the power leads' contactor. Raises `ScpiRefusal` -221 to close it while a pair is connected."""
        if closed and self.pair:
            raise ScpiRefusal(-221, "a pair is connected")
        if closed is not self._coil:
            self._coil = closed
            self._moves_at_s = self._now_s + CONTACTOR_TIME_S

    def connect(self, pair: int) -> None:
        """Connect a pair, without current. Raises `ScpiRefusal` -221 with the power leads closed or about to be."""
        if self.power_leads_closed or self._coil:
            raise ScpiRefusal(-221, "the power leads are closed")
        self._winding.meter.current_a = 0.0
        self._winding.meter.pair = pair

    def open_all(self) -> None:
        """No current, nothing connected."""
        self._winding.meter.current_a = 0.0
        self._winding.meter.pair = 0

    def set_current(self, current_a: float) -> None:
        """Take a current within ±2 A. Raises `ScpiRefusal` -221 with nothing connected."""
        if current_a and not self.pair:
            raise ScpiRefusal(-221, "nothing is connected")
        self._winding.meter.current_a = round(current_a, _DECIMALS)

    def step(self, time_s: float) -> None:
        """The contactor moves a while after its coil was told."""
        self._now_s = time_s
        if self._moves_at_s is not None and time_s >= self._moves_at_s - 1e-9:
            self._moves_at_s = None
            self._winding.meter.contactor_closed = self._coil


def meter_instrument(
    meter: ResistanceMeter, *, faults: WireFaults, identity: str, other_identity: str
) -> ScpiInstrument:
    """The resistance meter's SCPI command tree."""
    instrument = ScpiInstrument(
        identity=lambda: other_identity if faults.is_on("wrong_identity") else identity, reset=meter.reset
    )

    def close(parameters: Parameters) -> None:
        named = channel_list(parameters[0], first=min(PAIRS), last=max(PAIRS))
        if len(named) != 1 or named[0] not in meter.pairs:
            raise ScpiRefusal(-224)
        meter.connect(named[0])

    def amperes(parameters: Parameters) -> None:
        bound = MAX_CURRENT_A
        meter.set_current(number(parameters[0], unit="A", low=-bound, high=bound, default=0.0))

    one = (1, 1)
    instrument.on("CONTactor", lambda p: meter.switch_contactor(closed=switch(p[0])), parameters=one)
    instrument.on("CONTactor?", lambda _: str(int(meter.power_leads_closed)))
    instrument.on("ROUTe:CLOSe", close, parameters=one)
    instrument.on("ROUTe:CLOSe?", lambda _: str(meter.pair))
    instrument.on("ROUTe:OPEN:ALL", lambda _: meter.open_all())
    instrument.on("[SOURce:]CURRent[:LEVel]", amperes, parameters=one)
    instrument.on("[SOURce:]CURRent[:LEVel]?", lambda _: fixed(meter.current_a, decimals=_DECIMALS))
    instrument.on("MEASure[:SCALar]:VOLTage[:DC]?", lambda _: measured(meter.measured_v))
    instrument.on("MEASure[:SCALar]:CURRent[:DC]?", lambda _: measured(meter.measured_a))
    return instrument
