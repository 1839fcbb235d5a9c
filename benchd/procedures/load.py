"""Load test: the torque rises point by point and falls again, at one supply voltage or at one held speed."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, model_validator

from benchd.procedures.feeding import Feeding
from benchd.procedures.hand import START_SECONDS_A_RAMP, Hand, unloaded
from benchd.procedures.procedure import Play, Procedure, Surroundings
from benchd.rules.demand import Demand
from benchd.rules.moves import Point

Positive = Annotated[FiniteFloat, Field(gt=0.0)]


class LoadSettings(BaseModel):
    """What a load test may be told in a programme."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    supply_voltage_v: Positive  # of a brushless motor the DC link's; with a held speed the most that may be used
    speed_rpm: Positive | None = None  # held throughout; left out for a brushed motor at one voltage
    torques_nm: Annotated[tuple[Annotated[FiniteFloat, Field(ge=0.0)], ...], Field(min_length=2)]
    torque_slope_nm_per_s: Positive
    torque_range: Literal["auto", "wide", "narrow"] = "auto"  # which of the transducer's ranges counts
    settle_time_s: Annotated[FiniteFloat, Field(ge=0.2, le=3600.0)] = 1.0
    average_time_s: Annotated[FiniteFloat, Field(ge=0.2, le=3600.0)] = 1.5
    speed_band_rpm: Positive = 5.0
    capture_s: Annotated[FiniteFloat, Field(ge=0.0, le=10.0)] = 0.0  # waveforms kept at each point

    @model_validator(mode="after")
    def _rising(self) -> "LoadSettings":
        if list(self.torques_nm) != sorted(set(self.torques_nm)):
            raise ValueError("torques_nm must rise from point to point (they are played up and then down again)")
        return self


def _feeding(settings: LoadSettings, around: Surroundings) -> Feeding:
    return Feeding(around, supply_voltage_v=settings.supply_voltage_v, speed_rpm=settings.speed_rpm)


def demand(settings: LoadSettings, around: Surroundings) -> Demand:
    """Speed from the unloaded end, current and power from the loaded end."""
    highest_nm = max(settings.torques_nm)
    slope = min(settings.torque_slope_nm_per_s, around.slopes.torque_nm_per_s)
    points = 2 * len(settings.torques_nm)
    return _feeding(settings, around).demand(
        highest_nm,
        duration_s=2.0 * highest_nm / slope
        + points * (settings.settle_time_s + settings.average_time_s + START_SECONDS_A_RAMP),
    )


def play(settings: LoadSettings, around: Surroundings) -> Play:
    """Bring the specimen up, then the torque up and down again; at each point settle, then average."""
    feeding = _feeding(settings, around)
    hand = Hand(around, duration_s=demand(settings, around).duration_s)
    slope = settings.torque_slope_nm_per_s
    yield from feeding.bring_up(hand)
    ways = [("up", torque) for torque in settings.torques_nm]
    ways += [("down", torque) for torque in reversed(settings.torques_nm)]
    for number, (direction, torque_nm) in enumerate(ways):
        yield from feeding.load_to(hand, torque_nm, slope_nm_per_s=slope)
        yield from hand.operating_point(
            Point(number=number, direction=direction, asked=feeding.asked(torque_nm)),
            settle_time_s=settings.settle_time_s,
            speed_band_rpm=settings.speed_band_rpm,
            average_time_s=settings.average_time_s,
            capture_s=settings.capture_s,
        )
    yield from feeding.let_go(hand, slope_nm_per_s=slope)


LOAD = Procedure(
    kind="load",
    limited=(("shaft_torque",), ("shaft_speed",), ("dc_current", "motor_current")),
    title="Load test",
    settings=LoadSettings,
    demand=demand,
    play=play,
    held=unloaded,
    held_energy="The shaft keeps turning at the supply voltage or speed reached, without torque from the load drive "
    "unless it is the load drive that holds the speed.",
    objection=lambda settings, around: _feeding(settings, around).objection(max(settings.torques_nm)),
)
