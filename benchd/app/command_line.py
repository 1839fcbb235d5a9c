"""`benchd` on the command line. It parses, calls and prints; every error is one sentence and an exit status.

Exit status: 0 done, 1 a run that failed, 2 usage, 3 a run that tripped, 78 configuration (sysexits' EX_CONFIG).
"""

import sys
from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path
from typing import Annotated, NoReturn, cast

import typer

from benchd.app import tables
from benchd.app.answering import how_to_answer
from benchd.app.attending import needed_for
from benchd.app.commissioning.cli import commission
from benchd.app.critical_speeds import told
from benchd.app.discovery import DriverBroken, find_drivers
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
    registry,
)
from benchd.app.rehearsing.cli import rehearse
from benchd.app.sheet.cli import sheet
from benchd.app.streams import place_of, say, sound_streams, tell
from benchd.app.tuning.cli import tune
from benchd.app.wiring import bench_plan
from benchd.records import export_csv, read_description, read_ending
from benchd.records.formats import FAULT
from benchd.settings.errors import shown

# typer carries a click of its own and gives this class no public name
UsageError = cast("type[Exception]", typer.BadParameter.__mro__[1])

app = typer.Typer(
    name="benchd",
    help="Runs an electric-motor test bench. It works below the hardware safety chain and is not a safety function.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
drivers_app = typer.Typer(help="Drivers that are installed here.", no_args_is_help=True, rich_markup_mode=None)
app.add_typer(drivers_app, name="drivers")
app.command(short_help="Provoke every limit and loss at low energy, and measure the answers.")(commission)
app.command(short_help="Find and store the outer loops of a motor on a bench by small steps.")(tune)
app.command(short_help="Play a programme on a simulated bench; nothing real is touched.")(rehearse)
app.command(short_help="Make the page to mount and check a job by, before power.")(sheet)


def _say_version(asked: bool) -> None:  # noqa: FBT001 - typer hands it over so
    if asked:
        say(f"benchd {version('benchd')}")
        raise typer.Exit


@app.callback()
def benchd(
    *,
    _version: Annotated[
        bool, typer.Option("--version", is_eager=True, callback=_say_version, help="Print the version and exit.")
    ] = False,
) -> None:
    """Runs an electric-motor test bench. It works below the hardware safety chain and is not a safety function."""


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """The entry point of the `benchd` command: obey `arguments` (None: those of the process) and exit."""
    sound_streams()
    try:
        status = app(args=arguments, prog_name="benchd", standalone_mode=False)
    except UsageError as error:
        tell(usage_sentence(error))
        status = USAGE
    except typer.Abort:
        status = FAILED
    except BrokenPipeError:  # whoever read the output had enough of it
        status = FAILED
    except Exception as error:  # noqa: BLE001 - the last resort: a person gets one sentence, whatever happened
        what = f"{type(error).__name__} in {place_of(error)}: {error}"
        tell(f"benchd ended in an error of its own ({what}): report it with what you typed.")
        status = FAILED
    sys.exit(status if isinstance(status, int) else 0)


def usage_sentence(error: Exception) -> str:
    """What is wrong with the command line and where its help is; the help itself where nothing was given."""
    context: typer.Context | None = getattr(error, "ctx", None)
    words = str(getattr(error, "format_message", error.__str__)())
    command = "benchd" if context is None else context.command_path
    if "\n" in words:
        return words
    return f"{words.rstrip('.')}: see {command} --help."


@app.command(short_help="Run the daemon; with a programme, test one specimen.")
def serve(
    bench: BenchFile,
    programme: ProgrammeFile = None,
    motor: MotorFile = None,
    setup: SetupFile = None,
    *,
    order: Annotated[str, typer.Option(help="Order number.")] = "none",
    serial: Annotated[str, typer.Option(help="Serial number of the specimen.")] = "none",
    operator: Annotated[str, typer.Option(help="Who is responsible at the bench.")] = "",
    data: DataDirectory = None,
    device: DeviceSettings = None,
    report: Annotated[
        bool, typer.Option("--report/--no-report", help="Evaluate each run at its end and make its PDF.")
    ] = True,
    broker: Annotated[
        str | None,
        typer.Option(
            metavar="HOST[:PORT]", envvar="BENCHD_BROKER", help="MQTT broker instead of the bench file's; off for none."
        ),
    ] = None,
) -> None:
    """Run the daemon: commanded over MQTT, or with PROGRAMME, MOTOR and SETUP testing one specimen and ending."""
    from benchd.app.remote import access  # noqa: PLC0415
    from benchd.app.serve import COMPLETE  # noqa: PLC0415
    from benchd.app.serve import serve as run_daemon  # noqa: PLC0415
    from benchd.app.watched import default_runtime_directory  # noqa: PLC0415

    if programme is None and (order, serial, operator) != ("none", "none", ""):
        fail("--order, --serial and --operator belong to a run: give PROGRAMME, MOTOR and SETUP too.", USAGE)
    with one_sentence():
        loaded, run = load_all(
            bench,
            programme,
            motor,
            setup,
            device=device or (),
            data=data,
            order=order,
            serial=serial,
            operator=operator,
        )
        try:
            outside = access(loaded, registry(find_drivers()), broker=broker)
            place = None if outside is None else f"{outside.broker.host}:{outside.broker.port}"
            if run is not None and (line := how_to_answer(run, bench=loaded.name, broker=place)):
                tell(line)
        except ValueError as error:
            fail(str(error), USAGE)
        try:
            outcome = run_daemon(
                loaded, run, runtime_directory=default_runtime_directory(), outside=outside, report=report
            )
        except DriverBroken as error:
            fail(str(error), CONFIGURATION)
    if run is not None and outcome.folder is not None:
        say(str(outcome.folder))
        if outcome.report is not None:
            say(str(outcome.report))
        for sentence in outcome.trouble:
            tell(sentence)
        if (outcome.folder / FAULT).exists():
            tell(f"The fault record is {outcome.folder / FAULT}.")
    if outcome.status != COMPLETE:
        fail(" ".join(outcome.sentences) or "The run did not complete; the log says why.", outcome.status)


@app.command(short_help="Watch the daemon of a bench and own its safety chain's connection.")
def sentry(
    bench: BenchFile,
    *,
    device: DeviceSettings = None,
    tick_silent: Annotated[
        float | None,
        typer.Option(min=0.05, max=1.0, metavar="SECONDS", help="Instead of the bench file's tick_silent_s."),
    ] = None,
) -> None:
    """Own the connection to the safety chain: heartbeat while the daemon's tick advances, permit withdrawn when not."""
    from benchd.app.watched import default_runtime_directory  # noqa: PLC0415
    from benchd.app.watching import run_sentry  # noqa: PLC0415

    with one_sentence():
        loaded, _ = load_all(bench, None, None, None, device=device or ())
        if loaded.sentry is None:
            fail(f"{loaded.document.file} has no [sentry]: its daemon speaks to the chain itself.", CONFIGURATION)
        try:
            run_sentry(loaded, runtime_directory=default_runtime_directory(), tick_silent_s=tick_silent)
        except (ImportError, OSError) as error:
            fail(f"The sentry of {loaded.name} cannot watch: {error}", FAILED)


@app.command(short_help="Check files, their fit and the limits that will hold.")
def check(
    bench: BenchFile,
    programme: ProgrammeFile = None,
    motor: MotorFile = None,
    setup: SetupFile = None,
) -> None:
    """Say whether the files are sound and fit each other, and which limits will hold; nothing is energised."""
    with one_sentence():
        loaded, run = load_all(bench, programme, motor, setup)
        plan = bench_plan(loaded)
        for warning in loaded.warnings if run is None else (*loaded.warnings, *run.warnings):
            say(f"Warning: {warning}\n")
        say(f"Bench {plan.name}: {len(plan.devices)} devices, {len(plan.channels)} channels.")
        parameters = "\n" + tables.drive_parameters(plan, shown(loaded.document.file))
        people = "\n" + "\n".join(tables.wrapped(one, hanging=0) for one in needed_for(loaded, run))
        if run is None:
            say(f"Run folders go to {loaded.data_directory}.")
            say(parameters)
            say(people)
            return
        say("\n" + tables.demands(run))
        say("\n" + tables.limits(run.plan.limits, tables.titled(plan.channels)))
        say("\n" + "\n".join(tables.wrapped(one, hanging=2) for one in told(run.critical)))
        proof = (
            f"Before enabling, serve reads back that {plan.load_drive} trips itself at {run.plan.train_speed_rpm:g} "
            f"r/min or less and makes {run.plan.train_torque_nm:g} N·m or less, which is what the shaft train bears; "
            "it refuses otherwise."
        )
        say("\n" + tables.wrapped(proof, hanging=0))
        say(parameters)
        say(people)
        say("\n" + tables.wrapped(run.tuned.note or run.tuned.warning, hanging=0))
        say(f"\nThe programme fits the bench and takes about {run.duration_s:.0f} s.")


@app.command(short_help="Compute a run's results from its folder.")
def evaluate(
    run: Annotated[Path, typer.Argument(metavar="RUN", help="A run folder.")],
    *,
    everything: Annotated[bool, typer.Option("--all", help="All quantities, not only the headlines.")] = False,
) -> None:
    """Compute a run's results from its folder and print them; `results.json` repeats byte for byte."""
    from benchd.app.evaluation import evaluate_in_subprocess  # noqa: PLC0415

    with one_sentence():
        results = evaluate_in_subprocess(run)
        header = tables.run_header(read_description(run), read_ending(run), run)
    say(header)
    say("\n" + tables.results(results, everything=everything))


@app.command("report", short_help="Make a run's report.pdf.")
def report_command(
    run: Annotated[Path, typer.Argument(metavar="RUN", help="A run folder.")],
    *,
    paper: Annotated[str, typer.Option(help="a4 or letter.")] = "a4",
    against: Annotated[
        str | None,
        typer.Option(metavar="REHEARSAL", help="Hold the run against this rehearsal's folder; newest finds one."),
    ] = None,
) -> None:
    """Evaluate a run's folder, write report.pdf into it and print its path; the same folder gives the same bytes."""
    from benchd.app.against import rehearsal_for  # noqa: PLC0415
    from benchd.app.paperwork import report_in_subprocess  # noqa: PLC0415

    if paper not in {"a4", "letter"}:
        fail(f"--paper {paper} is not known: choose a4 or letter.", USAGE)
    with one_sentence():
        beside = None if against is None else rehearsal_for(run, against)
        path = report_in_subprocess(run, paper=paper, against=beside)
    say(str(path))


@app.command(short_help="Show the way from sample to one result.")
def explain(
    run: Annotated[Path, typer.Argument(metavar="RUN", help="A run folder.")],
    quantity: Annotated[
        str, typer.Argument(metavar="QUANTITY", help="Such as load.efficiency_at_rated_torque, or without the test.")
    ],
) -> None:
    """Print how one quantity of a run came about: formula, budget, points, and each channel from sample to mean."""
    from benchd.app.explain import explain_run  # noqa: PLC0415

    with one_sentence():
        text = explain_run(run, quantity)
    say(text)


@app.command(short_help="Write a run's samples as text for spreadsheets.")
def export(run: Annotated[Path, typer.Argument(metavar="RUN", help="A run folder.")]) -> None:
    """Write `samples.csv` into a run's folder: names with units, one row a tick, cells empty where a sample is bad."""
    with one_sentence():
        exported = export_csv(run)
    for sentence in exported.missing:
        tell(sentence)
    say(str(exported.path))


@app.command(short_help="Test an invented motor on a simulated bench.")
def demo(
    *,
    data: DataDirectory = None,
    specimen: Annotated[str, typer.Option(help="Which simulated specimen to test.")] = "pump_48v",
) -> None:
    """Test an invented motor on a simulated bench over real protocols in about a minute and a half."""
    from benchd.app.demo import SCENARIOS, run_demo  # noqa: PLC0415

    if specimen not in SCENARIOS:
        fail(f"There is no demo of '{specimen}': choose {' or '.join(sorted(SCENARIOS))}.", USAGE)
    with one_sentence():
        status = run_demo(specimen, data=(data or Path("runs")).absolute())
    raise typer.Exit(status)


@drivers_app.command("list", short_help="Every installed driver, and what is wrong with it.")
def drivers_list() -> None:
    """Every installed driver, and those that cannot be used, with the reason."""
    say(tables.drivers(find_drivers()))


if __name__ == "__main__":
    main()
