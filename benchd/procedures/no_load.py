"""No-load test (IEC 60034-2-1, 6.1.3.2.4 in kind): the specimen turns by itself, the load drive without torque.

A brushed motor at rising supply voltages, a brushless one at rising speeds that its converter holds. The specimen stays
coupled, so the bench's own drag appears on the transducer and is taken off in the evaluation.
"""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, model_validator

from benchd.procedures.feeding import IDLE_SHARE, Feeding
from benchd.procedures.hand import RPM_PER_RADIAN_A_SECOND, START_SECONDS_A_RAMP, Hand, unloaded
from benchd.procedures.procedure import Play, Procedure, Surroundings
from benchd.rules.demand import Demand
from benchd.rules.moves import Point, Role

Positive = Annotated[FiniteFloat, Field(gt=0.0)]
Steps = Annotated[tuple[Positive, ...], Field(min_length=2)]


class NoLoadSettings(BaseModel):
    """What a no-load test may be told in a programme: supply voltages, or one voltage and speeds."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    supply_voltages_v: Steps | None = None  # brushed
    supply_voltage_v: Positive | None = None  # brushless: of the DC link
    speeds_rpm: Steps | None = None
    settle_time_s: Annotated[FiniteFloat, Field(ge=0.2, le=3600.0)] = 1.0
    average_time_s: Annotated[FiniteFloat, Field(ge=0.2, le=3600.0)] = 1.5
    speed_band_rpm: Positive = 5.0

    @model_validator(mode="after")
    def _one_way_rising(self) -> "NoLoadSettings":
        by_speed = self.speeds_rpm is not None and self.supply_voltage_v is not None
        if (self.supply_voltages_v is not None) == by_speed or (self.speeds_rpm is None) != (
            self.supply_voltage_v is None
        ):
            raise ValueError("give supply_voltages_v for a brushed motor, or supply_voltage_v and speeds_rpm")
        for name, steps in (("supply_voltages_v", self.supply_voltages_v), ("speeds_rpm", self.speeds_rpm)):
            if steps is not None and list(steps) != sorted(set(steps)):
                raise ValueError(f"{name} must rise from step to step")
        return self


def objection(settings: NoLoadSettings, around: Surroundings) -> str:
    """Each kind of motor has its own steps."""
    brushless = around.plate.kind == "brushless"
    if brushless and settings.speeds_rpm is None:
        return "a brushless motor is stepped by speed: give supply_voltage_v and speeds_rpm"
    if not brushless and settings.supply_voltages_v is None:
        return "a brushed motor is stepped by voltage: give supply_voltages_v"
    if brushless and Role.MOTOR_DRIVE not in around.roles:
        return "a brushless motor needs a motor drive, and this bench has none in [roles]"
    return ""


def demand(settings: NoLoadSettings, around: Surroundings) -> Demand:
    """The greatest voltage or speed decides: an unloaded motor turns at little less than voltage over its constant."""
    plate = around.plate
    each_s = settings.settle_time_s + settings.average_time_s + START_SECONDS_A_RAMP
    if settings.speeds_rpm is not None and settings.supply_voltage_v is not None:
        feeding = Feeding(around, supply_voltage_v=settings.supply_voltage_v, speed_rpm=max(settings.speeds_rpm))
        return feeding.demand(0.0, duration_s=len(settings.speeds_rpm) * each_s)
    volts = settings.supply_voltages_v or (0.0,)
    idle_a = IDLE_SHARE * plate.current_a
    return Demand(
        speed_rpm=max(volts) / plate.ke_v_s * RPM_PER_RADIAN_A_SECOND,
        torque_nm=0.0,
        power_w=max(volts) * idle_a,
        voltage_v=max(volts),
        current_a=idle_a,
        duration_s=max(volts) / around.slopes.voltage_v_per_s + len(volts) * each_s,
    )


def play(settings: NoLoadSettings, around: Surroundings) -> Play:
    """Step the voltage or the speed up; at each step settle, then average."""
    hand = Hand(around, duration_s=demand(settings, around).duration_s)
    if settings.speeds_rpm is not None:
        steps = [("speed_rpm", speed_rpm) for speed_rpm in settings.speeds_rpm]
    else:
        steps = [("voltage_v", voltage_v) for voltage_v in settings.supply_voltages_v or ()]
    for number, (name, amount) in enumerate(steps):
        if name == "voltage_v":
            feeding = Feeding(around, supply_voltage_v=amount, speed_rpm=None)
        else:
            feeding = Feeding(around, supply_voltage_v=settings.supply_voltage_v or 0.0, speed_rpm=amount)
        yield from feeding.bring_up(hand)
        yield from hand.operating_point(
            Point(number=number, direction="", asked={name: amount}),
            settle_time_s=settings.settle_time_s,
            speed_band_rpm=settings.speed_band_rpm,
            average_time_s=settings.average_time_s,
        )


NO_LOAD = Procedure(
    kind="no_load",
    limited=(("shaft_speed",), ("dc_current", "motor_current")),
    title="No-load test",
    settings=NoLoadSettings,
    demand=demand,
    play=play,
    held=unloaded,
    held_energy="The shaft keeps turning at the supply voltage or speed reached, without load torque.",
    objection=objection,
)
