"""What a bench file says about an instrument. It holds values and refuses wrong ones; it must never import pyvisa."""

from collections.abc import Sequence
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

from benchd.contract import unit_of_signal

LONGEST_REPLY_TIME_S = 0.4
DEFAULT_WATCHDOG_S = 1.0
LONGEST_WATCHDOG_S = 10.0
CALL_TIME_S = 3 * LONGEST_REPLY_TIME_S  # the exchange itself and, where it fails, the error queue
SAFE_TIME_S = 1.0
LONGEST_CONTACTOR_TIME_S = 0.5

Host = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9]([A-Za-z0-9.\-]*[A-Za-z0-9])?$", max_length=253)]
Header = Annotated[str, StringConstraints(pattern=r"^[*:]?[A-Za-z][A-Za-z0-9_]*(:[A-Za-z][A-Za-z0-9_]*)*$")]
Identity = Annotated[str, StringConstraints(pattern=r"^[^,;\s][^,;]*,[^,;]*[^,;\s][^,;]*(,[^,;]+){0,2}$")]
Positive = Annotated[float, Field(gt=0.0)]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class InstrumentSettings(_Model):
    """Where an instrument is and which one it must be."""

    host: Host
    port: int = Field(ge=1, le=65535)
    identity: Identity = Field(
        description="the beginning of its answer to *IDN?: manufacturer,model or manufacturer,model,serial number"
    )
    reply_time_s: float = Field(default=0.2, gt=0.0, le=LONGEST_REPLY_TIME_S)


class SupplyHeaders(_Model):
    """The SCPI headers of a supply; a make that words one differently needs this table only."""

    output: Header = "OUTP"
    voltage: Header = "VOLT"
    current: Header = "CURR"
    measured_voltage: Header = "MEAS:VOLT"
    measured_current: Header = "MEAS:CURR"
    over_voltage_protection: Header = "VOLT:PROT"
    tripped: Header = "VOLT:PROT:TRIP"
    clear_protection: Header = "OUTP:PROT:CLE"
    communication_watchdog: Header | None = Field(default=None, description="its period in s; only where it has one")
    error: Header = "SYST:ERR"


class ScpiSupplySettings(InstrumentSettings):
    """A DC supply with one output."""

    max_voltage_v: Positive
    max_current_a: Positive
    max_over_voltage_protection_v: Positive | None = Field(
        default=None, description="without it 1.1 times max_voltage_v, as is common practice"
    )
    voltage_resolution_v: Positive = 0.01
    current_resolution_a: Positive = 0.01
    communication_watchdog_s: float | None = Field(
        default=None,
        gt=0.0,
        le=LONGEST_WATCHDOG_S,
        description=f"armed before the output is switched on; {DEFAULT_WATCHDOG_S:g} where only its header is given",
    )
    headers: SupplyHeaders = SupplyHeaders()

    @model_validator(mode="after")
    def _a_watchdog_has_a_header(self) -> Self:
        if self.communication_watchdog_s is not None and self.headers.communication_watchdog is None:
            raise ValueError(
                "communication_watchdog_s is given without headers.communication_watchdog: name the header of this "
                "make, or leave the time out"
            )
        return self

    @property
    def watchdog_s(self) -> float:
        """The period that the watchdog is armed with, where there is one."""
        return DEFAULT_WATCHDOG_S if self.communication_watchdog_s is None else self.communication_watchdog_s

    @property
    def protection_bound_v(self) -> float:
        """The highest over-voltage protection that may be set."""
        given = self.max_over_voltage_protection_v
        return 1.1 * self.max_voltage_v if given is None else given


class SinkHeaders(_Model):
    """The SCPI headers of an electronic load."""

    input: Header = "INP"
    function: Header = "FUNC"
    voltage: Header = "VOLT"
    current_limit: Header = "CURR:LIM"
    measured_voltage: Header = "MEAS:VOLT"
    measured_current: Header = "MEAS:CURR"
    tripped: Header = "INP:PROT:TRIP"
    communication_watchdog: Header | None = Field(
        default=None, description="kept off while armed: a sink that lets go leaves a braking machine's energy nowhere"
    )
    error: Header = "SYST:ERR"


class ScpiSinkSettings(InstrumentSettings):
    """An electronic load with a constant-voltage mode and a current limit."""

    max_voltage_v: Positive
    max_current_a: Positive
    voltage_resolution_v: Positive = 0.01
    current_resolution_a: Positive = 0.01
    headers: SinkHeaders = SinkHeaders()


class WaveformHeaders(_Model):
    """The SCPI headers of a sample stream."""

    format: Header = "FORM"
    byte_order: Header = "FORM:BORD"
    channels: Header = "WAV:CHAN"
    rate: Header = "WAV:RATE"
    state: Header = "WAV:STAT"
    data: Header = "WAV:DATA"


class MeasuringUnitHeaders(_Model):
    """The SCPI headers of a measuring unit."""

    fetch: Header = "FETC"
    waveforms: WaveformHeaders = WaveformHeaders()
    error: Header = "SYST:ERR"


class Input(_Model):
    """One input: the signal's name, which ends in its unit, and the unit's channel number."""

    name: Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]*$")]
    channel: int = Field(ge=1, le=9999)

    @model_validator(mode="after")
    def _the_name_carries_its_unit(self) -> Self:
        if unit_of_signal(self.name) == "1":
            raise ValueError(f'"{self.name}" does not end in a unit: write it like ai1_v or encoder_rpm')
        return self


def _each_once(named: Sequence[tuple[str, int]], *, what: str, number: str) -> None:
    """Raises `ValueError` where a name or a number is given twice."""
    names: set[str] = set()
    numbers: set[int] = set()
    for name, given in named:
        if name in names:
            raise ValueError(f"the name {name} is given to two {what}: give each its own")
        if given in numbers:
            raise ValueError(f"{number} {given} is given to two {what}: give each its own")
        names.add(name)
        numbers.add(given)


class WaveformSettings(_Model):
    """What a measuring unit streams: the inputs, in the order in which their samples come, and how often."""

    rate_hz: float = Field(gt=0.0, le=1e6)
    inputs: tuple[Input, ...] = Field(min_length=1, max_length=64)

    @model_validator(mode="after")
    def _each_input_once(self) -> Self:
        _each_once([(each.name, each.channel) for each in self.inputs], what="inputs", number="channel")
        return self


class ScpiMeasuringUnitSettings(InstrumentSettings):
    """A measuring unit whose latest averaged values are fetched together."""

    inputs: tuple[Input, ...] = Field(min_length=1)
    waveforms: WaveformSettings | None = Field(
        default=None, description='without it the port "waveforms" does not exist'
    )
    headers: MeasuringUnitHeaders = MeasuringUnitHeaders()

    @model_validator(mode="after")
    def _each_input_once(self) -> Self:
        _each_once([(each.name, each.channel) for each in self.inputs], what="inputs", number="channel")
        return self


class PowerAnalyserHeaders(_Model):
    """The SCPI headers of a power analyser."""

    fetch: Header = "FETC"
    bandwidth: Header = "SENS:BAND"
    window: Header = "SENS:SWE:TIME"
    error: Header = "SYST:ERR"


class Result(_Model):
    """One result: the signal's name, which ends in its unit, and the analyser's number for it."""

    name: Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]*$")]
    number: int = Field(ge=1, le=9999)

    @model_validator(mode="after")
    def _the_name_carries_its_unit(self) -> Self:
        if unit_of_signal(self.name) == "1" and not self.name.endswith("_factor"):
            raise ValueError(f'"{self.name}" ends neither in a unit nor in _factor: write it like p1_w or power_factor')
        return self


_RESULT_NAMES = (
    *("u1_v", "u2_v", "u3_v", "i1_a", "i2_a", "i3_a", "p1_w", "p2_w", "p3_w"),
    *("u_v", "u_fundamental_v", "i_a", "p_w", "s_va", "power_factor", "frequency_hz"),
)


class ScpiPowerAnalyserSettings(InstrumentSettings):
    """A power analyser whose latest results are fetched together."""

    results: tuple[Result, ...] = Field(
        default=tuple(Result(name=name, number=number) for number, name in enumerate(_RESULT_NAMES, start=1)),
        min_length=1,
    )
    window_s: float = Field(default=0.1, gt=0.0, le=10.0, description="integration time")
    minimum_bandwidth_hz: Positive = Field(
        description="the power of a modulated voltage stands at the carrier and its multiples too"
    )
    headers: PowerAnalyserHeaders = PowerAnalyserHeaders()

    @model_validator(mode="after")
    def _each_result_once(self) -> Self:
        _each_once([(each.name, each.number) for each in self.results], what="results", number="number")
        return self


class ResistanceMeterHeaders(_Model):
    """The SCPI headers of a resistance meter."""

    contactor: Header = "CONT"
    connect: Header = "ROUT:CLOS"
    disconnect: Header = "ROUT:OPEN:ALL"
    current: Header = "CURR"
    measured_voltage: Header = "MEAS:VOLT"
    measured_current: Header = "MEAS:CURR"
    error: Header = "SYST:ERR"


class ScpiResistanceMeterSettings(InstrumentSettings):
    """A four-wire resistance meter with contacts of its own."""

    max_current_a: Positive
    current_resolution_a: Positive = 0.001
    contactor_time_s: float = Field(
        default=0.2, gt=0.0, le=LONGEST_CONTACTOR_TIME_S, description="how long the power leads' contactor may take"
    )
    headers: ResistanceMeterHeaders = ResistanceMeterHeaders()
