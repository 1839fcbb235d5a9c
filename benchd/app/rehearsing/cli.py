"""The command `benchd rehearse`. It parses and prints."""

from typing import Annotated

import typer

from benchd.app.loading import (
    USAGE,
    BenchFile,
    DataDirectory,
    NeededMotor,
    NeededProgramme,
    NeededSetup,
    fail,
    load_all,
    one_sentence,
)
from benchd.app.streams import say


def rehearse(
    bench: BenchFile,
    programme: NeededProgramme,
    motor: NeededMotor,
    setup: NeededSetup,
    *,
    order: Annotated[str, typer.Option(help="Order number.")] = "none",
    serial: Annotated[str, typer.Option(help="Serial number of the specimen.")] = "none",
    operator: Annotated[str, typer.Option(help="Who plans the run.")] = "",
    data: DataDirectory = None,
    specimen: Annotated[
        str | None, typer.Option(help="A simulated specimen that comes along, instead of one made of the motor file.")
    ] = None,
    seed: Annotated[int, typer.Option(min=0, help="Of the simulated noise.")] = 1,
    paper: Annotated[str, typer.Option(help="a4 or letter.")] = "a4",
) -> None:
    """Play the exact programme on a simulated bench in virtual time; write what a run writes, marked REHEARSAL.

    Needs no bench and touches none. Exit status: 0 it completes, 3 it would trip, 1 it would not complete or start.
    """
    from benchd.app.rehearsing.command import rehearse as rehearsed  # noqa: PLC0415
    from benchd.app.rehearsing.twins import twin_for  # noqa: PLC0415

    if paper not in {"a4", "letter"}:
        fail(f"--paper {paper} is not known: choose a4 or letter.", USAGE)
    with one_sentence():
        loaded, run = load_all(bench, programme, motor, setup, data=data, order=order, serial=serial, operator=operator)
        if run is None:
            fail("A rehearsal needs PROGRAMME, MOTOR and SETUP.", USAGE)
        twin = twin_for(loaded, run, specimen=specimen, seed=seed)
        done = rehearsed(loaded, run, twin, paper=paper)
    say(f"REHEARSAL: {done.sentence}")
    if done.report is not None:
        say(str(done.report))
    if done.status:
        raise typer.Exit(done.status)
