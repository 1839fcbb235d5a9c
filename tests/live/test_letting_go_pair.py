"""A motor drive and a load drive on one shaft: which lets go first, what the other does meanwhile, how fast it gets."""

import asyncio
import itertools
import math
import re

import pytest

from benchd.live.causes import COUPLING, Cause
from benchd.live.engine import ActFailed
from benchd.live.stopping import Stopper
from benchd.rules.limits import Reaction
from benchd.rules.moves import Role, Speed, Torque, Voltage

from .pair_parts import INERTIA_KGM2, LINK_V, Axis, PairWorld, paired
from .parts import RPM, SAFE_TIME_S, parts

pytestmark = pytest.mark.virtual_time

NM = 8.0
LAG_S = 0.025
RACE_RPM = NM * LAG_S / INERTIA_KGM2 * RPM  # the torque that outlasts the other's, on the inertia
HOLDS, FREE = Speed(4000.0, 12.0), 9000.0
WAYS = {
    "the motor drive drives a torque of the load drive": (HOLDS, Torque(NM, FREE)),
    "the motor drive drives a speed of the load drive": (Torque(NM, FREE), Speed(1500.0, 12.0)),
    "the load drive drives a speed of the motor drive": (Speed(1500.0, 12.0), Torque(-NM, FREE)),
    "the load drive drives a torque of the motor drive": (Torque(-NM, FREE), HOLDS),
    "the load drive drives a specimen without torque": (Torque(0.0, FREE), HOLDS),
    "the motor drive turns the shaft alone": (HOLDS, Torque(0.0, FREE)),
}
LOAD_FIRST = {"the load drive drives a speed of the motor drive", "the load drive drives a torque of the motor drive"}
BACKWARDS = r"The shaft was driven backwards while it was let go: from \d+ to -?\d+ r/min\."
DOUBTED = ("", "motor_drive", "load_drive", "measuring_unit", COUPLING, "sink", "supply", "resistance_meter")
COASTING = {"motor_drive", "load_drive", "measuring_unit", COUPLING}


def stopper(rack, unconfirmed: list | None = None) -> Stopper:
    told = [] if unconfirmed is None else unconfirmed
    return Stopper(rack, on_unconfirmed=lambda ref, sentence: told.append((ref.device, sentence)))


async def cut(world: PairWorld, way: str, *, doubted: str = "") -> str:
    """Cut in the steady state of this way; the sentences of what did not confirm."""
    motor, load = WAYS[way]
    cause = Cause(sentence="the test", reaction=Reaction.CUT, doubted=frozenset({doubted} if doubted else ()))
    async with parts(world) as rack:
        await paired(rack, world, motor=motor, load=load)
        try:
            async with asyncio.timeout(60.0):
                await stopper(rack).cut(lambda: cause)
        except ActFailed as failure:
            return str(failure)
        assert not rack.energised
        assert not rack.in_service
        return ""


def test_the_race_of_the_design_is_3800_rpm() -> None:
    assert pytest.approx(3820.0, rel=1e-3) == RACE_RPM


@pytest.mark.parametrize("lagging", ["motor", "load"])
async def test_zeroed_in_a_race_the_machine_that_lags_throws_this_shaft_up(lagging: str) -> None:
    """What the tests below would see if both drives were told at once."""
    world = PairWorld(**{lagging: Axis(lag_s=LAG_S)})
    way = "the motor drive drives a torque of the load drive" if lagging == "motor" else min(LOAD_FIRST)
    async with parts(world) as rack:
        await paired(rack, world, motor=WAYS[way][0], load=WAYS[way][1])
        began_rpm = world.speed_rpm
        world.motor.on = world.stage_on = False
        await asyncio.sleep(0.3)
        share = world.drag_nm / NM  # the shaft rises until the torque that is left equals the drag
        frictionless = 1.0 - share + share * math.log(share)
        assert world.fastest_rpm - began_rpm == pytest.approx(RACE_RPM * frictionless, rel=0.03)


@pytest.mark.parametrize(("way", "doubted", "lagging"), list(itertools.product(WAYS, DOUBTED, ["motor", "load"])))
async def test_no_stop_throws_the_shaft_up_whoever_lags(way: str, doubted: str, lagging: str) -> None:
    world = PairWorld(
        motor=Axis(lag_s=LAG_S if lagging == "motor" else 0.0), load=Axis(lag_s=LAG_S if lagging == "load" else 0.0)
    )
    failed = await cut(world, way, doubted=doubted)
    # a doubted drive is asked for nothing but to let go: it may hold its torque until its turn comes
    share = 0.4 if doubted in {"motor_drive", "load_drive"} else 0.05
    assert world.fastest_rpm - world.began_rpm <= share * RACE_RPM, (world.began_rpm, world.fastest_rpm)
    # the loop of a brake that lags overshoots by up to its torque bound's part in the race: the chain opens for it
    assert world.slowest_rpm >= -RACE_RPM, world.slowest_rpm
    assert failed == "" or re.fullmatch(BACKWARDS, failed), failed
    assert world.permit is (failed == "")
    assert world.permit or world.slowest_rpm < -0.1 * FREE or doubted in {"load_drive", "motor_drive"}
    assert world.off()
    assert abs(world.speed_rpm) <= 10.0


@pytest.mark.parametrize(("way", "doubted"), list(itertools.product(WAYS, DOUBTED)))
async def test_the_machine_that_drives_is_without_torque_before_the_other_lets_go(way: str, doubted: str) -> None:
    world = PairWorld()
    assert await cut(world, way, doubted=doubted) == ""
    names = world.names()
    braked = doubted not in COASTING
    assert bool(world.told("coasting")) is not braked
    first, second = ("load_drive", "motor_drive") if way in LOAD_FIRST else ("motor_drive", "load_drive")
    if braked:
        relieved = [fields["port"].split(".")[0] for fields in world.told("without_torque")]
        if way == "the load drive drives a specimen without torque":
            assert relieved[-1] == "motor_drive"
        else:
            assert relieved == ([first, second] if first == "load_drive" else ["motor_drive"])
        off = [names.index(f"{each}.make_safe") for each in ("motor_drive", "load_drive")]
        assert off == sorted(off)  # the load drive brakes until the end
        assert names.index("motor_drive.follow_torque 0 done") < names.index("motor_drive.make_safe")
        assert names.index("motor_drive.make_safe") < names.index("load_drive.make_safe")
        assert names.index("motor_drive.follow_torque 0 done") < names.index("supply.make_safe")
    elif way != "the load drive drives a specimen without torque":
        assert names.index(f"{first}.make_safe done") < names.index(f"{second}.make_safe")
    assert "resistance_meter.make_safe done" in names
    assert "safety_chain.withdraw_permit" not in names


@pytest.mark.parametrize("way", WAYS)
async def test_the_machine_that_stays_holds_its_torque_bound_before_the_other_is_told(way: str) -> None:
    world = PairWorld()
    assert await cut(world, way) == ""
    names = world.names()
    motor, load = WAYS[way]
    if way in LOAD_FIRST:
        told = names.index("load_drive.follow_torque 0")
        if isinstance(motor, Torque):  # it goes on braking with the same torque, and cannot turn the shaft backwards
            assert names.index(f"motor_drive.follow_speed 0 within {NM:g} done") < told
    elif way != "the load drive drives a specimen without torque":
        held_nm = max(0.3, abs(load.torque_nm) if isinstance(load, Torque) else load.torque_limit_nm)
        assert names.index(f"load_drive.follow_speed 0 within {held_nm:g} done") < names.index(
            "motor_drive.follow_torque 0"
        )


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("doubted", ["", "measuring_unit"])
async def test_a_machine_whose_word_is_late_does_not_turn_the_shaft_backwards(way: str, doubted: str) -> None:
    world = PairWorld(motor=Axis(lag_s=0.002), load=Axis(lag_s=0.002))
    assert await cut(world, way, doubted=doubted) == ""
    assert world.slowest_rpm > -200.0  # the drives' own loops swing through zero; 8 N·m would make it thousands


@pytest.mark.parametrize("sense", [1.0, -1.0])
async def test_a_stop_of_a_shaft_that_turns_backwards_goes_the_same_way(sense: float) -> None:
    world = PairWorld()
    async with parts(world) as rack:
        await paired(
            rack, world, motor=Speed(sense * 4000.0, 12.0), load=Torque(sense * NM, FREE), speed_rpm=sense * 2e3
        )
        await stopper(rack).cut(lambda: Cause(sentence="the test", reaction=Reaction.CUT))
        assert [fields["port"] for fields in world.told("without_torque")] == ["motor_drive.axis"]
        assert abs(world.speed_rpm) <= 10.0


BEHAVIOURS = ("silent", "refuses", "lies", "defect")


@pytest.mark.parametrize(
    ("device", "behaviour", "way", "doubted", "stop"),
    [
        (device, behaviour, way, doubted, stop)
        for device, behaviour, way, (doubted, stop) in itertools.product(
            ("motor_drive", "load_drive", "supply", "resistance_meter", "sink"),
            BEHAVIOURS,
            ("the motor drive drives a torque of the load drive", "the load drive drives a torque of the motor drive"),
            (("", "cut"), ("", "controlled stop"), ("load_drive", "cut"), ("motor_drive", "cut")),
        )
    ],
)
async def test_whatever_one_device_does_the_others_are_told_and_the_permit_answers_for_it(
    device: str, behaviour: str, way: str, doubted: str, stop: str
) -> None:
    world = PairWorld()
    cause = Cause(sentence="the test", reaction=Reaction.CUT, doubted=frozenset({doubted} if doubted else ()))
    unconfirmed: list = []
    loop = asyncio.get_running_loop()
    async with parts(world) as rack:
        await paired(rack, world, motor=WAYS[way][0], load=WAYS[way][1])
        world.behaviour[device] = behaviour
        began_s = loop.time()
        failed = ""
        try:
            async with asyncio.timeout(60.0):
                one = stopper(rack, unconfirmed)
                await (one.cut(lambda: cause) if stop == "cut" else one.controlled_stop())
        except ActFailed as failure:
            failed = str(failure)
        names = world.names()
        ports = ["load_drive", "motor_drive", "resistance_meter", "supply"]
        assert sorted(name.split(".")[0] for name in names if name.endswith(".make_safe")) == ports
        ramp_s = 10.0 if stop == "controlled stop" else 0.0
        for port in ports:
            assert world.when(f"{port}.make_safe") - began_s <= ramp_s + 5.0 + 3.0 * SAFE_TIME_S + 0.6
        assert not world.output_on
        assert not world.stage_on
        assert not world.motor.on
        assert world.pair == 0
        if device == "sink":
            return
        assert device in failed
        # a doubted load drive keeps its torque until its turn comes and may turn the shaft back meanwhile
        assert {name for name, words in unconfirmed if "driven backwards" not in words} == {device}
        assert world.permit is False
        first_told = next(at for at, name in world.log if at >= began_s and name.startswith(f"{device}."))
        assert world.when("safety_chain.withdraw_permit") - first_told <= ramp_s + 5.0 + SAFE_TIME_S + 0.5


@pytest.mark.parametrize("claims_nm", [None, 0.0], ids=["and shows it", "and shows none"])
@pytest.mark.parametrize("who", ["motor_drive", "load_drive"])
async def test_a_machine_that_goes_on_driving_when_told_to_stop_withdraws_the_permit_before_the_other_lets_go(
    who: str, claims_nm: float | None
) -> None:
    world = PairWorld()
    way = list(WAYS)[0 if who == "motor_drive" else 2]
    other = "load_drive" if who == "motor_drive" else "motor_drive"
    async with parts(world) as rack:
        await paired(rack, world, motor=WAYS[way][0], load=WAYS[way][1])
        began_rpm = world.speed_rpm
        axis = world.motor if who == "motor_drive" else world.load
        axis.runs_away_nm = NM + 2.0
        axis.claims_nm = claims_nm
        if who == "motor_drive":
            world.load.runs_away_nm = -NM  # the brake cannot win against it: the transducer sees it drive on
        else:
            world.motor.runs_away_nm = -NM
        unconfirmed: list = []
        with pytest.raises(ActFailed, match=f"{who}.axis was told to make no torque and the shaft went"):
            await stopper(rack, unconfirmed).cut(lambda: Cause(sentence="the test", reaction=Reaction.CUT))
        assert unconfirmed[0][0] == who
        assert world.when("safety_chain.withdraw_permit") < world.when(f"{other}.make_safe")
        assert world.when("safety_chain.withdraw_permit") < world.when(f"{who}.make_safe")
        assert world.off()
        # 2 N·m too much speed this rotor up by 38 r/min in a millisecond: it is not watched for 0.2 s
        assert world.fastest_rpm - began_rpm < 38.0 * 60.0


async def test_a_drive_that_keeps_its_torque_at_a_steady_speed_is_waited_for_and_no_longer() -> None:
    world = PairWorld()
    async with parts(world) as rack:
        await paired(rack, world, motor=HOLDS, load=Torque(NM, FREE))
        world.motor.runs_away_nm = NM + world.drag_nm
        world.load.runs_away_nm = -NM
        with pytest.raises(ActFailed, match=r"motor_drive.axis made torque 0.2 s after it was told to make none"):
            await stopper(rack).cut(lambda: Cause(sentence="the test", reaction=Reaction.CUT))
        assert not world.permit
        assert world.off()


async def test_a_silent_load_drive_with_its_torque_set_does_not_turn_the_shaft_backwards() -> None:
    """What feeds the specimen is gone first; the torque that braked until then would reverse a light rotor."""
    world = PairWorld()
    cause = Cause(sentence="the test", reaction=Reaction.CUT, doubted=frozenset({"load_drive"}))
    async with parts(world) as rack:
        await paired(rack, world, motor=HOLDS, load=Torque(NM, FREE))
        world.behaviour["load_drive"] = "silent"
        await asyncio.sleep(0.3)
        unconfirmed: list = []
        with pytest.raises(ActFailed, match=r"load_drive.axis is silent and was told last to make torque\."):
            await stopper(rack, unconfirmed).cut(lambda: cause)
        assert unconfirmed[0][0] == "load_drive"
        assert world.when("motor_drive.make_safe") < world.when("safety_chain.withdraw_permit")
        assert world.slowest_rpm > -100.0


async def test_a_load_drive_that_is_deaf_to_the_order_to_brake_is_not_left_alone_with_the_shaft() -> None:
    world = PairWorld()
    async with parts(world) as rack:
        await paired(rack, world, motor=HOLDS, load=Torque(NM, FREE))
        world.behaviour["load_drive"] = "refuses"
        unconfirmed: list = []
        with pytest.raises(ActFailed, match=r"load_drive.axis did not brake the shaft"):
            await stopper(rack, unconfirmed).cut(lambda: Cause(sentence="the test", reaction=Reaction.CUT))
        assert unconfirmed[0][0] == "load_drive"
        assert world.when("safety_chain.withdraw_permit") < world.when("load_drive.make_safe")
        assert world.slowest_rpm > -100.0


async def test_a_controlled_stop_ramps_both_drives_down_and_keeps_the_link_up_for_it() -> None:
    world = PairWorld()
    async with parts(world) as rack:
        await paired(rack, world, motor=HOLDS, load=Torque(NM, FREE))
        volts: list[tuple[float, float]] = []

        async def watch() -> None:
            while world.output_on:
                volts.append((world.volts, abs(world.speed_rpm)))
                await asyncio.sleep(0.01)

        async with asyncio.TaskGroup() as group:
            group.create_task(watch())
            await stopper(rack).controlled_stop()
        assert {level for level, _ in volts} == {LINK_V}
        assert volts[-1][1] < 100.0  # the shaft had come to rest on the slopes before the link went
        assert rack.setpoints.now(Role.MOTOR_DRIVE) == Speed(0.0, 12.0)
        assert rack.setpoints.now(Role.LOAD_DRIVE) == Torque(0.0, FREE)


async def test_a_converter_that_was_asked_for_nothing_lets_the_supply_ramp_down() -> None:
    world = PairWorld()
    async with parts(world) as rack:
        await paired(rack, world, motor=Torque(0.0, 0.0), load=Torque(0.2, FREE), speed_rpm=0.0)
        await stopper(rack).ramp_down()
        assert rack.setpoints.now(Role.SUPPLY) == Voltage(0.0, 10.0)


@pytest.mark.parametrize("first", ["motor_drive", "load_drive"])
async def test_at_a_shaft_that_stands_the_machine_that_makes_torque_lets_go_while_the_other_holds(first: str) -> None:
    world = PairWorld(drag_nm=1e9)
    pulls, holds = Torque(NM, FREE), Speed(0.0, 12.0)
    async with parts(world) as rack:
        motor, load = (pulls, holds) if first == "motor_drive" else (holds, pulls)
        await paired(rack, world, motor=motor, load=load, speed_rpm=0.0)
        await stopper(rack).cut(lambda: Cause(sentence="the test", reaction=Reaction.CUT))
    names = world.names()
    assert world.told("without_torque")[0]["port"] == f"{first}.axis"
    if first == "motor_drive":
        assert names.index("load_drive.follow_speed 0 within 12 done") < names.index("motor_drive.follow_torque 0")
    else:
        assert "motor_drive.follow_torque 0" not in names[: names.index("load_drive.follow_torque 0 done")]
    assert names.index("motor_drive.make_safe") < names.index("load_drive.make_safe")
    assert world.off()


async def test_the_coasting_of_a_bench_that_was_found_running_holds_the_shaft_too() -> None:
    world = PairWorld(output_on=True, stage_on=True, speed_rpm=1500.0, link_v=LINK_V, volts=LINK_V)
    world.motor.on = True
    world.motor.follow(HOLDS, sign=1.0)
    world.load.follow(Torque(NM, FREE), sign=-1.0)
    async with parts(world) as rack:
        await asyncio.sleep(0.1)
        await stopper(rack).everything_safe()
        names = world.names()
        assert names.index("load_drive.follow_speed 0 within 0.3 done") < names.index("motor_drive.make_safe")
        assert names.index("motor_drive.make_safe done") < names.index("load_drive.make_safe")
        assert world.off()


async def test_two_drives_that_are_on_at_a_shaft_that_stands_are_not_zeroed_at_once() -> None:
    world = PairWorld(output_on=True, stage_on=True, link_v=LINK_V, volts=LINK_V)
    world.motor.on = True
    async with parts(world) as rack:
        await asyncio.sleep(0.1)
        await stopper(rack).everything_safe()
        names = world.names()
        assert names.index("motor_drive.make_safe done") < names.index("load_drive.make_safe")


@pytest.mark.parametrize("doubted", ["load_drive", "motor_drive"])
@pytest.mark.parametrize("way", WAYS)
async def test_a_doubted_drive_is_asked_for_nothing_but_to_let_go(doubted: str, way: str) -> None:
    world = PairWorld()
    assert await cut(world, way, doubted=doubted) == ""
    asked = {name for name in world.names() if name.startswith(f"{doubted}.") and not name.endswith("done")}
    assert asked == {f"{doubted}.make_safe"}


async def test_a_doubted_drive_that_pulls_the_shaft_to_a_stand_has_its_turn_at_once() -> None:
    """The motor drive has lost its torque and its wire; nobody may wait for its word while the load drive pulls on."""
    world = PairWorld(behaviour={"motor_drive": "silent"})
    cause = Cause(sentence="the test", reaction=Reaction.CUT, doubted=frozenset({"load_drive"}))
    async with parts(world) as rack:
        world.behaviour.clear()
        await paired(rack, world, motor=HOLDS, load=Torque(NM, FREE))
        world.behaviour["motor_drive"] = "silent"
        world.motor.on = False
        with pytest.raises(ActFailed, match="motor_drive"):
            await stopper(rack).cut(lambda: cause)
        assert world.slowest_rpm > -3000.0  # 8 N·m for the 0.5 s of its promised safe time would make it 76 000
        assert world.permit is False
