"""Moves one set-point by small steps on a shaft that turns gently, for an outer loop to be tuned. No programme's test.

Speed and steps are shares of the rating plate. Each level is reached from both sides several times, so that friction
and drift cancel; what was in force and what followed is another's to record. It must never step faster than the
bench's slopes.
"""

import math
from collections.abc import Generator
from dataclasses import replace
from typing import Literal

from pydantic import BaseModel, ConfigDict

from benchd.procedures.feeding import Feeding
from benchd.procedures.hand import RPM_PER_RADIAN_A_SECOND, Hand, unloaded
from benchd.procedures.procedure import Play, Procedure, Surroundings
from benchd.rules.demand import Demand
from benchd.rules.frames import Frame
from benchd.rules.moves import Ask, Move, Point, Role
from benchd.rules.resonance import Band, dwells_in

SPEED_SHARES = (0.2, 0.15, 0.25, 0.3)  # of the rated speed: the first whose levels lie outside critical bands
VOLTAGE_SHARE = 0.2  # of the rated voltage, where a brushed specimen turns as its voltage lets it
TORQUE_SHARE = 0.3  # of the rated torque, about which torque is stepped: a supply takes no current back
TORQUE_STEP = 0.2  # of the rated torque, either way: a drive that resolves 0.1 % of its own rating rounds it little
SPEED_STEP = 0.04  # of the rated speed, either way
LINK_STEP = 0.02  # of a converter's rated link voltage, either way and never above it
LEVELS = tuple(
    one * size for size in (1.0, 0.85, 0.7) for one in (1.0, 0.0, -1.0, 0.0)
)  # of the step: each rounds else
HOLD_S = 0.8  # at each level: several times what an outer loop is worth tuning for
STEADY_S = 1.0  # before the first step
SPARE_RATIO = 1.4  # of the voltage that is planned: a plate is not exact
LOOKS = 3  # at the torque, until the voltage fits it
NEAR_RATIO = 0.05  # of the rated torque
Stepped = Literal["load_torque", "motor_speed", "load_speed", "supply_voltage"]


class IdentifySettings(BaseModel):
    """Which set-point is stepped; the other machine holds what it can meanwhile."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    stepped: Stepped


def stepped_with(kind: str) -> tuple[Stepped, ...]:
    """What can be stepped with this kind of specimen, "brushless" or "brushed_dc"."""
    return ("load_torque", "motor_speed" if kind == "brushless" else "load_speed", "supply_voltage")


def amplitude(settings: IdentifySettings, around: Surroundings) -> float:
    """How far it is stepped either way, in the set-point's own unit."""
    plate = around.plate
    match settings.stepped:
        case "load_torque":
            return TORQUE_STEP * plate.torque_nm
        case "motor_speed" | "load_speed":
            return SPEED_STEP * plate.speed_rpm
        case "supply_voltage":
            if _brushless(around):
                return LINK_STEP * plate.voltage_v
            return TORQUE_STEP * plate.torque_nm * plate.resistance_ohm / plate.ke_v_s


def top_speed_rpm(around: Surroundings) -> float:
    """The greatest speed that the shaft is brought to by any of them."""
    plate = around.plate
    held_rpm = held_speed_rpm(around) + SPEED_STEP * plate.speed_rpm
    if _brushless(around):
        return held_rpm
    return max(held_rpm, VOLTAGE_SHARE * plate.voltage_v / plate.ke_v_s * RPM_PER_RADIAN_A_SECOND)


def held_speed_rpm(around: Surroundings) -> float:
    """The gentle speed that is held, about which a speed is stepped; the usual one where all lie in critical bands."""
    rated_rpm = around.plate.speed_rpm
    free = (share * rated_rpm for share in SPEED_SHARES if _band_at(share * rated_rpm, around) is None)
    return next(free, SPEED_SHARES[0] * rated_rpm)


def _band_at(speed_rpm: float, around: Surroundings) -> Band | None:
    """The critical band that this speed or a step from it would be held in."""
    step_rpm = SPEED_STEP * around.plate.speed_rpm
    bands = (dwells_in(around.bands, speed_rpm=speed_rpm + level * step_rpm) for level in LEVELS)
    return next((band for band in bands if band is not None), None)


def _brushless(around: Surroundings) -> bool:
    return around.plate.kind == "brushless"


def _feeding(settings: IdentifySettings, around: Surroundings) -> Feeding:
    plate = around.plate
    if _brushless(around):
        return Feeding(around, supply_voltage_v=plate.voltage_v, speed_rpm=held_speed_rpm(around))
    if settings.stepped == "load_torque":
        return Feeding(around, supply_voltage_v=VOLTAGE_SHARE * plate.voltage_v, speed_rpm=None)
    top_rpm = held_speed_rpm(around) + SPEED_STEP * plate.speed_rpm
    drop_v = plate.resistance_ohm * (TORQUE_SHARE + TORQUE_STEP) * plate.torque_nm / plate.ke_v_s
    voltage_v = SPARE_RATIO * (plate.ke_v_s * top_rpm / RPM_PER_RADIAN_A_SECOND + drop_v)
    return Feeding(around, supply_voltage_v=voltage_v, speed_rpm=held_speed_rpm(around))


def _base_nm(settings: IdentifySettings, around: Surroundings) -> float:
    return 0.0 if settings.stepped in {"motor_speed", "load_speed"} else TORQUE_SHARE * around.plate.torque_nm


def _slope_per_s(settings: IdentifySettings, around: Surroundings) -> float:
    slopes = around.slopes
    match settings.stepped:
        case "load_torque":
            return slopes.torque_nm_per_s
        case "motor_speed" | "load_speed":
            return slopes.speed_rpm_per_s
        case "supply_voltage":
            return slopes.voltage_v_per_s


def _stepping_s(settings: IdentifySettings, around: Surroundings) -> float:
    return len(LEVELS) * (HOLD_S + amplitude(settings, around) / _slope_per_s(settings, around)) + STEADY_S


def demand(settings: IdentifySettings, around: Surroundings) -> Demand:
    """A gentle speed with a third of the rated torque."""
    torque_nm = (TORQUE_SHARE + TORQUE_STEP) * around.plate.torque_nm
    planned = _feeding(settings, around).demand(torque_nm, duration_s=_stepping_s(settings, around))
    return replace(planned, speed_rpm=max(planned.speed_rpm, top_speed_rpm(around)))


def play(settings: IdentifySettings, around: Surroundings) -> Play:
    """Bring the shaft up, step, let go; frames from the last rest before the first step on belong to point 0."""
    feeding = _feeding(settings, around)
    hand = Hand(around, duration_s=demand(settings, around).duration_s)
    slope = around.slopes.torque_nm_per_s
    yield from feeding.bring_up(hand)
    yield from feeding.load_to(hand, _base_nm(settings, around), slope_nm_per_s=slope)
    yield from hand.wait(STEADY_S, "becoming steady")
    if settings.stepped == "supply_voltage":
        yield from _brought_to_base(settings, around, feeding, hand)
    step = amplitude(settings, around)
    point = Point(number=0, direction="", asked={f"step_of_{settings.stepped}": step})
    yield from _belonging_to(point, _steps(settings, around, feeding, hand, step))
    yield from feeding.let_go(hand, slope_nm_per_s=slope)


def _brought_to_base(settings: IdentifySettings, around: Surroundings, feeding: Feeding, hand: Hand) -> Play:
    """The voltage at which the torque is about what was planned: a plate knows neither brushes nor friction.

    A converter's link goes a step below its rated voltage instead.
    """
    plate = around.plate
    if _brushless(around):
        yield from hand.ramp_voltage(plate.voltage_v - amplitude(settings, around))
        yield from hand.wait(STEADY_S, "becoming steady")
        return
    for _ in range(LOOKS):
        shown_nm = yield from _shown_nm(hand)
        missing_nm = _base_nm(settings, around) - shown_nm
        if math.isnan(missing_nm) or abs(missing_nm) < NEAR_RATIO * plate.torque_nm:
            return
        voltage_v = hand.voltage_v + missing_nm * plate.resistance_ohm / plate.ke_v_s
        most_v = feeding.supply_voltage_v - amplitude(settings, around)
        yield from hand.ramp_voltage(max(0.0, min(voltage_v, most_v)))


def _shown_nm(hand: Hand) -> Generator[Move | Ask, Frame, float]:
    """The mean of `shaft_torque` over a short wait; NaN where it is not good."""
    wait = hand.wait(HOLD_S, "looking at the torque")
    seen: list[float] = []
    move = next(wait)
    while True:
        frame = yield move
        seen.append(frame.value("shaft_torque"))
        try:
            move = wait.send(frame)
        except StopIteration:
            return math.fsum(seen[len(seen) // 2 :]) / len(seen[len(seen) // 2 :])


def _steps(settings: IdentifySettings, around: Surroundings, feeding: Feeding, hand: Hand, step: float) -> Play:
    base_v = hand.voltage_v
    doing = f"stepping {settings.stepped.replace('_', ' ')}"
    yield from hand.wait(HOLD_S, doing)
    for level in LEVELS:
        yield from _to(settings, around, feeding, hand, base_v=base_v, by=level * step)
        yield from hand.wait(HOLD_S, doing)


def _to(
    settings: IdentifySettings, around: Surroundings, feeding: Feeding, hand: Hand, *, base_v: float, by: float
) -> Play:
    match settings.stepped:
        case "load_torque":
            return hand.ramp_torque(_base_nm(settings, around) + by)
        case "motor_speed":
            return hand.ramp_speed(Role.MOTOR_DRIVE, (feeding.speed_rpm or 0.0) + by)
        case "load_speed":
            volts_per_rpm = around.plate.ke_v_s / RPM_PER_RADIAN_A_SECOND
            return hand.ramp_speed(Role.LOAD_DRIVE, (feeding.speed_rpm or 0.0) + by, volts_per_rpm=volts_per_rpm)
        case "supply_voltage":
            return hand.ramp_voltage(base_v + by)


def _belonging_to(point: Point, part: Play) -> Play:
    """The same moves, as those of an operating point."""
    move = next(part)
    while True:
        frame: Frame = yield replace(move, point=point) if isinstance(move, Move) else move
        try:
            move = part.send(frame)
        except StopIteration:
            return


def objection(settings: IdentifySettings, around: Surroundings) -> str:
    """Why this cannot be stepped, or ""."""
    feeding = _feeding(settings, around)
    band = None if feeding.speed_rpm is None else _band_at(feeding.speed_rpm, around)
    if band is not None:
        return (
            f"it holds about {feeding.speed_rpm:g} r/min, within the critical band {band.words}, and every other "
            "gentle speed lies in one too: take a stiffer coupling"
        )
    return feeding.objection((TORQUE_SHARE + TORQUE_STEP) * around.plate.torque_nm)


IDENTIFY = Procedure(
    kind="identify",
    limited=(("shaft_torque",), ("shaft_speed",), ("dc_current", "motor_current")),
    title="Identification",
    settings=IdentifySettings,
    demand=demand,
    play=play,
    held=unloaded,
    held_energy="The shaft keeps turning gently without torque from the load drive unless it holds the speed.",
    objection=objection,
)
