"""No-load test (IEC 60034-2-1, 6.1.3.2.4 in kind): supply voltage in steps, the load drive without torque.

The specimen stays coupled, so the bench's own drag appears on the transducer and is taken off in the evaluation.
"""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, model_validator

from benchd.procedures.hand import RPM_PER_RADIAN_A_SECOND, START_SECONDS_A_RAMP, Hand, unloaded
from benchd.procedures.procedure import Play, Procedure, Surroundings
from benchd.rules.demand import Demand
from benchd.rules.moves import Point

Positive = Annotated[FiniteFloat, Field(gt=0.0)]


class NoLoadSettings(BaseModel):
    """What a no-load test may be told in a programme."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    supply_voltages_v: Annotated[tuple[Positive, ...], Field(min_length=2)]
    settle_time_s: Annotated[FiniteFloat, Field(ge=0.2, le=3600.0)] = 1.0
    average_time_s: Annotated[FiniteFloat, Field(ge=0.2, le=3600.0)] = 1.5
    speed_band_rpm: Positive = 5.0

    @model_validator(mode="after")
    def _rising(self) -> "NoLoadSettings":
        if list(self.supply_voltages_v) != sorted(set(self.supply_voltages_v)):
            raise ValueError("supply_voltages_v must rise from step to step")
        return self


def demand(settings: NoLoadSettings, around: Surroundings) -> Demand:
    """The greatest voltage decides: an unloaded motor turns at little less than voltage over its constant."""
    plate = around.plate
    highest_v = max(settings.supply_voltages_v)
    idle_a = 0.3 * plate.current_a  # common practice: a small motor idles well below a third of its rated current
    steps = len(settings.supply_voltages_v)
    return Demand(
        speed_rpm=highest_v / plate.ke_v_s * RPM_PER_RADIAN_A_SECOND,
        torque_nm=0.0,
        power_w=highest_v * idle_a,
        voltage_v=highest_v,
        current_a=idle_a,
        duration_s=highest_v / around.slopes.voltage_v_per_s
        + steps * (settings.settle_time_s + settings.average_time_s + START_SECONDS_A_RAMP),
    )


def play(settings: NoLoadSettings, around: Surroundings) -> Play:
    """Step the voltage up; at each step settle, then average."""
    hand = Hand(around, duration_s=demand(settings, around).duration_s)
    for number, voltage_v in enumerate(settings.supply_voltages_v):
        yield from hand.ramp_voltage(voltage_v)
        point = Point(number=number, direction="", asked={"voltage_v": voltage_v})
        yield from hand.operating_point(
            point,
            settle_time_s=settings.settle_time_s,
            speed_band_rpm=settings.speed_band_rpm,
            average_time_s=settings.average_time_s,
        )


NO_LOAD = Procedure(
    kind="no_load",
    title="No-load test",
    settings=NoLoadSettings,
    demand=demand,
    play=play,
    held=unloaded,
    held_energy="The shaft keeps turning at the supply voltage reached, without load torque.",
)
