"""Makes channels of a bench file's tables: loads their sensor files and joins both. It must never judge a channel."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from benchd.rules.channels import Calibration, Channel
from benchd.settings.bench_file import BenchFile, ChannelTable, WaveformTable
from benchd.settings.document import Document
from benchd.settings.errors import Problem, shown
from benchd.settings.sensor import load_sensor


@dataclass(slots=True)
class Sensors:
    """The sensors of one kind of table, by the name of the table."""

    calibrations: dict[str, Calibration] = field(default_factory=dict)
    documents: dict[str, Document] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)


def sensors_of(document: Document, kind: str, tables: Mapping[str, ChannelTable | WaveformTable]) -> Sensors:
    """The sensor files that the tables below `kind` name. Raises `SettingsError` for a mistake inside one of them."""
    sensors = Sensors()
    for name, table in tables.items():
        if table.sensor is None:
            continue
        path = (document.file.parent / table.sensor).resolve()  # so that origins show no ".."
        if not path.is_file():
            says = f'names "{table.sensor}", but there is no such file ({shown(path)}); the path counts from this file'
            sensors.problems.append(document.problem((kind, name, "sensor"), says))
            continue
        sensors.calibrations[name], sensors.documents[name] = load_sensor(path)
    return sensors


def channels_of(file: BenchFile, calibrations: Mapping[str, Calibration]) -> dict[str, Channel]:
    """The polled channels by name, in the order of the file."""
    channels: dict[str, Channel] = {}
    for name, table in file.channels.items():
        device, port, signal = table.source.split(".")
        channels[name] = Channel(
            name=name,
            unit=table.unit,
            device=device,
            port=port,
            signal=signal,
            age_limit_s=table.age_limit_s,
            sign=float(table.sign),
            zeroed=table.zeroed,
            calibration=calibrations.get(name),
        )
    return channels


def waveforms_of(file: BenchFile, calibrations: Mapping[str, Calibration]) -> tuple[Channel, ...]:
    """The sampled channels in the order of the file."""
    waveforms: list[Channel] = []
    for name, table in file.waveforms.items():
        device, port, signal = table.source.split(".")
        waveforms.append(
            Channel(
                name=name,
                unit=table.unit,
                device=device,
                port=port,
                signal=signal,
                age_limit_s=math.inf,  # a captured window has its own times
                sign=float(table.sign),
                calibration=calibrations.get(name),
            )
        )
    return tuple(waveforms)
