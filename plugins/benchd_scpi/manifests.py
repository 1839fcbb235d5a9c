"""What this plugin offers. It imports without pyvisa and must never touch a device."""

from collections.abc import Sequence

from benchd.contract import (
    CONTRACT_VERSION,
    Manifest,
    MeasuringUnit,
    PortSpec,
    PowerAnalyser,
    ResistanceMeter,
    Sink,
    Supply,
    Waveforms,
)
from benchd_scpi.settings import (
    CALL_TIME_S,
    LONGEST_CONTACTOR_TIME_S,
    LONGEST_REPLY_TIME_S,
    SAFE_TIME_S,
    ScpiMeasuringUnitSettings,
    ScpiPowerAnalyserSettings,
    ScpiResistanceMeterSettings,
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
    inputs = PortSpec(name="inputs", capability=MeasuringUnit, signals=signals)
    if settings.waveforms is None:
        return (inputs,)
    sampled = tuple(each.name for each in settings.waveforms.inputs)
    return (inputs, PortSpec(name="waveforms", capability=Waveforms, signals=sampled))


def _power_analyser_ports(settings: ScpiPowerAnalyserSettings) -> Sequence[PortSpec]:
    signals = tuple(each.name for each in settings.results)
    return (PortSpec(name="result", capability=PowerAnalyser, signals=signals),)


def _resistance_meter_ports(_: ScpiResistanceMeterSettings) -> Sequence[PortSpec]:
    signals = ("voltage_v", "current_a", "pair_on", "power_leads_open_on")
    return (PortSpec(name="winding", capability=ResistanceMeter, signals=signals),)


SUPPLY = Manifest(
    name="scpi_supply",
    contract_version=CONTRACT_VERSION,
    summary="DC supply with one output, SCPI over a TCP socket",
    settings=ScpiSupplySettings,
    ports=_supply_ports,
    driver="benchd_scpi.supply:supply",
    reply_time_s=CALL_TIME_S + LONGEST_REPLY_TIME_S,  # its watchdog is armed before the output is switched on
    safe_time_s=SAFE_TIME_S,
)

SINK = Manifest(
    name="scpi_sink",
    contract_version=CONTRACT_VERSION,
    summary="electronic load that keeps a DC link below a threshold, SCPI over a TCP socket",
    settings=ScpiSinkSettings,
    ports=_sink_ports,
    driver="benchd_scpi.sink:sink",
    reply_time_s=CALL_TIME_S + LONGEST_REPLY_TIME_S,  # its watchdog is switched off before it is armed
    safe_time_s=SAFE_TIME_S,
)

MEASURING_UNIT = Manifest(
    name="scpi_measuring_unit",
    contract_version=CONTRACT_VERSION,
    summary="measuring unit with averaged inputs and a sample stream, SCPI over a TCP socket",
    settings=ScpiMeasuringUnitSettings,
    ports=_measuring_unit_ports,
    driver="benchd_scpi.measuring_unit:measuring_unit",
    reply_time_s=CALL_TIME_S,
    safe_time_s=SAFE_TIME_S,
)

POWER_ANALYSER = Manifest(
    name="scpi_power_analyser",
    contract_version=CONTRACT_VERSION,
    summary="power analyser with integrated results, SCPI over a TCP socket",
    settings=ScpiPowerAnalyserSettings,
    ports=_power_analyser_ports,
    driver="benchd_scpi.power_analyser:power_analyser",
    reply_time_s=2.0 * CALL_TIME_S,  # a result, its window set anew, the result after it
    safe_time_s=SAFE_TIME_S,
)

RESISTANCE_METER = Manifest(
    name="scpi_resistance_meter",
    contract_version=CONTRACT_VERSION,
    summary="four-wire resistance meter that connects itself to a winding, SCPI over a TCP socket",
    settings=ScpiResistanceMeterSettings,
    ports=_resistance_meter_ports,
    driver="benchd_scpi.resistance_meter:resistance_meter",
    reply_time_s=2.0 * CALL_TIME_S + LONGEST_CONTACTOR_TIME_S,  # three steps, the contactor, one error queue
    safe_time_s=SAFE_TIME_S,
)
