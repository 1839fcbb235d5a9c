"""What benchd's commands have in common: their arguments, loading what those name, and ending in one sentence."""

import datetime as dt
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Annotated, NoReturn

import typer

from benchd.app.discovery import Found, Unavailable, find_drivers
from benchd.app.streams import tell
from benchd.app.wiring import Job, PlannedRun, Unfit, plan_run
from benchd.procedures import PROCEDURES
from benchd.records import RecordsError
from benchd.settings.bench import Bench
from benchd.settings.load import Registry, SettingsError, load_bench, load_motor, load_programme, load_setup
from benchd.settings.places import settings_file

CONFIGURATION = 78
FAILED = 1
USAGE = 2

BenchFile = Annotated[str, typer.Argument(metavar="BENCH", help="Bench file, or the name of one that comes along.")]
ProgrammeFile = Annotated[str | None, typer.Argument(metavar="PROGRAMME", help="What to do with the specimen.")]
MotorFile = Annotated[str | None, typer.Argument(metavar="MOTOR", help="The specimen's rating plate.")]
SetupFile = Annotated[str | None, typer.Argument(metavar="SETUP", help="What couples it to the bench.")]
NeededProgramme = Annotated[str, typer.Argument(metavar="PROGRAMME", help="What to do with the specimen.")]
NeededMotor = Annotated[str, typer.Argument(metavar="MOTOR", help="The specimen's rating plate.")]
NeededSetup = Annotated[str, typer.Argument(metavar="SETUP", help="What couples it to the bench.")]
DeviceSettings = Annotated[
    list[str] | None,
    typer.Option(
        "--device",
        metavar="NAME.KEY=VALUE",
        help="Replace one device setting of the bench file, such as supply.port=5025.",
    ),
]
DataDirectory = Annotated[
    Path | None, typer.Option("--data", help="Where run folders go, instead of the bench file's directory.")
]


def fail(sentence: str, status: int) -> NoReturn:
    """End with one sentence on standard error."""
    tell(sentence)
    raise typer.Exit(status)


@contextmanager
def one_sentence() -> Iterator[None]:
    """Turn what a person can mend into one sentence and its exit status."""
    try:
        yield
    except SettingsError as error:
        fail(error.sentence, CONFIGURATION)
    except (Unfit, Unavailable) as error:
        fail(str(error), CONFIGURATION)
    except RecordsError as error:
        fail(str(error), FAILED)


def registry(found: Found) -> Registry:
    """What settings may name here."""
    return Registry(drivers=found.drivers, tests={kind: each.settings for kind, each in PROCEDURES.items()})


def load_all(
    bench: str,
    programme: str | None,
    motor: str | None,
    setup: str | None,
    *,
    device: Sequence[str] = (),
    data: Path | None = None,
    order: str = "none",
    serial: str = "none",
    operator: str = "",
    on: dt.date | None = None,
) -> tuple[Bench, PlannedRun | None]:
    """Bench and, where a programme is given, the run that fits it. Raises `SettingsError` or `Unfit`, or ends.

    `on` is the day that sensors may be overdue on, today (UTC) where left out.
    """
    given = [name for name in (programme, motor, setup) if name is not None]
    if given and len(given) < 3:
        fail("A run needs all three of PROGRAMME, MOTOR and SETUP: give none or all.", USAGE)
    found = find_drivers()
    known = registry(found)
    replaced = _settings_of(device)
    try:
        loaded = load_bench(settings_file("benches", bench), known, device_settings=replaced, today=on)
    except SettingsError as error:
        typed = next((text for text in device if _is_about(error, text)), None)
        if typed is not None:
            fail(f"--device {typed} {error.sentence.partition(f'{error.key} ')[2]}", USAGE)
        broken = next((why for name, why in found.broken.items() if f'"{name}"' in error.sentence), None)
        fail(error.sentence if broken is None else f"{error.sentence} {broken}", CONFIGURATION)
    if data is not None:
        loaded = replace(loaded, data_directory=data.absolute())
    if programme is None or motor is None or setup is None:
        return loaded, None
    job = Job(
        programme=load_programme(settings_file("programmes", programme), known),
        motor=load_motor(settings_file("motors", motor)),
        setup=load_setup(settings_file("setups", setup)),
        order=order,
        serial=serial,
        operator=operator,
    )
    return loaded, plan_run(loaded, job, on=on)


def _settings_of(texts: Sequence[str]) -> dict[str, dict[str, object]]:
    replaced: dict[str, dict[str, object]] = {}
    for text in texts:
        device, key, value = _parts(text)
        if not (device and key and value):
            fail(f"--device {text} is not NAME.KEY=VALUE, such as supply.port=5025.", USAGE)
        replaced.setdefault(device, {})[key] = int(value) if value.isdecimal() else value
    return replaced


def _parts(text: str) -> tuple[str, str, str]:
    name, _, value = text.partition("=")
    device, _, key = name.partition(".")
    return device, key, value


def _is_about(error: SettingsError, text: str) -> bool:
    """Whether the error is about what was typed and not about what stands in the file."""
    device, key, _ = _parts(text)
    return error.key in {f"devices.{device}", f"devices.{device}.settings.{key}"}
