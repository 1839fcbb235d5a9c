"""Tuning files: the outer loops of a motor type on a bench, as `benchd tune` found them. It must never tune anything.

They lie below the data directory, one file a tuning, named by its UTC time; the newest one counts.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal
from urllib.parse import quote

from pydantic import AwareDatetime, Field, ValidationError

from benchd.rules.loops import Driven, Loop
from benchd.rules.moves import Role
from benchd.rules.regulator import Regulator
from benchd.rules.regulator_gains import Bounds, Gains, Schedule
from benchd.rules.regulator_tuning import Plant
from benchd.settings.document import read_document
from benchd.settings.errors import Problem, refuse
from benchd.settings.explain import problems_in
from benchd.settings.pieces import Listed, NotNegative, Positive, Table, Text

DIRECTORY = "tuning"  # below the data directory
_SHA256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


class TuningTable(Table):
    """In a bench file: how much energy a tuning may hold, and for how long it counts."""

    max_energy_j: Positive = 20.0  # of shaft and DC link together
    max_age_days: Positive = 365.0


class PlantTable(Table):
    """What the channel does after the set-point, up to the moment at which a reading is taken.

    The dead time is that of set-points joined by straight lines from tick to tick, of which holding is half a tick.
    """

    gain: float
    lag_s: NotNegative
    small_s: NotNegative
    dead_s: NotNegative


class DoubtTable(Table):
    """Standard uncertainties of what was identified; `lag_s` is that of the one lag, wherever it counts."""

    gain: NotNegative
    lag_s: NotNegative
    dead_s: NotNegative


class RegulatorTable(Table):
    """How the regulator is set; `low` and `high` bound what it adds to the set-point."""

    proportional: float
    integral_per_s: float
    weight: Annotated[float, Field(ge=0.0, le=1.0)]
    anti_windup_s: Positive
    blind_s: Positive
    low: float
    high: float
    dead_band: NotNegative = 0.0  # in the channel's unit: an error within it is none


class PredictedTable(Table):
    """What the loop should do; nobody has seen it do so. Settling is to 2 %, left out where it never does."""

    phase_margin_deg: float
    overshoot_ratio: NotNegative
    settling_s: NotNegative | None = None


class LoopTable(Table):
    """One loop. `rule` is how it was tuned, in words."""

    role: Literal["supply", "motor_drive", "load_drive"]
    driven: Literal["torque", "speed", "voltage"]
    channel: Text
    rule: Text
    explained_ratio: float
    seen_late_s: NotNegative  # how old a reading is on the mean when it is seen; the gains know of it
    plant: PlantTable
    doubt: DoubtTable
    regulator: RegulatorTable
    predicted: PredictedTable


class SourcesTable(Table):
    """SHA-256 of the files that the tuning holds for."""

    bench: _SHA256
    motor: _SHA256
    setup: _SHA256


class TuningFile(Table):
    """A tuning file."""

    made_utc: AwareDatetime
    made_by: str
    software: Text
    bench: Text
    motor: Text  # its type designation
    adapter: Text  # of the set-up
    sources: SourcesTable
    loop: Annotated[tuple[LoopTable, ...], Listed, Field(min_length=1)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tuning:
    """A tuning file that holds together, and its loops."""

    file: Path
    settings: TuningFile
    loops: tuple[Loop, ...]


def tuning_directory(data_directory: Path, bench: str, motor_type: str) -> Path:
    """Where the tunings of this motor type on this bench lie."""
    return data_directory / DIRECTORY / _as_name(bench) / _as_name(motor_type)


def _as_name(text: str) -> str:
    """Percent-encoded, so that any designation is one directory."""
    name = quote(text, safe="")
    return name if name.strip(".") else name.replace(".", "%2E")


def newest_tuning(data_directory: Path, bench: str, motor_type: str) -> Path | None:
    """The file of the latest tuning, by its name; None where there is none."""
    return max(tuning_directory(data_directory, bench, motor_type).glob("*.toml"), default=None)


def load_tuning(path: Path) -> Tuning:
    """The tuning in this file. Raises `SettingsError`."""
    document = read_document(path)
    try:
        file = TuningFile.model_validate(document.data)
    except ValidationError as error:
        refuse(path, problems_in(error, TuningFile, document))
    problems: list[Problem] = []
    loops: list[Loop] = []
    seen: set[tuple[str, str, str]] = set()
    for number, table in enumerate(file.loop):
        key = (table.role, table.driven, table.channel)
        if key in seen:
            says = "is the second one of this role, driven quantity and channel; keep one"
            problems.append(document.problem(("loop", number), says))
            continue
        seen.add(key)
        if not table.regulator.low <= 0.0 <= table.regulator.high:
            says = "and high must stand on both sides of 0, which is no addition; correct them"
            problems.append(document.problem(("loop", number, "regulator", "low"), says))
            continue
        try:
            loops.append(_loop(table, path))
        except ValueError as error:
            says = f"cannot be used: {str(error).rstrip('.')}; tune again"
            problems.append(document.problem(("loop", number), says))
    if problems:
        refuse(path, problems)
    return Tuning(file=path, settings=file, loops=tuple(loops))


def _loop(table: LoopTable, path: Path) -> Loop:
    plant, set_to = table.plant, table.regulator
    gains = Gains(proportional=set_to.proportional, integral_per_s=set_to.integral_per_s)
    if plant.gain * set_to.integral_per_s <= 0.0:
        raise ValueError("its integral gain has not the sign of the plant's, and would drive the channel away")
    return Loop(
        role=Role(table.role),
        driven=Driven[table.driven.upper()],
        channel=table.channel,
        plant=Plant(gain=plant.gain, lag_s=plant.lag_s, small_s=plant.small_s, dead_s=plant.dead_s),
        regulator=Regulator(
            schedule=Schedule(points=((0.0, gains),)),
            bounds=Bounds(low=set_to.low, high=set_to.high),
            anti_windup_s=set_to.anti_windup_s,
            blind_s=set_to.blind_s,
            weight=set_to.weight,
        ),
        dead_band=set_to.dead_band,
        origin=str(path),
    )
