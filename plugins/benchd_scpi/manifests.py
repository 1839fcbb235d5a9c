"""What this plugin offers. It imports without pyvisa and must never touch a device."""

from collections.abc import Sequence

from benchd.contract import CONTRACT_VERSION, Manifest, MeasuringUnit, PortSpec, Sink, Supply
from benchd_scpi.settings import (
    CALL_TIME_S,
    SAFE_TIME_S,
    ScpiMeasuringUnitSettings,
    ScpiSinkSettings,
    ScpiSupplySettings,
)


def _supply_ports(_: ScpiSupplySettings) -> Sequence[PortSpec]:
    signals = ("voltage_v", "current_a", "output_on", "tripped_on")
    return (PortSpec(name="output", capability=Supply, signals=signals),)


def _sink_ports(_: ScpiSinkSettings) -> Sequence[PortSpec]:
    signals = ("voltage_v", "current_a", "input_on", "tripped_on")
    return (PortSpec(name="input", capability=Sink, signals=signals),)


def _measuring_unit_ports(settings: ScpiMeasuringUnitSettings) -> Sequence[PortSpec]:
    signals = tuple(each.name for each in settings.inputs)
    return (PortSpec(name="inputs", capability=MeasuringUnit, signals=signals),)


SUPPLY = Manifest(
    name="scpi_supply",
    contract_version=CONTRACT_VERSION,
    summary="DC supply with one output, SCPI over a TCP socket",
    settings=ScpiSupplySettings,
    ports=_supply_ports,
    driver="benchd_scpi.supply:supply",
    reply_time_s=CALL_TIME_S,
    safe_time_s=SAFE_TIME_S,
)

SINK = Manifest(
    name="scpi_sink",
    contract_version=CONTRACT_VERSION,
    summary="electronic load that keeps a DC link below a threshold, SCPI over a TCP socket",
    settings=ScpiSinkSettings,
    ports=_sink_ports,
    driver="benchd_scpi.sink:sink",
    reply_time_s=CALL_TIME_S,
    safe_time_s=SAFE_TIME_S,
)

MEASURING_UNIT = Manifest(
    name="scpi_measuring_unit",
    contract_version=CONTRACT_VERSION,
    summary="measuring unit with averaged inputs, SCPI over a TCP socket",
    settings=ScpiMeasuringUnitSettings,
    ports=_measuring_unit_ports,
    driver="benchd_scpi.measuring_unit:measuring_unit",
    reply_time_s=CALL_TIME_S,
    safe_time_s=SAFE_TIME_S,
)
