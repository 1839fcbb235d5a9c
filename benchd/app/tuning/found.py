"""From what was seen to loops: identification, rule, bounds of the trim, prediction. Never while a bench is live."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from benchd.analysis.identification import NotIdentified, Response, identify, plant_of
from benchd.analysis.loop_prediction import StepResponse, step_response
from benchd.app.capacities import setting_of
from benchd.app.tuning.job import Wanted
from benchd.app.tuning.session import Seen
from benchd.rules.channels import Channel
from benchd.rules.loops import Driven
from benchd.rules.moves import Role
from benchd.rules.regulator import Regulator
from benchd.rules.regulator_gains import Bounds, Schedule
from benchd.rules.regulator_tuning import (
    Plant,
    Tuning,
    by_lambda,
    by_magnitude_optimum,
    by_simc,
    by_symmetrical_optimum,
)
from benchd.settings.bench import Bench, Motor
from benchd.settings.tuning_file import DoubtTable, LoopTable, PlantTable, PredictedTable, RegulatorTable

RULES: Mapping[str, Callable[[Plant], Tuning]] = {
    "magnitude optimum": by_magnitude_optimum,
    "lambda": lambda plant: by_lambda(plant, closed_s=2.0 * plant.late_s),
    "SIMC": by_simc,
    "symmetrical optimum": by_symmetrical_optimum,
}
LIKE_AN_INTEGRATOR = 8.0  # a lag of so many of what is late: the magnitude optimum would leave load steps too long
RANGE_SHARE = 0.05  # of the transducer's range, and of rated values where no transducer bounds it
SPEED_SHARE = 0.02  # of the rated speed
HALF_A_STEP = 0.6  # of what the device resolves, and a little: an error within it can be no smaller
DRIVE_RESOLVES = 1e-3  # of its rated torque: target torque is in per mille of it (IEC 61800-7-201, from memory)
SUPPLY_RESOLVES = 1e-4  # of its highest voltage (common practice)
LOOKED_AT = 40.0  # of what is late: how far a step response is followed
SHORTEST_S = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One loop as it goes into the tuning file, and its expected step response."""

    wanted: Wanted
    table: LoopTable
    response: StepResponse


def loop_of(wanted: Wanted, seen: Seen, bench: Bench, motor: Motor, *, rule: str | None) -> Found:
    """The loop that follows from what was seen, by this rule of `RULES` or the one that suits the plant.

    Raises `NotIdentified`, also where the rule does not suit.
    """
    channel = bench.channel_by_name[wanted.channel]
    began_s = seen.set_s[0] if seen.set_s else 0.0
    identified = identify(
        Response(
            what=wanted.title,
            set_s=[one - began_s for one in seen.set_s],
            set_point=seen.set_point,
            read_s=[one - began_s for one in seen.read_s],
            reading=seen.reading,
        ),
        expected_gain=wanted.expected_gain,
        gain_tolerance=wanted.gain_tolerance,
    )
    seen_late_s, tick_s = float(np.mean(seen.late_s)), 1.0 / bench.tick_rate_hz
    held = plant_of(identified, seen_late_s=seen_late_s)  # of a set-point that is held from tick to tick
    before_it = replace(held, dead_s=held.dead_s + seen_late_s)  # what a regulator has before it
    plant, ticked = held.on_ticks(tick_s), before_it.on_ticks(tick_s)
    chosen = rule or (
        "symmetrical optimum" if plant.lag_s > LIKE_AN_INTEGRATOR * ticked.late_s else "magnitude optimum"
    )
    try:
        tuning = RULES[chosen](ticked)
    except ValueError as error:
        raise NotIdentified(f"{wanted.title}: {error}") from error
    bound = _trim(wanted, channel, motor) / (abs(plant.gain) if wanted.driven.value != channel.unit else 1.0)
    regulator = Regulator(
        schedule=Schedule(points=((0.0, tuning.gains),)),
        bounds=Bounds(low=-bound, high=bound),
        anti_windup_s=max(plant.lag_s, 2.0 * ticked.late_s),
        blind_s=channel.age_limit_s,
        weight=tuning.weight,
    )
    within_s = max(SHORTEST_S, LOOKED_AT * ticked.late_s)
    response = step_response(regulator, before_it, tick_s=tick_s, within_s=within_s)
    table = {
        "role": wanted.role.value,
        "driven": wanted.driven.name.lower(),
        "channel": wanted.channel,
        "rule": chosen,
        "explained_ratio": identified.explained_ratio,
        "seen_late_s": seen_late_s,
        "plant": PlantTable(gain=plant.gain, lag_s=plant.lag_s, small_s=plant.small_s, dead_s=plant.dead_s),
        "doubt": DoubtTable(
            gain=identified.gain.standard_uncertainty,
            lag_s=identified.lag_s.standard_uncertainty,
            dead_s=identified.dead_s.standard_uncertainty,
        ),
        "regulator": RegulatorTable(
            proportional=tuning.gains.proportional,
            integral_per_s=tuning.gains.integral_per_s,
            weight=tuning.weight,
            anti_windup_s=regulator.anti_windup_s,
            blind_s=regulator.blind_s,
            low=regulator.bounds.low,
            high=regulator.bounds.high,
            dead_band=abs(plant.gain) * HALF_A_STEP * _resolved(wanted, bench),
        ),
        "predicted": PredictedTable(
            phase_margin_deg=min(tuning.phase_margin_deg, 180.0),
            overshoot_ratio=response.overshoot_ratio,
            settling_s=response.settling_s,
        ),
    }
    return Found(wanted=wanted, table=LoopTable.model_validate(table), response=response)


def _resolved(wanted: Wanted, bench: Bench) -> float:
    """The smallest step of the set-point that its device knows, 0 where nobody says."""
    if wanted.role is Role.SUPPLY:
        highest_v = setting_of(bench, bench.roles["supply"][0].device, "max_voltage_v")
        return SUPPLY_RESOLVES * highest_v if math.isfinite(highest_v) else 0.0
    stated = bench.drive_parameters.get(wanted.role.value)
    if wanted.driven is not Driven.TORQUE or stated is None:
        return 0.0
    return DRIVE_RESOLVES * stated.values.get("rated_torque_nm", 0.0)


def _trim(wanted: Wanted, channel: Channel, motor: Motor) -> float:
    """The most that a loop may add, in the channel's unit."""
    if wanted.channel == "shaft_speed":
        return SPEED_SHARE * motor.settings.rated.speed_rpm
    if wanted.channel == "shaft_torque":
        full = motor.settings.rated.torque_nm if channel.calibration is None else channel.calibration.full_scale
        return RANGE_SHARE * full
    return RANGE_SHARE * motor.settings.rated.voltage_v
