"""What bench and set-up files say of speeds that are crossed and never held, and of what shakes a shaft.

It must never compute a natural frequency; that takes motor, set-up and bench together.
"""

from collections.abc import Iterator, Sequence
from typing import Annotated, Any, Literal

from pydantic import Field

from benchd.settings.document import Document
from benchd.settings.errors import Problem
from benchd.settings.pieces import Listed, Positive, Table, Text
from benchd.settings.toml_lines import KeyPath

NamedOrder = Literal["unbalance", "misalignment", "6 times electrical", "cogging"]


class CriticalSpeedTable(Table):
    """A band of speeds, either direction alike, that somebody measured or knows of."""

    low_rpm: Positive
    high_rpm: Positive
    why: Text


class TorsionTable(Table):
    """What shakes the shaft, how wide a band is for it, how it is crossed, and from when on a shaking is told."""

    orders: Annotated[tuple[NamedOrder, ...], Listed] = ("unbalance", "misalignment")
    further_orders: Annotated[tuple[Positive, ...], Listed] = ()  # times a revolution, such as a gear's teeth
    half_width_ratio: Annotated[float, Field(gt=0.0, le=0.5)] = 0.07  # of the critical speed, to either side
    crossing_slope_rpm_per_s: Positive | None = None  # left out: a band is crossed like any speed
    longest_crossing_s: Positive = 1.0  # that a duty cycle's course may be within a band at a time
    warn_torque_ratio: Annotated[float, Field(gt=0.0, le=1.0)] = 0.1  # of rated torque, as amplitude


def torsion_problems(document: Document, file: Any) -> Iterator[Problem]:
    """Bands that are none, a transducer heavier than its shaft, a crossing that is slow. `file` is the bench file."""
    yield from band_problems(document, file.critical_speeds)
    part, whole = file.shaft_train.transducer_inertia_kgm2, file.shaft_train.inertia_kgm2
    if part is not None and part >= whole:
        says = (
            f"is {part:g} kg·m², not less than inertia_kgm2 ({whole:g} kg·m²), of which it is a part; correct one of "
            "them"
        )
        yield document.problem(("shaft_train", "transducer_inertia_kgm2"), says)
    slope, crossing = file.slopes.speed_rpm_per_s, file.torsion.crossing_slope_rpm_per_s
    if crossing is not None and crossing < slope:
        says = (
            f"is {crossing:g} r/min per second, slower than speed_rpm_per_s in [slopes], which is {slope:g}: a band is "
            "to be left quickly; raise it, or leave it out"
        )
        yield document.problem(("torsion", "crossing_slope_rpm_per_s"), says)


def band_problems(document: Document, stated: Sequence[CriticalSpeedTable]) -> Iterator[Problem]:
    """Bands that end before they begin."""
    for place, band in enumerate(stated):
        if band.low_rpm >= band.high_rpm:
            path: KeyPath = ("critical_speeds", place, "low_rpm")
            says = (
                f"is {band.low_rpm:g} r/min and must stay below high_rpm, which is {band.high_rpm:g} r/min; correct "
                "one of them"
            )
            yield document.problem(path, says)
