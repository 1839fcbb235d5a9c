"""The command `benchd tune`. It parses and prints."""

from typing import Annotated

import typer

from benchd.app.loading import (
    CONFIGURATION,
    FAILED,
    USAGE,
    BenchFile,
    DataDirectory,
    DeviceSettings,
    fail,
    load_all,
    one_sentence,
)
from benchd.app.streams import say, tell
from benchd.settings.load import load_motor, load_setup
from benchd.settings.places import settings_file

RULES = ("magnitude optimum", "lambda", "SIMC", "symmetrical optimum")  # as `found.RULES`, which loads scipy


def tune(
    bench: BenchFile,
    motor: Annotated[str, typer.Argument(metavar="MOTOR", help="The specimen's rating plate.")],
    setup: Annotated[str, typer.Argument(metavar="SETUP", help="What couples it to the bench.")],
    *,
    rule: Annotated[
        str | None, typer.Option(metavar="RULE", help=f"Instead of the one that suits: {', '.join(RULES)}.")
    ] = None,
    operator: Annotated[str, typer.Option(help="Who is responsible at the bench.")] = "",
    data: DataDirectory = None,
    device: DeviceSettings = None,
) -> None:
    """Find gain, lag and dead time of each outer loop by small steps and store regulators for them.

    Stay at the bench: the shaft turns gently. Runs of this motor on this bench use what was stored, until bench, motor
    or set-up file change.
    """
    from benchd.app.discovery import DriverBroken  # noqa: PLC0415
    from benchd.app.tuning.command import tuned  # noqa: PLC0415
    from benchd.app.tuning.session import TuningFailed  # noqa: PLC0415
    from benchd.app.watched import default_runtime_directory  # noqa: PLC0415

    if rule is not None and rule not in RULES:
        fail(f'--rule "{rule}" is not known: choose {", ".join(RULES[:-1])} or {RULES[-1]}.', USAGE)
    with one_sentence():
        loaded, _ = load_all(bench, None, None, None, device=device or (), data=data)
        say(f"{loaded.name}: small steps with the shaft turning gently. Keep clear of the shaft.")
        try:
            found = tuned(
                loaded,
                load_motor(settings_file("motors", motor)),
                load_setup(settings_file("setups", setup)),
                runtime_directory=default_runtime_directory(),
                operator=operator,
                rule=rule,
                say=say,
            )
        except DriverBroken as error:
            fail(str(error), CONFIGURATION)
        except TuningFailed as error:
            fail(f"Nothing was tuned. {error}", FAILED)
        except KeyboardInterrupt:
            fail("Nothing was tuned: it was interrupted, and the bench was let go in order.", FAILED)
        except OSError as error:
            fail(f"The tuning could not be carried out: {error}", FAILED)
    if found.text:
        say(f"\n{found.text}\n")
    for sentence in found.refused:
        tell(f"Not tuned: {sentence}")
    if found.tuning is not None:
        say(str(found.tuning.file))
    if found.refused:
        raise typer.Exit(FAILED)
