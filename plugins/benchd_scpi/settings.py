"""What a bench file says about an instrument. It holds values and refuses wrong ones; it must never import pyvisa."""

from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

from benchd.contract import unit_of_signal

LONGEST_REPLY_TIME_S = 0.4
CALL_TIME_S = 3 * LONGEST_REPLY_TIME_S  # the exchange itself and, where it fails, the error queue
SAFE_TIME_S = 1.0

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
    headers: SupplyHeaders = SupplyHeaders()

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
    error: Header = "SYST:ERR"


class ScpiSinkSettings(InstrumentSettings):
    """An electronic load with a constant-voltage mode and a current limit."""

    max_voltage_v: Positive
    max_current_a: Positive
    voltage_resolution_v: Positive = 0.01
    current_resolution_a: Positive = 0.01
    headers: SinkHeaders = SinkHeaders()


class MeasuringUnitHeaders(_Model):
    """The SCPI headers of a measuring unit."""

    fetch: Header = "FETC"


class Input(_Model):
    """One input: the signal's name, which ends in its unit, and the unit's channel number."""

    name: Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]*$")]
    channel: int = Field(ge=1, le=9999)

    @model_validator(mode="after")
    def _the_name_carries_its_unit(self) -> Self:
        if unit_of_signal(self.name) == "1":
            raise ValueError(f'"{self.name}" does not end in a unit: write it like ai1_v or encoder_rpm')
        return self


class ScpiMeasuringUnitSettings(InstrumentSettings):
    """A measuring unit whose latest averaged values are fetched together."""

    inputs: tuple[Input, ...] = Field(min_length=1)
    headers: MeasuringUnitHeaders = MeasuringUnitHeaders()

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        names: set[str] = set()
        channels: set[int] = set()
        for each in self.inputs:
            if each.name in names:
                raise ValueError(f"the name {each.name} is given to two inputs: give each its own")
            if each.channel in channels:
                raise ValueError(f"channel {each.channel} is given to two inputs: give each its own")
            names.add(each.name)
            channels.add(each.channel)
        return self
