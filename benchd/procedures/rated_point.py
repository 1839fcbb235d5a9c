"""Rated point: one torque is kept for a dwell, and measured at its beginning and at its end."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat

from benchd.procedures.feeding import Feeding
from benchd.procedures.hand import START_SECONDS_A_RAMP, Hand, unloaded
from benchd.procedures.procedure import WINDING_HEAT, Play, Procedure, Surroundings
from benchd.rules.demand import Demand
from benchd.rules.moves import Point

Positive = Annotated[FiniteFloat, Field(gt=0.0)]


class RatedPointSettings(BaseModel):
    """What a rated point may be told in a programme."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    supply_voltage_v: Positive
    speed_rpm: Positive | None = None
    torque_nm: Positive
    torque_slope_nm_per_s: Positive | None = None  # left out: the bench's
    torque_range: Literal["auto", "wide", "narrow"] = "auto"
    dwell_s: Annotated[FiniteFloat, Field(ge=1.0, le=86400.0)]
    settle_time_s: Annotated[FiniteFloat, Field(ge=0.2, le=3600.0)] = 1.0
    average_time_s: Annotated[FiniteFloat, Field(ge=0.2, le=3600.0)] = 2.0
    speed_band_rpm: Positive = 5.0
    capture_s: Annotated[FiniteFloat, Field(ge=0.0, le=10.0)] = 0.0  # waveforms kept at the end of the dwell


def _feeding(settings: RatedPointSettings, around: Surroundings) -> Feeding:
    return Feeding(around, supply_voltage_v=settings.supply_voltage_v, speed_rpm=settings.speed_rpm)


def _slope(settings: RatedPointSettings, around: Surroundings) -> float:
    return min(settings.torque_slope_nm_per_s or around.slopes.torque_nm_per_s, around.slopes.torque_nm_per_s)


def demand(settings: RatedPointSettings, around: Surroundings) -> Demand:
    """One torque, the dwell and two averages."""
    return _feeding(settings, around).demand(
        settings.torque_nm,
        duration_s=2.0 * settings.torque_nm / _slope(settings, around)
        + 2.0 * (settings.settle_time_s + settings.average_time_s + START_SECONDS_A_RAMP)
        + settings.dwell_s,
    )


def play(settings: RatedPointSettings, around: Surroundings) -> Play:
    """Bring the specimen up and load it, measure, keep the load for the dwell, measure again, let go."""
    feeding = _feeding(settings, around)
    hand = Hand(around, duration_s=demand(settings, around).duration_s)
    slope = _slope(settings, around)
    yield from feeding.bring_up(hand)
    yield from feeding.load_to(hand, settings.torque_nm, slope_nm_per_s=slope)
    for number, capture_s in ((0, 0.0), (1, settings.capture_s)):
        if number == 1:
            yield from hand.wait(settings.dwell_s, f"dwelling at {settings.torque_nm:g} N·m")
        yield from hand.operating_point(
            Point(number=number, direction="", asked=feeding.asked(settings.torque_nm)),
            settle_time_s=settings.settle_time_s,
            speed_band_rpm=settings.speed_band_rpm,
            average_time_s=settings.average_time_s,
            capture_s=capture_s,
        )
    yield from feeding.let_go(hand, slope_nm_per_s=slope)


RATED_POINT = Procedure(
    kind="rated_point",
    limited=(
        ("shaft_torque",),
        ("shaft_speed",),
        ("dc_current", "motor_current"),
        ("winding_temperature", WINDING_HEAT),
    ),
    title="Rated point",
    settings=RatedPointSettings,
    demand=demand,
    play=play,
    held=unloaded,
    held_energy="The shaft keeps turning at the supply voltage or speed reached, without torque from the load drive "
    "unless it is the load drive that holds the speed.",
    objection=lambda settings, around: _feeding(settings, around).objection(settings.torque_nm),
)
