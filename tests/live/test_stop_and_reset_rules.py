"""Stop categories and reset rules, one test a rule, on the twin: what stops, and that no reset starts anything.

Stop categories: IEC 60204-1, 9.2.2. Emergency stop and its reset: ISO 13850; 2006/42/EC, Annex I, 1.2.4.3. Unexpected
start-up: ISO 14118. Guards: ISO 14119, ISO 14120. Values and wording from memory. The chain here is a simulated one.
"""

import asyncio
from pathlib import Path

import pytest

from benchd.live.supervision import chain_objection
from benchd.rules.states import Command, NotAllowed, State
from benchd_rig.safety_chain import Button

from .twin_bench import OnTwin, running

pytestmark = pytest.mark.virtual_time

A_WHILE_S = 60.0
OPENINGS = {
    "emergency stop": (Button.ESTOP, Button.RELEASE_ESTOP, "emergency stop is pressed"),
    "movable guard": (Button.OPEN_GUARD, Button.CLOSE_GUARD, "movable guard is open"),
}
openings = pytest.mark.parametrize("opening", OPENINGS)


def powered(bench: OnTwin) -> list[str]:
    """Which devices could bring energy onto the shaft, by the plant's own word."""
    rig = bench.rig
    rig.advance()
    found = [name for name, drive in rig.drives.items() if drive.power_stage_on]
    return [*found, "supply"] if rig.supply.output_on else found


async def stays_dead(bench: OnTwin, state: State) -> None:
    """For a while nothing is powered and the state does not change by itself."""
    loop = asyncio.get_running_loop()
    until_s = loop.time() + A_WHILE_S
    while loop.time() < until_s:
        assert powered(bench) == []
        assert bench.state is state
        await asyncio.sleep(0.5)


def refused(bench: OnTwin, *commands: Command) -> None:
    for command in commands:
        before = bench.state
        with pytest.raises(NotAllowed):
            bench.live.command(command, because="the test")
        assert bench.state is before


async def tripped(bench: OnTwin, button: Button) -> None:
    await bench.start()
    await bench.turning()
    assert powered(bench)
    bench.rig.safety_chain.press(button)
    assert await bench.settle() is State.ABORTED


# what stops


@openings
async def test_category_0_power_goes_at_once_by_the_chain_and_the_run_ends_with_its_input_as_the_cause(
    tmp_path: Path, opening: str
) -> None:
    button, _, words = OPENINGS[opening]
    async with running(tmp_path) as bench:
        await bench.start()
        await bench.turning()
        bench.rig.safety_chain.press(button)
        await asyncio.sleep(0.05)  # by relays, whatever benchd does
        assert powered(bench) == []
        assert await bench.settle() is State.ABORTED
        assert words in bench.live.cause.sentence
        assert bench.recorded.endings[0][0] == "aborted"


async def test_category_1_a_stop_brakes_first_and_takes_power_away_at_standstill(tmp_path: Path) -> None:
    async with running(tmp_path) as bench:
        await bench.start()
        await bench.turning()
        bench.live.command(Command.STOP, because="the test")
        await asyncio.sleep(0.05)
        assert "load_drive" in powered(bench)  # it brakes
        await bench.until(lambda: "load_drive" not in powered(bench), "the power stage to go off")
        assert abs(bench.truth.motor_speed_rpm) < 50.0  # from 500 r/min and more
        assert await bench.settle() is State.STOPPED
        assert powered(bench) == []


async def test_category_2_held_leaves_power_on_and_says_so_by_its_state(tmp_path: Path) -> None:
    async with running(tmp_path) as bench:
        await bench.start()
        await bench.turning()
        assert await bench.command(Command.HOLD) is State.HELD
        assert set(powered(bench)) == {"load_drive", "supply"}
        assert bench.live.energised


@openings
@pytest.mark.parametrize("state", [State.EXECUTE, State.HOLDING, State.HELD, State.UNHOLDING, State.STOPPING])
async def test_an_emergency_stop_or_an_open_guard_overrides_whatever_is_under_way(
    tmp_path: Path, opening: str, state: State
) -> None:
    async with running(tmp_path) as bench:
        await bench.start()
        await bench.turning()
        if state in {State.HOLDING, State.HELD, State.UNHOLDING}:
            bench.live.command(Command.HOLD, because="the test")
        if state in {State.HELD, State.UNHOLDING}:
            await bench.until(lambda: bench.state is State.HELD, "Held")
        if state is State.UNHOLDING:
            bench.live.command(Command.UNHOLD, because="the test")
        if state is State.STOPPING:
            bench.live.command(Command.STOP, because="the test")
        assert bench.state is state
        bench.rig.safety_chain.press(OPENINGS[opening][0])
        await bench.until(lambda: bench.state is State.ABORTED, "Aborted")
        assert powered(bench) == []


async def test_an_emergency_stop_while_people_are_warned_ends_the_start_with_nothing_enabled(tmp_path: Path) -> None:
    async with running(tmp_path, warning_s=2.0) as bench:
        await bench.command(Command.RESET)
        bench.live.command(Command.START, because="the test")
        await asyncio.sleep(1.0)
        bench.rig.safety_chain.press(Button.ESTOP)
        assert await bench.settle() is State.STOPPED
        assert not bench.told("tripped")
        assert "emergency stop" in bench.told("failed")[0]["sentence"]
        assert powered(bench) == []


# what no reset does


@openings
async def test_undoing_what_opened_the_chain_permits_nothing_and_starts_nothing(tmp_path: Path, opening: str) -> None:
    button, undone, _ = OPENINGS[opening]
    async with running(tmp_path) as bench:
        await tripped(bench, button)
        bench.rig.safety_chain.press(undone)
        await stays_dead(bench, State.ABORTED)
        assert not bench.rig.safety_chain.permit


@openings
async def test_resetting_the_chain_permits_a_restart_and_starts_nothing(tmp_path: Path, opening: str) -> None:
    button, undone, _ = OPENINGS[opening]
    async with running(tmp_path) as bench:
        await tripped(bench, button)
        bench.rig.safety_chain.press(undone)
        bench.rig.safety_chain.press(Button.RESET)
        assert bench.rig.safety_chain.permit
        await stays_dead(bench, State.ABORTED)
        refused(bench, Command.RESET, Command.START, Command.UNHOLD)


@openings
async def test_after_it_a_run_needs_clear_then_reset_then_start_and_none_of_the_first_two_powers_anything(
    tmp_path: Path, opening: str
) -> None:
    button, undone, _ = OPENINGS[opening]
    async with running(tmp_path) as bench:
        await tripped(bench, button)
        bench.rig.safety_chain.press(undone)
        bench.rig.safety_chain.press(Button.RESET)
        assert await bench.command(Command.CLEAR) is State.STOPPED
        await stays_dead(bench, State.STOPPED)
        refused(bench, Command.START, Command.UNHOLD)
        assert await bench.command(Command.RESET) is State.IDLE
        await stays_dead(bench, State.IDLE)
        assert await bench.command(Command.START) is State.COMPLETE


@openings
async def test_clear_does_not_reset_the_chain_and_reset_is_refused_while_it_is_open(
    tmp_path: Path, opening: str
) -> None:
    button, _, words = OPENINGS[opening]
    async with running(tmp_path) as bench:
        await tripped(bench, button)
        assert await bench.command(Command.CLEAR) is State.STOPPED
        assert not bench.rig.safety_chain.permit
        assert await bench.command(Command.RESET) is State.STOPPED
        assert words in bench.told("failed")[-1]["sentence"]


async def test_a_guard_that_is_closed_again_is_no_start_however_often(tmp_path: Path) -> None:
    async with running(tmp_path) as bench:
        assert await bench.command(Command.RESET) is State.IDLE
        for button in (Button.OPEN_GUARD, Button.CLOSE_GUARD, Button.RESET) * 3:
            bench.rig.safety_chain.press(button)
            await asyncio.sleep(1.0)
        await stays_dead(bench, State.IDLE)


async def test_a_daemon_that_comes_up_starts_nothing_though_the_chain_gives_its_permit(tmp_path: Path) -> None:
    async with running(tmp_path) as bench:
        assert chain_objection(bench.live.chain()) is None
        await stays_dead(bench, State.STOPPED)


# from afar


async def test_nothing_starts_from_afar_while_the_selector_is_on_local(tmp_path: Path) -> None:
    async with running(tmp_path) as bench:
        bench.rig.safety_chain.press(Button.LOCAL)
        assert await bench.command(Command.RESET) is State.IDLE  # read-backs only
        assert await bench.command(Command.START) is State.STOPPED
        assert "on local" in bench.told("failed")[-1]["sentence"]
        assert not bench.told("start_warning")
        assert powered(bench) == []


async def test_turning_the_selector_to_local_ends_a_run_and_turning_it_back_starts_nothing(tmp_path: Path) -> None:
    async with running(tmp_path) as bench:
        await tripped(bench, Button.LOCAL)
        assert "turned to local" in bench.live.cause.sentence
        bench.rig.safety_chain.press(Button.REMOTE)
        await stays_dead(bench, State.ABORTED)


async def test_people_are_warned_by_the_chains_horn_before_anything_is_enabled_and_it_ends(tmp_path: Path) -> None:
    async with running(tmp_path, warning_s=2.0) as bench:
        await bench.command(Command.RESET)
        bench.live.command(Command.START, because="the test")
        heard_s = 0.0
        while bench.state is State.STARTING:
            if bench.rig.safety_chain.start_warning:
                assert powered(bench) == []
                heard_s += 0.01
            await asyncio.sleep(0.01)
        assert heard_s == pytest.approx(2.0, abs=0.1)
        assert not bench.rig.safety_chain.start_warning
        assert bench.told("start_warning") == [{"seconds": 2.0, "announced": True}]


async def test_a_horn_that_does_not_confirm_refuses_the_start(tmp_path: Path) -> None:
    async with running(tmp_path) as bench:
        await bench.command(Command.RESET)
        bench.rig.faults["safety_chain"].switch("ignore_writes", on=True, times=0, parameters={})
        assert await bench.command(Command.START) is State.STOPPED
        assert "start warning was not given" in bench.told("failed")[-1]["sentence"]
        assert powered(bench) == []


async def test_a_start_that_is_stopped_while_people_are_warned_silences_the_horn(tmp_path: Path) -> None:
    async with running(tmp_path, warning_s=5.0) as bench:
        await bench.command(Command.RESET)
        bench.live.command(Command.START, because="the test")
        await bench.until(lambda: bench.rig.safety_chain.start_warning, "the horn")
        assert await bench.command(Command.STOP) is State.STOPPED
        assert not bench.rig.safety_chain.start_warning


async def test_a_second_start_is_refused_in_one_sentence_and_changes_nothing(tmp_path: Path) -> None:
    async with running(tmp_path) as bench:
        await bench.command(Command.RESET)
        bench.live.command(Command.START, because="the test")
        with pytest.raises(
            NotAllowed, match=r"^Start is not possible in Starting; possible commands now: Stop, Abort\.$"
        ):
            bench.live.command(Command.START, because="the test")
        assert bench.state is State.STARTING


# what is told


async def test_every_change_of_an_input_is_recorded_in_the_words_of_the_trade(tmp_path: Path) -> None:
    async with running(tmp_path) as bench:
        await bench.start()
        await bench.turning()
        bench.rig.safety_chain.press(Button.OPEN_GUARD)
        await bench.settle()
        for button in (Button.CLOSE_GUARD, Button.RESET, Button.STO, Button.LOCAL):
            bench.rig.safety_chain.press(button)
            await asyncio.sleep(0.2)
        told = [fields["sentence"] for fields in bench.told("interlock")]
        assert told == [
            "The movable guard was opened.",
            "Safe torque off became active.",
            "The safety chain withdrew its permit.",
            "The movable guard was closed.",
            "Safe torque off is not active any more.",
            "The safety chain was reset and gives its permit.",
            "Safe torque off became active.",
            "The selector at the bench was turned to local.",
        ]
        recorded = [event for event in bench.recorded.events if event["event"].startswith("interlock")]
        assert recorded[0]["event"] == "interlocks"
        assert recorded[0]["movable_guard"] == "closed"
        assert recorded[0]["release_at_the_bench"] == "not pressed"
        assert "The movable guard was opened." in [event.get("sentence") for event in recorded]


@pytest.mark.parametrize("device", ["supply", "load_drive"])
async def test_what_tripped_by_itself_at_rest_is_acknowledged_by_reset_for_clear_is_not_possible_there(
    tmp_path: Path, device: str
) -> None:
    async with running(tmp_path) as bench:
        bench.rig.trip(device)
        await asyncio.sleep(0.3)
        await bench.start()
        await bench.turning()
        assert bench.live.cause is None
