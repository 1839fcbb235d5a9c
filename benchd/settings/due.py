"""Says which sensors of a bench are past their date, and refuses a run where the bench file asks for that.

It must never change a calibration: an overdue one still counts.
"""

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

from benchd.settings.bench import Bench
from benchd.settings.document import Document
from benchd.settings.errors import refuse, shown


@dataclass(frozen=True, slots=True, kw_only=True)
class Overdue:
    """One channel or waveform whose sensor is past its date."""

    channel: str
    sensor: str
    serial: str
    due_on: str  # ISO 8601 date
    sentence: str  # for the operator


def overdue(bench: Bench, on: dt.date) -> tuple[Overdue, ...]:
    """The channels whose sensor's date lies before `on`, and the waveforms whose sensor no such channel has."""
    return tuple(one for one, _, _ in _found(bench, on))


def refuse_overdue(bench: Bench, on: dt.date) -> None:
    """Return where the bench may be run on this day; raises `SettingsError` where an overdue sensor forbids it."""
    if bench.calibration.overdue != "refuse":
        return
    problems = [
        bench.document.problem(
            (kind, one.channel, "sensor"),
            f"names {shown(document.file)}, whose calibration was due on {one.due_on}, and calibration.overdue is "
            f'"refuse"; have the sensor {one.serial} calibrated or take another',
        )
        for one, kind, document in _found(bench, on)
    ]
    if problems:
        refuse(bench.document.file, problems)


def _found(bench: Bench, on: dt.date) -> Iterator[tuple[Overdue, str, Document]]:
    polled = {document.file for document in bench.sensor_documents.values()}
    sampled = {
        name: document for name, document in bench.waveform_sensor_documents.items() if document.file not in polled
    }
    for kind, what, channels, documents in (
        ("channels", "channel", bench.channels(), bench.sensor_documents),
        ("waveforms", "waveform", bench.waveform_channels, sampled),
    ):
        for channel in channels:
            calibration, document = channel.calibration, documents.get(channel.name)
            if calibration is None or document is None or dt.date.fromisoformat(calibration.due_on) >= on:
                continue
            sentence = (
                f"{document.origin(('due_on',))} {calibration.due_on} has passed: the sensor {calibration.sensor} "
                f"{calibration.serial} of {what} {channel.name} is overdue; have it calibrated."
            )
            found = Overdue(
                channel=channel.name,
                sensor=calibration.sensor,
                serial=calibration.serial,
                due_on=calibration.due_on,
                sentence=sentence,
            )
            yield found, kind, document
