"""The page on commanding works as it stands, with the programs it names, and leaves no code or stage out."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import get_args

import pytest

from benchd.outside.admission import CLOCKS_APART_S
from benchd.outside.commands import (
    FENCED,
    LONGEST_COMMAND_BYTES,
    LONGEST_LEASE_S,
    LONGEST_TTL_S,
    SHORTEST_LEASE_S,
    USUAL_LEASE_S,
    Code,
    CommandName,
    PlainCommand,
    Reply,
)

from .answering_bench import AnsweringBench
from .mosquitto import mosquitto
from .the_page import PAGE, Newcomer, until_it_is


def rows(head: str) -> dict[str, list[str]]:
    """A table of the page by its first column."""
    table = PAGE[PAGE.index(f"| {head} |") :].split("\n\n", 1)[0].splitlines()[2:]
    cells = [[cell.strip() for cell in row.strip("|").split("|")] for row in table]
    return {name: rest for first, *rest in cells for name in re.findall(r"`(\w+)`", first)}


@pytest.fixture
def newcomer(tmp_path: Path) -> Iterator[Newcomer]:
    with mosquitto(tmp_path) as broker, AnsweringBench(port=broker.port, run_s=0.5).in_a_thread():
        reader = Newcomer({"PORT=1883": f"PORT={broker.port}", '"localhost", 1883': f'"localhost", {broker.port}'})
        yield reader
        reader.leave()


@pytest.mark.wires
def test_a_newcomer_commands_the_bench_from_a_shell_by_the_page_alone(newcomer: Newcomer) -> None:
    assert newcomer.see()["online"] is True
    newcomer.does_next("programmes")
    assert {"name": "pump_48v", "title": "vineyard pump, 48 V"} in newcomer.answered("programmes")["result"]["motors"]
    given = newcomer.answered("control")
    newcomer.says_the_number(given["result"]["fence"])
    for command in ("load", "reset", "start", "control", "stop", "release"):
        newcomer.does_next(f"ask {command}")
        reply = newcomer.answered(command)
        assert (reply["stage"], reply["code"]) == ("done", "ok"), reply
    assert newcomer.finished
    until_it_is(newcomer, "Stopped")


@pytest.mark.wires
def test_a_newcomer_has_a_run_played_from_python_by_the_page_alone(newcomer: Newcomer) -> None:
    said = newcomer.python()
    assert said[:-1] == ["control done ", "load done ", "reset done ", "start done "]
    assert said[-1] == "evaluated accepted The specimen is accepted."


@pytest.mark.wires
def test_the_page_s_program_ends_where_it_is_refused(newcomer: Newcomer) -> None:
    newcomer.does_next("control")
    newcomer.answered("control")
    with pytest.raises(AssertionError, match="ines holds control"):
        newcomer.python()


def test_the_page_tells_every_command_every_stage_and_every_code() -> None:
    assert list(rows("`code`")) == list(Code)
    assert sorted(rows("`stage`")) == sorted(get_args(Reply.model_fields["stage"].annotation))
    commands = rows("command")
    assert list(commands) == list(CommandName)
    assert {name for name, (control, _) in commands.items() if control == "yes"} == FENCED
    assert set(rows("key")) == set(PlainCommand.model_fields)


def test_the_page_s_numbers_are_those_of_the_models() -> None:
    for number in (
        f"(0 to {LONGEST_TTL_S:g}, {PlainCommand.model_fields['ttl_s'].default:g} if you leave it out)",
        f"({SHORTEST_LEASE_S:g} to {LONGEST_LEASE_S:g}, {USUAL_LEASE_S:g} if you leave it out)",
        f"at most {LONGEST_COMMAND_BYTES:,} bytes".replace(",", " "),
        f"more than {CLOCKS_APART_S:g} s ahead",
    ):
        assert number in PAGE, number
