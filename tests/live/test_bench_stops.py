"""Stopping seen from the whole live room: every state, two causes at once, and what fails while it stops already."""

import asyncio
import itertools
import math

import pytest

from benchd.contract import DriveState
from benchd.live.causes import Cause
from benchd.rules.limits import Reaction
from benchd.rules.states import COMPLETION, Command, NotAllowed, State

from .made_up_bench import made_up
from .parts import SAFE_TIME_S
from .stop_stories import CUT, GENTLE, in_state, rests

pytestmark = pytest.mark.virtual_time

STOPPABLE = [s for s in State if s in COMPLETION or s in {State.IDLE, State.HELD, State.COMPLETE}]
NOT_STOPPABLE = {State.STOPPING, State.ABORTING, State.CLEARING, State.SUSPENDING, State.UNSUSPENDING}


@pytest.mark.parametrize("state", [s for s in STOPPABLE if s not in NOT_STOPPABLE], ids=lambda s: s.title)
async def test_stop_from_every_state_ends_in_stopped_and_at_rest(state: State) -> None:
    async with made_up() as bench:
        await in_state(bench, state)
        bench.order(Command.STOP)
        assert await bench.settle() is State.STOPPED
        rests(bench)
        assert bench.live.cause is None
        assert "safety_chain.withdraw_permit" not in bench.world.names()


@pytest.mark.parametrize(
    "state",
    [s for s in [*STOPPABLE, State.STOPPED] if s not in {State.SUSPENDING, State.UNSUSPENDING}],
    ids=lambda s: s.title,
)
async def test_abort_from_every_state_ends_in_aborted_and_at_rest_within_the_time_of_a_cut(state: State) -> None:
    async with made_up() as bench:
        await in_state(bench, state)
        bench.order(Command.ABORT)
        assert await bench.until(bench.off, "off", within_s=2.0) <= 1.0
        assert await bench.settle() is State.ABORTED
        rests(bench)
        assert bench.live.cause is not None


@pytest.mark.parametrize("state", [State.EXECUTE, State.HELD, State.STOPPING, State.ABORTING, State.COMPLETING])
@pytest.mark.parametrize(
    ("first", "second"),
    list(itertools.permutations([CUT, GENTLE, Cause(sentence="c", reaction=Reaction.CUT, chain_open=True)], 2)),
    ids=["cut, gentle", "cut, chain", "gentle, cut", "gentle, chain", "chain, cut", "chain, gentle"],
)
async def test_two_causes_at_once_take_energy_away_as_fast_as_the_harder_one(
    state: State, first: Cause, second: Cause
) -> None:
    async with made_up() as bench:
        await in_state(bench, state)
        bench.live.trip(first)
        bench.live.trip(second)
        assert await bench.until(lambda: not bench.world.output_on, "the supply off", within_s=2.0) <= 0.1
        assert await bench.settle() is State.ABORTED
        rests(bench)
        assert len(bench.world.told("tripped")) == 1


async def test_a_cut_in_the_middle_of_a_gentle_abort_ends_it() -> None:
    async with made_up() as bench:
        await in_state(bench, State.ABORTING)
        assert bench.world.output_on
        bench.live.trip(CUT)
        assert await bench.until(lambda: not bench.world.output_on, "the supply off") <= 0.05
        await bench.settle()
        assert bench.live.cause.sentence == GENTLE.sentence  # the first one stays the cause


async def test_abort_by_a_person_in_the_middle_of_a_gentle_abort_ends_it_too() -> None:
    async with made_up() as bench:
        await in_state(bench, State.ABORTING)
        assert bench.order(Command.ABORT) is State.ABORTING
        assert await bench.until(lambda: not bench.world.output_on, "the supply off") <= 0.05
        with pytest.raises(NotAllowed):
            bench.order(Command.ABORT)  # there is nothing harder


@pytest.mark.parametrize("state", [State.EXECUTE, State.HELD, State.STOPPING, State.ABORTING])
async def test_set_points_close_in_the_same_step_as_the_cut(state: State) -> None:
    async with made_up() as bench:
        await in_state(bench, state)
        assert bench.live.setpoints.is_open
        bench.live.trip(CUT)
        assert not bench.live.setpoints.is_open


async def test_what_is_told_in_one_run_is_told_again_in_the_next() -> None:
    warning = Cause(sentence="warm", reaction=Reaction.WARN)
    async with made_up() as bench:
        for run in (1, 2):
            await bench.started()
            for _ in range(3):
                bench.live.trip(warning)
            assert len(bench.world.told("warning")) == run
            bench.order(Command.STOP)
            await bench.settle()


async def test_a_gentle_cause_ramps_down_before_it_switches_off() -> None:
    async with made_up() as bench:
        await bench.turning()
        bench.live.trip(GENTLE)
        assert await bench.until(lambda: not bench.world.output_on, "the supply off") >= 0.9
        assert bench.world.volts == 0.0


@pytest.mark.parametrize("told_in", [State.STOPPING, State.EXECUTE], ids=["told while stopping", "told as a hold"])
async def test_a_cause_acts_in_the_next_run_though_it_was_told_in_the_one_before(told_in: State) -> None:
    async with made_up() as bench:
        await in_state(bench, told_in)
        reaction = Reaction.RAMP_DOWN if told_in is State.STOPPING else Reaction.HOLD
        bench.live.trip(Cause(sentence="the disk is full", reaction=reaction))
        if told_in is State.EXECUTE:
            await bench.settle()
            bench.order(Command.STOP)
        assert await bench.settle() is State.STOPPED
        await bench.turning()
        bench.live.trip(Cause(sentence="the disk is full", reaction=reaction))
        expected = State.ABORTED if reaction is Reaction.RAMP_DOWN else State.HELD
        assert await bench.settle() is expected


async def test_a_second_hold_for_the_same_limit_holds_again() -> None:
    hold = Cause(sentence="warm", reaction=Reaction.HOLD)
    async with made_up() as bench:
        await bench.turning()
        for _ in range(2):
            bench.live.trip(hold)
            assert await bench.settle() is State.HELD
            bench.order(Command.UNHOLD)
            await bench.reach(State.EXECUTE)


@pytest.mark.parametrize("state", [State.STARTING, State.UNHOLDING])
async def test_a_hold_asked_for_where_the_table_has_none_is_obeyed_in_execute(state: State) -> None:
    async with made_up() as bench:
        await in_state(bench, state)
        bench.live.trip(Cause(sentence="warm", reaction=Reaction.HOLD))
        assert await bench.settle() is State.HELD


async def test_a_trip_between_the_drives_enable_and_the_supplys_on_leaves_the_supply_off() -> None:
    async with made_up() as bench:
        bench.order(Command.RESET)
        await bench.settle()
        bench.order(Command.START)
        await bench.until(lambda: bench.world.stage_on, "the drive to be enabled")
        assert not bench.world.output_on
        bench.live.trip(CUT)
        assert await bench.until(lambda: not bench.world.stage_on, "the drive off") <= 0.1
        assert await bench.settle() is State.ABORTED
        rests(bench)
        switched_on = [name for name in bench.world.names() if name == "supply.switch_output True done"]
        assert switched_on == [] or bench.world.names().index("supply.make_safe") > 0


@pytest.mark.parametrize("cause", [CUT, GENTLE])
async def test_no_set_point_reaches_a_device_after_a_trip_but_those_of_the_stop(cause: Cause) -> None:
    async with made_up() as bench:
        await bench.started()
        await asyncio.sleep(0.3)  # both set-points are on their way
        at = len(bench.world.log)
        bench.live.trip(cause)
        await bench.settle()
        after = [name for _, name in bench.world.log[at:]]
        volts = [float(n.split()[1]) for n in after if n.startswith("supply.set_voltage") and "done" not in n]
        if cause is CUT:
            assert len(volts) <= 1  # one may have been on the wire already
        else:
            assert volts == sorted(volts, reverse=True)
        off = after.index("supply.make_safe")
        # one that was on the wire may still be confirmed
        assert not any("supply.set_voltage" in n and "done" not in n for n in after[off:])
        assert not any(
            n.startswith("load_drive.follow_torque") and n.split()[1] not in {"0", "done"} for n in after[off:]
        )


async def test_a_drive_that_falls_silent_while_braking_makes_the_stop_an_abort_that_ends() -> None:
    async with made_up() as bench:
        await bench.turning()
        bench.order(Command.STOP)
        await bench.until(lambda: bench.world.braking_nm is not None, "braking")
        bench.world.behaviour["load_drive"] = "silent"
        began_s = bench.now_s
        assert await bench.settle() is State.ABORTED
        assert "load_drive" in bench.live.cause.sentence
        assert bench.world.permit is False  # it could not be confirmed off
        assert bench.world.when("safety_chain.withdraw_permit") - began_s < 0.5 + SAFE_TIME_S + 0.5
        assert bench.off()


async def test_a_permit_that_goes_while_stopping_is_the_cause_and_both_machines_are_told() -> None:
    async with made_up() as bench:
        await in_state(bench, State.STOPPING)
        bench.world.permit = False
        assert await bench.settle() is State.ABORTED
        assert "Safe torque off" in bench.live.cause.sentence
        assert {"supply.make_safe done", "load_drive.make_safe done"} <= set(bench.world.names())


@pytest.mark.parametrize("shows", [math.nan, math.inf, -1e9, 0.0], ids=["nan", "inf", "absurd", "zero"])
async def test_an_encoder_that_fails_while_stopping_is_never_taken_for_standstill(shows: float) -> None:
    async with made_up() as bench:
        await bench.turning()
        bench.world.drag_nm = 0.002
        bench.order(Command.STOP)
        await bench.until(lambda: bench.world.braking_nm is not None, "braking")
        bench.world.says_speed_rpm = shows
        await bench.settle()
        for name in bench.world.names():
            if name.startswith("disarm at"):
                assert float(name.split()[2]) <= 10.0
        assert bench.off()


async def test_a_sink_that_lets_go_while_stopping_is_noticed() -> None:
    async with made_up() as bench:
        await in_state(bench, State.STOPPING)
        bench.world.sink_on = False
        assert await bench.settle() is State.ABORTED
        assert "sink no longer holds" in bench.live.cause.sentence


async def test_a_supply_that_switches_itself_off_is_a_cause() -> None:
    async with made_up() as bench:
        await bench.turning()
        bench.world.output_on = False
        assert await bench.settle() is State.ABORTED
        assert "switched its output off" in bench.live.cause.sentence


async def test_a_drive_that_leaves_operation_enabled_while_braking_ends_the_braking() -> None:
    async with made_up() as bench:
        await bench.turning()
        bench.live.trip(CUT)
        await bench.until(lambda: bench.world.braking_nm is not None, "braking")
        bench.world.says_state = DriveState.SWITCH_ON_DISABLED
        bench.world.drag_nm, bench.world.braking_nm = 0.01, 0.0
        await bench.until(lambda: "load_drive.make_safe" in bench.world.names(), "let go", within_s=0.2)
        await bench.settle()
        assert "load_drive" in bench.live.cause.doubted


async def test_a_chain_that_hangs_and_opens_is_named_and_not_the_drive_that_it_switched_off() -> None:
    """It opens for want of a heartbeat, and its switched off drive is polled before its silence is long enough."""
    async with made_up() as bench:
        await bench.turning()
        bench.world.behaviour["safety_chain"] = "silent"
        await asyncio.sleep(0.4)
        bench.world.permit = False
        assert await bench.settle() is State.ABORTED
        assert bench.live.cause.sentence.startswith("safety_chain has been silent for"), bench.live.cause
        (explained,) = bench.world.told("explained")
        assert "by itself" in explained["seen_first"]
        assert bench.off()
