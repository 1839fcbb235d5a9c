"""Winding resistance (IEC 60034-2-1, 5.7.1 in kind): a bounded current of both signs through each pair of terminals.

The specimen's power leads are open and nothing else is energised. Both signs, because thermal voltages and offsets
cancel in the difference.
"""

from collections.abc import Mapping
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat

from benchd.procedures.hand import LONGEST_GAP_S
from benchd.procedures.procedure import Play, Procedure, Surroundings
from benchd.rules.demand import Demand
from benchd.rules.moves import Move, Point, Role, Target, Winding

CURRENT_SHARE = 0.15  # of the rated current: more would warm the winding while it is measured (common practice)
CURRENT_BAND = 0.05  # of the current asked for, within which it counts as flowing
PATIENCE_S = 5.0
CONTACTS_S = 1.0  # for contacts and current, in planning
PAIRS = {"brushed_dc": (12,), "brushless": (12, 23, 13)}


class WindingResistanceSettings(BaseModel):
    """What a measurement of the winding's resistance may be told in a programme."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    current_a: Annotated[FiniteFloat, Field(gt=0.0)]
    settle_time_s: Annotated[FiniteFloat, Field(ge=0.1, le=600.0)] = 0.5
    average_time_s: Annotated[FiniteFloat, Field(ge=0.2, le=600.0)] = 1.0


def objection(settings: WindingResistanceSettings, around: Surroundings) -> str:
    """A meter is needed that can open the power leads, and a current that does not warm the winding."""
    if Role.RESISTANCE_METER not in around.roles:
        return (
            "the winding's resistance is measured with the converter disconnected, and this bench has no "
            "resistance_meter in [roles] that could do so: leave the test out or add the meter"
        )
    plate = around.plate
    rated_a = plate.phase_current_a if plate.kind == "brushless" else plate.current_a
    if settings.current_a > CURRENT_SHARE * rated_a:
        return (
            f"{settings.current_a:g} A would warm the winding while it is measured: use at most "
            f"{CURRENT_SHARE * rated_a:.3g} A, {CURRENT_SHARE:.0%} of the rated current"
        )
    return ""


def demand(settings: WindingResistanceSettings, around: Surroundings) -> Demand:
    """Nothing of supply and drives; only time."""
    measurements = 2 * len(PAIRS[around.plate.kind])
    return Demand(
        speed_rpm=0.0,
        torque_nm=0.0,
        power_w=0.0,
        voltage_v=0.0,
        current_a=0.0,
        duration_s=measurements * (settings.settle_time_s + settings.average_time_s + CONTACTS_S),
    )


def play(settings: WindingResistanceSettings, around: Surroundings) -> Play:
    """Each pair with the current in one direction and then in the other."""
    steps = [(pair, sign * settings.current_a) for pair in PAIRS[around.plate.kind] for sign in (1.0, -1.0)]
    for number, (pair, current_a) in enumerate(steps):
        done_ratio = number / len(steps)
        point = Point(number=number, direction="", asked={"pair": float(pair), "current_a": current_a})
        yield from _measure(point, Winding(pair, current_a), settings, done_ratio=done_ratio)
    off = {Role.RESISTANCE_METER: Winding(0, 0.0)}
    yield Move(targets=off, doing="disconnecting the resistance meter", done_ratio=1.0)


def _measure(point: Point, winding: Winding, settings: WindingResistanceSettings, *, done_ratio: float) -> Play:
    """Wait until the current flows and has settled, then average; a gap (held meanwhile) starts both again."""
    targets: Mapping[Role, Target] = {Role.RESISTANCE_METER: winding}
    waited_s = flowing_s = averaged_s = 0.0
    before_s: float | None = None
    notes: tuple[str, ...] = ()
    while averaged_s < settings.average_time_s:
        settled = flowing_s >= settings.settle_time_s
        frame = yield Move(
            targets=targets,
            doing=f"{winding.current_a:g} A through terminals {winding.pair}",
            done_ratio=done_ratio,
            point=point if settled else None,
            notes=notes,
        )
        notes = ()
        dt_s = 0.0 if before_s is None else frame.time_mono_s - before_s
        before_s = frame.time_mono_s
        if dt_s > LONGEST_GAP_S:
            waited_s = flowing_s = averaged_s = 0.0
        elif settled:
            averaged_s += dt_s
        elif abs(frame.value("winding_current") - winding.current_a) <= CURRENT_BAND * abs(winding.current_a):
            flowing_s += dt_s
        else:
            waited_s, flowing_s = waited_s + dt_s, 0.0
            if waited_s > PATIENCE_S:
                flowing_s = settings.settle_time_s
                sentence = (
                    f"winding_current did not reach {winding.current_a:g} A through terminals {winding.pair} within "
                    f"{PATIENCE_S:g} s; the point was averaged all the same."
                )
                notes = (sentence,)


def held(targets: Mapping[Role, Target]) -> Mapping[Role, Target]:
    """Nothing is connected while the bench is Held."""
    return {role: Winding(0, 0.0) if isinstance(target, Winding) else target for role, target in targets.items()}


WINDING_RESISTANCE = Procedure(
    kind="winding_resistance",
    title="Winding resistance",
    settings=WindingResistanceSettings,
    demand=demand,
    play=play,
    held=held,
    held_energy="The resistance meter is without current and disconnected; nothing else is energised.",
    energised=False,
    objection=objection,
)
