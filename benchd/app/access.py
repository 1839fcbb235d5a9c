"""How `benchctl` gets to its bench: options that every command has, a client made from them. It asks nothing."""

import asyncio
import getpass
import re
import socket
import uuid
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, NoReturn

import typer

from benchd.app import heard
from benchd.app.run_followed import Status
from benchd.app.streams import tell
from benchd.app.voice import Voice
from benchd.outside.client import BenchClient, WrongArguments
from benchd.outside.client_wire import ClientError
from benchd.outside.control_kept import NoControl
from benchd.outside.topics import LONGEST_NAME

USAGE = 2
PORT = 1883  # the port registered for MQTT
Job = Callable[[BenchClient, Voice], Awaitable[int]]

BrokerOption = Annotated[
    str, typer.Option("--broker", metavar="HOST[:PORT]", envvar="BENCHCTL_BROKER", help="Where the MQTT broker is.")
]
BenchOption = Annotated[
    str | None, typer.Option("--bench", metavar="NAME", envvar="BENCHCTL_BENCH", help="Which bench; else the only one.")
]
NameOption = Annotated[
    str | None, typer.Option("--name", metavar="NAME", envvar="BENCHCTL_NAME", help="Who asks; else user and computer.")
]
UserOption = Annotated[
    str | None, typer.Option("--username", envvar="BENCHCTL_USERNAME", help="Whom the broker knows.")
]
PasswordOption = Annotated[
    Path | None,
    typer.Option("--password-file", envvar="BENCHCTL_PASSWORD_FILE", help="A file whose first line is the password."),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON for programs.")]


@dataclass(frozen=True, slots=True, kw_only=True)
class Access:
    """Which bench to reach and how."""

    broker: str
    bench: str | None
    name: str | None
    username: str | None
    password_file: Path | None
    as_json: bool


def fail(sentence: str, status: int) -> NoReturn:
    """End with one sentence on standard error."""
    tell(heard.plain(sentence))
    raise typer.Exit(status)


def reach(access: Access, job: Job, *, data: bool = False, keep_s: int = 0) -> NoReturn:
    """Do a job with a client of the bench and exit with its status; whatever keeps it from that is one sentence."""
    host, port = _host_and_port(access.broker)
    password = _password(access.password_file)

    async def whole() -> int:
        async with BenchClient(
            host,
            port,
            bench=access.bench,
            client=access.name or _own_name(),
            username=access.username,
            password=password,
            data=data,
            keep_s=keep_s,
        ) as client:
            return await job(client, Voice(as_json=access.as_json))

    try:
        status = asyncio.run(whole())
    except WrongArguments as error:
        fail(str(error), USAGE)
    except NoControl as error:
        fail(str(error), Status.FAILED)
    except ClientError as error:
        fail(str(error), Status.UNAVAILABLE)
    raise typer.Exit(status)


def _host_and_port(broker: str) -> tuple[str, int]:
    found = re.fullmatch(r"(\[[^\]]+\]|[^:\[\]]+)(?::(\d{1,5}))?", broker)
    port = PORT if found is None or found[2] is None else int(found[2])
    if found is None or not 0 < port < 65536:
        fail(f"--broker {broker} is not HOST or HOST:PORT, such as bench-pc:1883.", USAGE)
    return found[1].strip("[]"), port


def _password(file: Path | None) -> str | None:
    if file is None:
        return None
    try:
        lines = file.read_text(encoding="utf-8").splitlines()
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is no text in UTF-8"
        fail(f"--password-file {file} cannot be read ({why}): give a file whose first line is the password.", USAGE)
    if not lines:
        fail(f"--password-file {file} is empty: its first line must be the password.", USAGE)
    return lines[0]


def _own_name() -> str:
    """Who asks: user and computer as a topic's name, and a few characters that make it one of its kind."""
    try:
        user = getpass.getuser()
    except (OSError, KeyError):
        user = "somebody"
    words = re.sub(r"[^A-Za-z0-9_.-]+", "-", f"{user}-{socket.gethostname()}").lstrip("-._") or "somebody"
    return f"{words[: LONGEST_NAME - 5]}-{uuid.uuid4().hex[:4]}"
