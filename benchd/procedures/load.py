"""Load test: at one supply voltage the load drive's torque rises point by point and falls again."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, model_validator

from benchd.procedures.hand import RPM_PER_RADIAN_A_SECOND, START_SECONDS_A_RAMP, Hand, unloaded
from benchd.procedures.procedure import Play, Procedure, Surroundings
from benchd.rules.demand import Demand
from benchd.rules.moves import Point

Positive = Annotated[FiniteFloat, Field(gt=0.0)]


class LoadSettings(BaseModel):
    """What a load test may be told in a programme."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    supply_voltage_v: Positive
    torques_nm: Annotated[tuple[Annotated[FiniteFloat, Field(ge=0.0)], ...], Field(min_length=2)]
    torque_slope_nm_per_s: Positive
    settle_time_s: Annotated[FiniteFloat, Field(ge=0.2, le=3600.0)] = 1.0
    average_time_s: Annotated[FiniteFloat, Field(ge=0.2, le=3600.0)] = 1.5
    speed_band_rpm: Positive = 5.0

    @model_validator(mode="after")
    def _rising(self) -> "LoadSettings":
        if list(self.torques_nm) != sorted(set(self.torques_nm)):
            raise ValueError("torques_nm must rise from point to point (they are played up and then down again)")
        return self


def demand(settings: LoadSettings, around: Surroundings) -> Demand:
    """Speed from the unloaded end, current and power from the loaded end."""
    plate = around.plate
    highest_nm = max(settings.torques_nm)
    idle_a = 0.3 * plate.current_a  # common practice: a small motor idles well below a third of its rated current
    current_a = highest_nm / plate.ke_v_s + idle_a
    points = 2 * len(settings.torques_nm)
    slope = min(settings.torque_slope_nm_per_s, around.slopes.torque_nm_per_s)
    return Demand(
        speed_rpm=settings.supply_voltage_v / plate.ke_v_s * RPM_PER_RADIAN_A_SECOND,
        torque_nm=highest_nm,
        power_w=settings.supply_voltage_v * current_a,
        voltage_v=settings.supply_voltage_v,
        current_a=current_a,
        duration_s=settings.supply_voltage_v / around.slopes.voltage_v_per_s
        + 2.0 * highest_nm / slope
        + points * (settings.settle_time_s + settings.average_time_s + START_SECONDS_A_RAMP),
    )


def play(settings: LoadSettings, around: Surroundings) -> Play:
    """Bring the supply up, then the torque up and down again; at each point settle, then average."""
    hand = Hand(around, duration_s=demand(settings, around).duration_s)
    yield from hand.ramp_voltage(settings.supply_voltage_v)
    ways = [("up", torque) for torque in settings.torques_nm]
    ways += [("down", torque) for torque in reversed(settings.torques_nm)]
    for number, (direction, torque_nm) in enumerate(ways):
        yield from hand.ramp_torque(torque_nm, slope_nm_per_s=settings.torque_slope_nm_per_s)
        point = Point(number=number, direction=direction, asked={"torque_nm": torque_nm})
        yield from hand.operating_point(
            point,
            settle_time_s=settings.settle_time_s,
            speed_band_rpm=settings.speed_band_rpm,
            average_time_s=settings.average_time_s,
        )
    yield from hand.ramp_torque(0.0, slope_nm_per_s=settings.torque_slope_nm_per_s)


LOAD = Procedure(
    kind="load",
    title="Load test",
    settings=LoadSettings,
    demand=demand,
    play=play,
    held=unloaded,
    held_energy="The shaft keeps turning at the supply voltage reached, without load torque.",
)
