"""One thing breaks in a loaded run of a brushed motor: one row a kind, judged by the plant alone.

What existing stories tell is not told again: `kinds.py` lists where each kind is.
"""

import asyncio
from pathlib import Path

import pytest

from benchd.rules.states import Command, NotAllowed, State
from tests.live.twin_bench import OnTwin
from tests.scenarios.one_fault import Row, played
from tests.scenarios.striking import Strike, broken, pressed, trips, wire

SILENT_S = 0.8  # half a second without a word, a poll, a reply and the order
SILENT_J = 15.0


def flickers(*buttons: str, apart_s: float) -> Strike:
    """Buttons pressed one after the other, faster than anybody could."""

    def strike(bench: OnTwin) -> None:
        loop = asyncio.get_running_loop()
        for number, button in enumerate(buttons):
            loop.call_later(number * apart_s, _press, bench, button)

    return strike


def _press(bench: OnTwin, button: str) -> None:
    bench.rig.advance()
    pressed(button)(bench)


def silent(device: str, kind: str, *, words: str = "", within_s: float = SILENT_S, joule: float = SILENT_J) -> Row:
    """A device of which nothing that can be used is heard."""
    return Row(
        breaks=f"{device} {kind}", strike=wire(device, kind), words=words or device, within_s=within_s, joule=joule
    )


def twice(device: str, *, within_s: float = SILENT_S, joule: float = SILENT_J) -> Row:
    """Each answer comes twice, so that the next question finds the previous answer: it is lost again and again."""
    strike = wire(device, "duplicate_reply")
    return Row(
        breaks=f"{device} gives the previous answer",
        strike=strike,
        words=device,
        within_s=within_s,
        joule=joule,
        lines=80,
    )


ROWS = (
    silent("supply", "hang", within_s=1.2, joule=50.0),
    silent("sink", "hang"),
    silent("measuring_unit", "hang"),
    silent("load_drive", "hang"),
    silent("safety_chain", "hang"),
    silent("thermometers", "hang", within_s=5.0, joule=80.0),
    silent("cabinet_thermometers", "hang", within_s=7.0, joule=120.0),
    silent("supply", "garbage", within_s=1.2, joule=50.0),
    silent("measuring_unit", "garbage"),
    silent("load_drive", "garbage"),
    silent("load_drive", "truncated_reply"),
    silent("load_drive", "drop"),
    silent("load_drive", "wrong_transaction"),
    twice("supply", within_s=1.2, joule=50.0),
    twice("measuring_unit"),
    twice("load_drive"),
    Row(breaks="supply not a number", strike=wire("supply", "nan"), words="supply", within_s=1.0, joule=15.0, lines=80),
    Row(breaks="sink not a number", strike=wire("sink", "nan"), words="sink", within_s=1.0, joule=15.0, lines=80),
    silent("measuring_unit", "nan"),
    silent("thermometers", "nan", within_s=5.0, joule=80.0),
    Row(
        breaks="load_drive answers late",
        strike=wire("load_drive", "late_reply", delay_s=0.15),
        words="load_drive",
        within_s=SILENT_S,
        joule=SILENT_J,
    ),
    Row(
        breaks="load_drive refuses set-points",
        strike=wire("load_drive", "says_no"),
        words="load_drive.axis did not take a set-point",
        within_s=0.3,
        joule=5.0,
    ),
    Row(
        breaks="load_drive confirms and does not obey",
        strike=wire("load_drive", "ignore_writes"),
        words="load_drive.axis did not take a set-point",
        within_s=0.3,
        joule=5.0,
    ),
    Row(breaks="supply over-voltage trip", strike=trips("supply"), words="own protection", within_s=0.5, joule=2.0),
    Row(
        breaks="transducer lead off",
        strike=broken("transducer_lead_open"),
        words="shaft_torque",
        within_s=0.7,
        joule=15.0,
    ),
    Row(breaks="current lead off", strike=broken("current_lead_open"), words="dc_current", within_s=0.7, joule=15.0),
    Row(
        breaks="rotor jams",  # at the supply's current limit of 9.5 A until it is noticed
        strike=broken("rotor_jammed"),
        words="shaft stands",
        within_s=2.5,
        joule=250.0,
    ),
    Row(
        breaks="safe torque off flickers",
        strike=flickers("sto", "release_sto", apart_s=0.06),
        words="Safe torque off",
        within_s=0.1,
        joule=2.0,
    ),
    Row(
        breaks="permit flickers",
        strike=flickers("estop", "release_estop", "reset", apart_s=0.02),
        words="safety chain",
        within_s=0.1,
        joule=2.0,
    ),
)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
def test_the_energy_goes_and_the_cause_is_named(tmp_path: Path, row: Row) -> None:
    seen = played(tmp_path, row)
    assert seen.wrong == [], seen


DISAGREE = (  # by the channels that the bench file derives from two others
    Row(
        breaks="measuring_unit stuck",
        strike=wire("measuring_unit", "stuck_value"),
        words="shaft_speed",
        within_s=2.0,
        joule=60.0,
        gathering_speed=True,
    ),
    Row(
        breaks="load_drive stuck",
        strike=wire("load_drive", "stuck_value"),
        words="drive_speed",
        within_s=2.0,
        joule=60.0,
        gathering_speed=True,
    ),
    Row(
        breaks="transducer sign flipped",
        strike=broken("transducer_sign_flipped"),
        words="torque",
        within_s=2.0,
        joule=60.0,
    ),
    Row(breaks="coupling breaks at speed", strike=broken("coupling_broken"), words="speed", within_s=2.0, joule=60.0),
    Row(breaks="encoder shows no speed", strike=broken("encoder_silent"), words="speed", within_s=2.0, joule=60.0),
)


@pytest.mark.parametrize("row", DISAGREE, ids=lambda row: row.name)
def test_what_two_channels_tell_differently_is_seen(tmp_path: Path, row: Row) -> None:
    seen = played(tmp_path, row)
    assert seen.wrong == [], seen


def test_a_heartbeat_that_is_refused_is_named_as_the_cause(tmp_path: Path) -> None:
    """The energy goes all the same, as every other row asks: only the sentence names something else."""
    row = Row(
        breaks="safety_chain refuses the heartbeat",
        strike=wire("safety_chain", "says_no"),
        words="heartbeat",
        within_s=0.7,
        joule=15.0,
    )
    seen = played(tmp_path, row)
    assert seen.wrong == [], seen


def start_again(bench: OnTwin) -> None:
    """Somebody gives Start a second time, and Reset beside it."""
    for command in (Command.START, Command.RESET):
        with pytest.raises(NotAllowed):
            bench.live.command(command, because="somebody else")
    assert bench.state is State.EXECUTE
    bench.live.command(Command.STOP, because="the story")


def test_start_sent_twice_begins_nothing_and_disturbs_nothing(tmp_path: Path) -> None:
    row = Row(
        breaks="Start sent twice",
        strike=start_again,
        words="",
        within_s=2.5,
        joule=20.0,
        ends=frozenset({State.STOPPED}),
    )
    seen = played(tmp_path, row)
    assert seen.wrong == [], seen
    assert seen.sentence == ""
