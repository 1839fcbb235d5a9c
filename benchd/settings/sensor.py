"""Sensor files: a sensor's calibration as its certificate states it. It must never look at the channel that uses it."""

import datetime as dt
import math
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationError

from benchd.contract.readings import UNIT_OF_SUFFIX
from benchd.rules.channels import Calibration, Coefficients, Contribution
from benchd.settings.document import Document, read_document
from benchd.settings.errors import Problem, refuse
from benchd.settings.explain import nearest, problems_in
from benchd.settings.pieces import Listed, NotNegative, Positive, Table, Text

KNOWN_UNITS = frozenset({*UNIT_OF_SUFFIX.values(), "1"})


class ContributionTable(Table):
    """One contribution to the uncertainty, as `benchd.rules.channels.Contribution` explains it."""

    name: Text
    size: NotNegative
    distribution: Literal["normal", "rectangular"]
    relative_to: Literal["reading", "full_scale", "unit"]
    effect: Literal["gain", "offset", "independent"]
    degrees_of_freedom: Positive | None = None  # left out: infinitely many


class NegativeTable(Table):
    """The line of the negative direction, where the certificate states one of its own."""

    gain: float
    offset: float


class SensorFile(Table):
    """A sensor with its calibration: value = gain · input + offset."""

    sensor: Text
    range: Text | None = None  # the name of the range that the certificate is for
    serial: Text
    certificate: Text
    calibrated_on: dt.date
    due_on: dt.date
    input_unit: Text
    output_unit: Text
    gain: float
    offset: float
    full_scale: Positive
    negative: NegativeTable | None = None
    contributions: Annotated[tuple[ContributionTable, ...], Listed, Field(min_length=1)]


def load_sensor(path: Path) -> tuple[Calibration, Document]:
    """The calibration in this file. Raises `SettingsError`; an overdue sensor is not an error."""
    document = read_document(path)
    try:
        sensor = SensorFile.model_validate(document.data)
    except ValidationError as error:
        refuse(path, problems_in(error, SensorFile, document))
    problems = _problems(sensor, document)
    if problems:
        refuse(path, problems)
    calibration = Calibration(
        sensor=sensor.sensor if sensor.range is None else f"{sensor.sensor}, {sensor.range}",
        serial=sensor.serial,
        certificate=sensor.certificate,
        calibrated_on=sensor.calibrated_on.isoformat(),
        due_on=sensor.due_on.isoformat(),
        input_unit=sensor.input_unit,
        output_unit=sensor.output_unit,
        gain=sensor.gain,
        offset=sensor.offset,
        full_scale=sensor.full_scale,
        contributions=tuple(
            Contribution(
                name=one.name,
                size=one.size,
                distribution=one.distribution,
                relative_to=one.relative_to,
                effect=one.effect,
                degrees_of_freedom=math.inf if one.degrees_of_freedom is None else one.degrees_of_freedom,
            )
            for one in sensor.contributions
        ),
        negative=None
        if sensor.negative is None
        else Coefficients(gain=sensor.negative.gain, offset=sensor.negative.offset),
    )
    return calibration, document


def _problems(sensor: SensorFile, document: Document) -> list[Problem]:
    problems = [
        document.problem((key,), f'"{unit}" is not a unit that is known here; {nearest(unit, KNOWN_UNITS)}')
        for key, unit in (("input_unit", sensor.input_unit), ("output_unit", sensor.output_unit))
        if unit not in KNOWN_UNITS
    ]
    if sensor.gain == 0.0:
        problems.append(document.problem(("gain",), "must not be 0; write the certificate's gain"))
    if sensor.negative is not None and sensor.negative.gain * sensor.gain <= 0.0:
        says = (
            f"is {sensor.negative.gain:g} and must have the sign of the positive direction's gain ({sensor.gain:g}); "
            "write both as the certificate does"
        )
        problems.append(document.problem(("negative", "gain"), says))
    if sensor.due_on <= sensor.calibrated_on:
        says = f"{sensor.due_on} is not after calibrated_on ({sensor.calibrated_on}); correct one of the dates"
        problems.append(document.problem(("due_on",), says))
    names = [one.name for one in sensor.contributions]
    problems += [
        document.problem(
            ("contributions", place, "name"), f'"{name}" is there twice; give each contribution a name of its own'
        )
        for place, name in enumerate(names)
        if name in names[:place]
    ]
    return problems
