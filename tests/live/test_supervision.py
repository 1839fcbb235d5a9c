"""What readings object to: every input of the chain, every device that is not what it shall be, and nothing else."""

from dataclasses import replace

import pytest

from benchd.contract import DriveState
from benchd.live.supervision import chain_objection, objection, silent_after_s, stall, untaken
from benchd.rules.limits import Reaction

from .pair_parts import METER, MOTOR, PairWorld
from .parts import CHAIN, LOAD, SINK, SUPPLY, UNIT, World, bench_plan, readings

PLAN = bench_plan()
ON = World(output_on=True, stage_on=True, sink_on=True)
OFF = World()


def healthy(ref, *, world: World = ON):
    return readings(world, 1.0)[ref]


@pytest.mark.parametrize("ref", [SUPPLY, SINK, LOAD, CHAIN, UNIT], ids=str)
@pytest.mark.parametrize("enabled", [True, False])
def test_a_healthy_bench_objects_to_nothing(ref, enabled: bool) -> None:
    assert objection(ref, healthy(ref, world=ON if enabled else OFF), plan=PLAN, enabled=enabled) is None


CHAIN_CASES = [
    ({"estop_released": False, "guard_closed": False, "permit": False}, "emergency stop"),
    ({"guard_closed": False, "permit": False, "torque_enabled": False}, "guard is open"),
    ({"torque_enabled": False}, "Safe torque off"),
    ({"permit": False}, "no permit"),
]


@pytest.mark.parametrize(("changes", "words"), CHAIN_CASES)
def test_an_open_chain_is_a_cut_that_the_hardware_has_made_already_most_telling_input_first(changes, words) -> None:
    reading = replace(healthy(CHAIN), **changes)
    assert words in chain_objection(reading)
    cause = objection(CHAIN, reading, plan=PLAN, enabled=False)
    assert words in cause.sentence
    assert cause.chain_open
    assert cause.reaction is Reaction.CUT


@pytest.mark.parametrize("required", [True, False])
def test_local_takes_control_away_only_where_the_bench_file_asks_for_remote(required: bool) -> None:
    plan = replace(PLAN, starting=replace(PLAN.starting, remote_required=required))
    cause = objection(CHAIN, replace(healthy(CHAIN), remote_selected=False), plan=plan, enabled=False)
    assert (cause is not None) is required
    assert cause is None or not cause.chain_open  # the energy is still there


DEVICE_CASES = [
    (SUPPLY, {"tripped": True}, False, "tripped by its own protection", frozenset()),
    (SUPPLY, {"tripped": True}, True, "tripped by its own protection", frozenset()),
    (SUPPLY, {"output_on": False}, True, "switched its output off", frozenset()),
    (SUPPLY, {"output_on": False}, False, None, None),
    (SINK, {"tripped": True}, True, "no longer holds the DC link", {"sink"}),
    (SINK, {"input_on": False}, True, "no longer holds the DC link", {"sink"}),
    (SINK, {"input_on": False}, False, None, None),
    (LOAD, {"state": DriveState.FAULT, "fault_code": 0x8400}, False, "fault 8400h", {"load_drive"}),
    (LOAD, {"state": DriveState.FAULT_REACTION_ACTIVE}, True, "fault", {"load_drive"}),
    (LOAD, {"state": DriveState.SWITCH_ON_DISABLED}, True, "left Operation enabled", {"load_drive"}),
    (LOAD, {"state": DriveState.QUICK_STOP_ACTIVE}, True, "left Operation enabled", {"load_drive"}),
    (LOAD, {"state": DriveState.SWITCH_ON_DISABLED}, False, None, None),
]


@pytest.mark.parametrize(("ref", "changes", "enabled", "words", "doubted"), DEVICE_CASES)
def test_a_device_that_is_not_what_it_shall_be_is_a_cut(ref, changes, enabled, words, doubted) -> None:
    cause = objection(ref, replace(healthy(ref), **changes), plan=PLAN, enabled=enabled)
    if words is None:
        assert cause is None
    else:
        assert words in cause.sentence
        assert cause.reaction is Reaction.CUT
        assert cause.doubted == doubted


def test_what_the_chain_also_does_to_a_device_says_that_it_looks_like_the_chain() -> None:
    for ref, changes in ((SUPPLY, {"output_on": False}), (LOAD, {"state": DriveState.SWITCH_ON_DISABLED})):
        assert objection(ref, replace(healthy(ref), **changes), plan=PLAN, enabled=True).looks_like_chain


def test_one_trouble_is_one_cause_whatever_its_numbers() -> None:
    told = {
        objection(SUPPLY, replace(healthy(SUPPLY), tripped=True, voltage_v=v), plan=PLAN, enabled=True).told_as
        for v in (11.0, 12.0)
    }
    assert len(told) == 1


@pytest.mark.parametrize(("poll_hz", "silent_s"), [(100.0, 0.5), (20.0, 0.5), (5.0, 1.2)])
def test_silence_is_six_polls_and_never_shorter_than_a_reconnection(poll_hz: float, silent_s: float) -> None:
    assert silent_after_s(poll_hz) == pytest.approx(silent_s)


def test_a_stall_of_the_process_is_a_cause_that_doubts_no_device() -> None:
    cause = stall(0.99)
    assert cause.reaction is Reaction.CUT
    assert cause.doubted == frozenset()
    assert "0.99 s" in cause.sentence


def test_a_refused_set_point_ramps_down_and_cuts_where_it_was_ramping_down_already() -> None:
    assert untaken(SUPPLY, "no", stopping=False).reaction is Reaction.RAMP_DOWN
    assert untaken(SUPPLY, "no", stopping=True).reaction is Reaction.CUT


PAIR = PairWorld()
METER_CASES = [
    ({"pair": 12, "power_leads_open": True}, True, True, None),
    ({"pair": 0, "power_leads_open": False}, True, True, None),
    ({"pair": 12, "power_leads_open": False}, True, True, "terminals 12 connected with the power leads closed"),
    ({"pair": 0, "power_leads_open": False}, True, False, None),
    ({"pair": 23, "power_leads_open": True}, True, False, "terminals 23 connected while the specimen is energised"),
    ({"pair": 0, "power_leads_open": True}, True, False, "power leads open while it is energised"),
    ({"pair": 23, "power_leads_open": True}, False, False, None),
]


@pytest.mark.parametrize(("changes", "enabled", "measuring", "words"), METER_CASES)
def test_contacts_and_power_leads_exclude_each_other(changes, enabled: bool, measuring: bool, words) -> None:
    reading = replace(PAIR.readings(1.0)[METER], **changes)
    cause = objection(METER, reading, plan=PAIR.plan(), enabled=enabled, measuring=measuring)
    assert (cause is None) is (words is None)
    if cause is not None:
        assert words in cause.sentence
        assert cause.doubted == {"resistance_meter"}


@pytest.mark.parametrize("ref", [MOTOR, LOAD], ids=str)
@pytest.mark.parametrize("enabled", [True, False])
def test_a_converter_that_is_off_may_call_its_empty_link_a_fault_and_a_load_drive_may_not(ref, enabled: bool) -> None:
    reading = replace(PAIR.readings(1.0)[ref], state=DriveState.FAULT, fault_code=0x3220)
    cause = objection(ref, reading, plan=PAIR.plan(), enabled=enabled)
    assert (cause is None) is (ref == MOTOR and not enabled)


@pytest.mark.parametrize(
    ("ref", "changes"),
    [
        (SUPPLY, {"output_on": True}),
        (MOTOR, {"state": DriveState.OPERATION_ENABLED}),
        (LOAD, {"state": DriveState.OPERATION_ENABLED}),
    ],
)
def test_whatever_could_turn_the_shaft_must_be_off_while_a_winding_is_measured(ref, changes) -> None:
    reading = replace(PAIR.readings(1.0)[ref], **changes)
    plan = PAIR.plan()
    assert "while the winding is measured" in objection(ref, reading, plan=plan, enabled=False, measuring=True).sentence
    assert objection(ref, reading, plan=plan, enabled=False, measuring=False) is None
