"""The command `benchd commission`. It parses and prints."""

from typing import Annotated

import typer

from benchd.app.loading import (
    CONFIGURATION,
    FAILED,
    USAGE,
    BenchFile,
    DataDirectory,
    DeviceSettings,
    MotorFile,
    ProgrammeFile,
    SetupFile,
    fail,
    load_all,
    one_sentence,
)
from benchd.app.streams import say

TRIPS_WRONG = 3


def commission(
    bench: BenchFile,
    programme: ProgrammeFile = None,
    motor: MotorFile = None,
    setup: SetupFile = None,
    *,
    times: Annotated[int, typer.Option(min=1, max=100, help="How often each is provoked.")] = 3,
    only: Annotated[
        list[str] | None, typer.Option(metavar="TEXT", help="Provoke only what has this text in its name; repeatable.")
    ] = None,
    operator: Annotated[str, typer.Option(help="Who is responsible at the bench.")] = "",
    data: DataDirectory = None,
    device: DeviceSettings = None,
    paper: Annotated[str, typer.Option(help="a4 or letter.")] = "a4",
) -> None:
    """Turn the specimen gently and provoke each limit and each loss; write the measured answers as JSON and PDF.

    Stay at the bench: the shaft turns, and the safety chain has to be reset by hand where it opened. It replaces no
    validation of the hardware safety chain.
    """
    from benchd.app.commissioning.command import carried_out  # noqa: PLC0415
    from benchd.app.discovery import DriverBroken  # noqa: PLC0415
    from benchd.app.watched import default_runtime_directory  # noqa: PLC0415

    if paper not in {"a4", "letter"}:
        fail(f"--paper {paper} is not known: choose a4 or letter.", USAGE)
    with one_sentence():
        if programme is None:
            alone, _ = load_all(bench, None, None, None, device=device or (), data=data)
            if alone.commissioning is None:
                fail(
                    f"{alone.document.file} has no [commissioning]: give the job whose limits shall hold.",
                    USAGE,
                )
            programme, motor, setup = (getattr(alone.commissioning, one) for one in ("programme", "motor", "setup"))
        loaded, run = load_all(bench, programme, motor, setup, device=device or (), data=data)
        if run is None:
            fail("A campaign needs PROGRAMME, MOTOR and SETUP.", USAGE)
        say(f"{loaded.name}: provoking limits and losses with the shaft turning gently. Keep clear of the shaft.")
        try:
            folder, as_wanted = carried_out(
                loaded,
                run,
                runtime_directory=default_runtime_directory(),
                times=times,
                operator=operator,
                paper=paper,
                only=only or (),
                say=say,
            )
        except DriverBroken as error:
            fail(str(error), CONFIGURATION)
        except OSError as error:
            fail(f"The campaign could not be carried out: {error}", FAILED)
    say(str(folder / "commissioning.pdf"))
    if not as_wanted:
        raise typer.Exit(TRIPS_WRONG)
