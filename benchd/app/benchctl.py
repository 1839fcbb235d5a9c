"""`benchctl` on the command line: looks at a bench and commands it over MQTT. It must never touch a device itself.

Exit status: 0 done, or a specimen accepted; 1 refused, failed or stopped; 2 usage; 3 tripped or aborted; 4 rejected;
5 undecided; 69 nobody answers (sysexits' EX_UNAVAILABLE).
"""

import sys
from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path
from typing import Annotated, NoReturn, cast

import typer

from benchd.app import heard
from benchd.app.access import (
    USAGE,
    Access,
    BenchOption,
    BrokerOption,
    JsonOption,
    NameOption,
    PasswordOption,
    UserOption,
    fail,
    reach,
)
from benchd.app.manual_command import manual
from benchd.app.run_followed import FollowedRun, Status
from benchd.app.streams import place_of, say, sound_streams, tell
from benchd.app.voice import Voice
from benchd.outside.client import BenchClient
from benchd.outside.commands import FREE_STOPS, Code, CommandName, Fits, KnownFiles, Reply
from benchd.outside.lease import COMMAND_LINE

KEEP_S = 3600  # how long the broker keeps announcements for a client that follows a run
# typer carries a click of its own and gives this class no public name
UsageError = cast("type[Exception]", typer.BadParameter.__mro__[1])

app = typer.Typer(
    name="benchctl",
    help="Looks at a motor test bench and commands it over MQTT. Its stops are not a safety function.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

ProgrammeName = Annotated[str, typer.Argument(metavar="PROGRAMME", help="What to do with the specimen.")]
MotorName = Annotated[str, typer.Argument(metavar="MOTOR", help="The specimen's rating plate.")]
SetupName = Annotated[str, typer.Argument(metavar="SETUP", help="What couples it to the bench.")]


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """The entry point of the `benchctl` command: obey `arguments` (None: those of the process) and exit."""
    sound_streams()
    try:
        status = app(args=arguments, prog_name="benchctl", standalone_mode=False)
    except UsageError as error:
        tell(_usage_sentence(error))
        status = USAGE
    except (typer.Abort, KeyboardInterrupt):
        status = Status.FAILED
    except BrokenPipeError:  # whoever read the output had enough of it
        status = Status.FAILED
    except Exception as error:  # noqa: BLE001 - the last resort: a person gets one sentence, whatever happened
        what = f"{type(error).__name__} in {place_of(error)}: {error}"
        tell(f"benchctl ended in an error of its own ({what}): report it with what you typed.")
        status = Status.FAILED
    sys.exit(int(status) if isinstance(status, int) else 0)


def _usage_sentence(error: Exception) -> str:
    context: typer.Context | None = getattr(error, "ctx", None)
    words = str(getattr(error, "format_message", error.__str__)())
    if "\n" in words:
        return words
    return f"{words.rstrip('.')}: see {'benchctl' if context is None else context.command_path} --help."


def _say_version(asked: bool) -> None:  # noqa: FBT001 - typer hands it over so
    if asked:
        say(f"benchctl {version('benchd')}")
        raise typer.Exit


@app.callback()
def benchctl(
    *,
    _version: Annotated[
        bool, typer.Option("--version", is_eager=True, callback=_say_version, help="Print the version and exit.")
    ] = False,
) -> None:
    """Looks at a motor test bench and commands it over MQTT. Its stops are not a safety function.

    Exit status: 0 done, or accepted; 1 refused, failed or stopped; 2 usage; 3 tripped or aborted; 4 rejected;
    5 undecided; 69 nobody answers.
    """


# what changes nothing


@app.command(short_help="How the bench is.")
def status(
    *,
    broker: BrokerOption = "localhost",
    bench: BenchOption = None,
    name: NameOption = None,
    username: UserOption = None,
    password_file: PasswordOption = None,
    as_json: JsonOption = False,
) -> None:
    """Print how the bench is: state, permit, who commands, run, warnings."""
    access = Access(
        broker=broker, bench=bench, name=name, username=username, password_file=password_file, as_json=as_json
    )

    async def look(client: BenchClient, voice: Voice) -> int:
        state = await client.first_state()
        voice.whole({"bench": client.bench, **state.model_dump(mode="json")})
        voice.line(heard.state(client.bench, state, client.meta()))
        return Status.DONE if state.online else Status.UNAVAILABLE

    reach(access, look)


@app.command(short_help="Watch the bench live.")
def live(
    *,
    once: Annotated[bool, typer.Option("--once", help="Print what is to be seen now and end.")] = False,
    svg: Annotated[Path | None, typer.Option("--svg", metavar="FILE", help="With --once: draw it as SVG.")] = None,
    broker: BrokerOption = "localhost",
    bench: BenchOption = None,
    name: NameOption = None,
    username: UserOption = None,
    password_file: PasswordOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show state, permit, run, channels with their limits, and warnings until `q`; it commands nothing.

    Without a terminal it prints a line a second, with --json everything that is heard.
    """
    from benchd.app.live_view import LiveView  # noqa: PLC0415 - the drawing is loaded where something is drawn

    access = Access(
        broker=broker, bench=bench, name=name, username=username, password_file=password_file, as_json=as_json
    )
    if svg is not None and not once:
        fail("--svg draws one moment: give --once too.", USAGE)

    async def watch(client: BenchClient, voice: Voice) -> int:
        view = LiveView(client, voice)
        if not once:
            await view.show()
            return Status.DONE
        drawn = await view.once(svg=svg is not None)
        say(drawn if svg is None else _written(svg, drawn))
        return Status.DONE

    reach(access, watch, data=True)


def _written(file: Path, drawn: str) -> str:
    """Where the picture is, after it was written there."""
    try:
        file.write_text(drawn, encoding="utf-8")
    except OSError as error:
        fail(f"{file} cannot be written ({error.strerror}): name a file in a folder that is there.", Status.FAILED)
    return str(file)


@app.command(short_help="Which files a run may name.")
def programmes(
    *,
    broker: BrokerOption = "localhost",
    bench: BenchOption = None,
    name: NameOption = None,
    username: UserOption = None,
    password_file: PasswordOption = None,
    as_json: JsonOption = False,
) -> None:
    """List the programmes, motors and set-ups that the daemon knows."""
    access = Access(
        broker=broker, bench=bench, name=name, username=username, password_file=password_file, as_json=as_json
    )

    async def ask(client: BenchClient, voice: Voice) -> int:
        reply = await client.ask(CommandName.PROGRAMMES)
        if isinstance(reply.result, KnownFiles):
            voice.line(heard.files(reply.result))
        return _told(reply, voice)

    reach(access, ask)


@app.command(short_help="Whether files fit each other and the bench.")
def check(
    programme: ProgrammeName,
    motor: MotorName,
    setup: SetupName,
    *,
    broker: BrokerOption = "localhost",
    bench: BenchOption = None,
    name: NameOption = None,
    username: UserOption = None,
    password_file: PasswordOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say what the tests would ask of the bench, which limits would hold, and what does not fit; nothing moves."""
    access = Access(
        broker=broker, bench=bench, name=name, username=username, password_file=password_file, as_json=as_json
    )

    async def ask(client: BenchClient, voice: Voice) -> int:
        reply = await client.ask(CommandName.CHECK, {"programme": programme, "motor": motor, "setup": setup})
        if isinstance(reply.result, Fits):
            await client.first_state()
            meta = client.meta()
            units = {} if meta is None else {channel.name: channel.unit for channel in meta.channels}
            voice.line(heard.fits(reply.result, units))
        return _told(reply, voice)

    reach(access, ask)


def _told(reply: Reply, voice: Voice) -> int:
    """The exit status of a command's last answer, after what is to be said of it."""
    voice.whole(reply)
    if reply.stage == "done":
        return Status.DONE
    voice.sentence(heard.plain(reply.sentence or f"{reply.command} was {reply.stage} ({reply.code})."))
    return Status.TRIPPED if reply.code is Code.TRIPPED else Status.FAILED


# what commands


@app.command(short_help="Test one specimen and say what came out.")
def run(
    programme: ProgrammeName,
    motor: MotorName,
    setup: SetupName,
    *,
    order: Annotated[str, typer.Option(help="Order number.")],
    serial: Annotated[str, typer.Option(help="Serial number of the specimen.")],
    operator: Annotated[str, typer.Option(help="Who is responsible at the bench.")],
    broker: BrokerOption = "localhost",
    bench: BenchOption = None,
    name: NameOption = None,
    username: UserOption = None,
    password_file: PasswordOption = None,
    as_json: JsonOption = False,
) -> None:
    """Choose the run, reset, start, follow it to its end, and print the decision and the headline results.

    The exit status tells the decision. Ctrl-C asks the bench to stop, a second one to abort; without this command, or
    without the broker, the run goes on by itself.
    """
    access = Access(
        broker=broker, bench=bench, name=name, username=username, password_file=password_file, as_json=as_json
    )
    choice = {
        "programme": programme,
        "motor": motor,
        "setup": setup,
        "order": order,
        "serial": serial,
        "operator": operator,
    }

    async def play(client: BenchClient, voice: Voice) -> int:
        return await FollowedRun(client, choice, voice).play()

    reach(access, play, data=True, keep_s=KEEP_S)


app.command(short_help="Set speed, torque and voltage by hand.")(manual)


@app.command(short_help="Answer what the operator is asked.")
def answer(
    words: Annotated[
        list[str], typer.Argument(metavar="[ID] ANSWER", help="Without an ID the question that is open now.")
    ],
    *,
    broker: BrokerOption = "localhost",
    bench: BenchOption = None,
    name: NameOption = None,
    username: UserOption = None,
    password_file: PasswordOption = None,
    as_json: JsonOption = False,
) -> None:
    """Answer the question that a test has put to the operator; `benchctl status` shows it. You answer for what you saw.

    It needs control, as every command does; a run that `benchd serve` plays for its own command line is open to all.
    """
    if len(words) > 2:
        fail("Give one answer, or the question's ID and one answer; an answer of several words in quotes.", USAGE)
    access = Access(
        broker=broker, bench=bench, name=name, username=username, password_file=password_file, as_json=as_json
    )

    async def give(client: BenchClient, voice: Voice) -> int:
        state = await client.first_state()
        asked = state.question.id if len(words) == 1 and state.question is not None else words[0]
        if len(words) == 1 and state.question is None:
            voice.sentence("Nothing is asked just now: there is nothing to answer.")
            return Status.FAILED
        arguments = {"question": asked, "answer": words[-1]}
        if state.control is not None and state.control.holder == COMMAND_LINE:
            reply = await client.ask(CommandName.ANSWER, arguments)
        else:
            async with client.control() as control:
                reply = await client.ask(CommandName.ANSWER, arguments, fence=control.fence)
        if reply.stage == "done":
            voice.line(heard.plain(f'{client.bench}: answered "{words[-1]}" to {asked}'))
        return _told(reply, voice)

    reach(access, give)


ACTS = {
    CommandName.RESET: "Make the bench ready to start: devices read back, zeros measured.",
    CommandName.START: "Start the run that is chosen.",
    CommandName.HOLD: "Pause the run; what energy is held meanwhile is the test's to say.",
    CommandName.UNHOLD: "Go on with a held run.",
    CommandName.STOP: "Stop under control; anybody may. It is not a safety function.",
    CommandName.ABORT: "Take energy away at once; anybody may. It is not a safety function.",
    CommandName.CLEAR: "Acknowledge why energy was taken away; nothing starts by itself.",
}


def _offer(command: CommandName, words: str) -> None:
    def act(
        *,
        broker: BrokerOption = "localhost",
        bench: BenchOption = None,
        name: NameOption = None,
        username: UserOption = None,
        password_file: PasswordOption = None,
        as_json: JsonOption = False,
    ) -> None:
        access = Access(
            broker=broker, bench=bench, name=name, username=username, password_file=password_file, as_json=as_json
        )

        async def ask(client: BenchClient, voice: Voice) -> int:
            reply = await _obeyed(client, command, voice)
            if reply.stage == "done":
                voice.line(f"{client.bench}: {reply.state}")
            return _told(reply, voice)

        reach(access, ask)

    act.__doc__ = words
    app.command(command.value, short_help=words.partition(";")[0].partition(":")[0].rstrip(".") + ".")(act)


async def _obeyed(client: BenchClient, command: CommandName, voice: Voice) -> Reply:
    """The last answer; control is held for as long as the command takes, where it needs it."""

    def tell_progress(reply: Reply) -> None:
        voice.progress(heard.plain(reply.sentence))

    if command in FREE_STOPS:
        return await client.ask(command, on_progress=tell_progress)
    async with client.control() as control:
        return await client.ask(command, fence=control.fence, on_progress=tell_progress)


for _command, _words in ACTS.items():
    _offer(_command, _words)


if __name__ == "__main__":
    main()
