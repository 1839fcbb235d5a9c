"""The command `benchd sheet`. It parses and prints."""

import datetime as dt
from pathlib import Path
from typing import Annotated

import typer

from benchd.app.loading import (
    USAGE,
    BenchFile,
    NeededMotor,
    NeededProgramme,
    NeededSetup,
    fail,
    load_all,
    one_sentence,
)
from benchd.app.streams import say, tell


def sheet(
    bench: BenchFile,
    programme: NeededProgramme,
    motor: NeededMotor,
    setup: NeededSetup,
    *,
    order: Annotated[str, typer.Option(help="Order number.")] = "none",
    serial: Annotated[str, typer.Option(help="Serial number of the specimen.")] = "none",
    operator: Annotated[str, typer.Option(help="Who is responsible at the bench.")] = "",
    on: Annotated[
        str | None, typer.Option(metavar="YYYY-MM-DD", help="The day of the sheet, instead of today (UTC).")
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", metavar="FILE", help="The PDF, instead of setup_sheet_....pdf here."),
    ] = None,
) -> None:
    """Make the one-page set-up sheet of a job: what to mount, wire and check by hand before anything is energised.

    It is refused where `benchd check` refuses. Nothing is energised and no device is asked.
    """
    from benchd.app.sheet.command import default_file, write_sheet  # noqa: PLC0415

    try:
        day = dt.datetime.now(tz=dt.UTC).date() if on is None else dt.date.fromisoformat(on)
    except ValueError:
        fail(f"--on {on} is not a day: write it as YYYY-MM-DD, such as 2026-03-31.", USAGE)
    with one_sentence():
        loaded, run = load_all(bench, programme, motor, setup, order=order, serial=serial, operator=operator, on=day)
        if run is None:
            fail("A set-up sheet needs PROGRAMME, MOTOR and SETUP.", USAGE)
        file = output or default_file(run)
        write_sheet(loaded, run, file, on=day)
    for warning in (*loaded.warnings, *run.warnings):
        tell(f"Warning: {warning}")
    say(str(file))
