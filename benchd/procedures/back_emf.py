"""Back-EMF test: the load drive turns the specimen while its converter carries no current."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, model_validator

from benchd.procedures.feeding import EXPECTED_REST_S
from benchd.procedures.hand import START_SECONDS_A_RAMP, Hand, unloaded
from benchd.procedures.procedure import Play, Procedure, Surroundings
from benchd.rules.demand import Demand
from benchd.rules.moves import Point, Role

Positive = Annotated[FiniteFloat, Field(gt=0.0)]
DRAG_SHARE = 0.2  # of the rated torque, assumed for friction and iron loss when planning


class BackEmfSettings(BaseModel):
    """What a back-EMF test may be told in a programme."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    supply_voltage_v: Positive  # of the DC link, above what the specimen generates
    speeds_rpm: Annotated[tuple[Positive, ...], Field(min_length=1)]
    settle_time_s: Annotated[FiniteFloat, Field(ge=0.2, le=3600.0)] = 1.0
    average_time_s: Annotated[FiniteFloat, Field(ge=0.2, le=3600.0)] = 1.5
    speed_band_rpm: Positive = 5.0

    @model_validator(mode="after")
    def _rising(self) -> "BackEmfSettings":
        if list(self.speeds_rpm) != sorted(set(self.speeds_rpm)):
            raise ValueError("speeds_rpm must rise from step to step")
        return self


def objection(_settings: BackEmfSettings, around: Surroundings) -> str:
    """Only a motor with a converter can turn without current."""
    if around.plate.kind != "brushless" or Role.MOTOR_DRIVE not in around.roles:
        return "a back-EMF test is for a brushless motor on a motor drive: use no_load for a brushed one"
    return ""


def demand(settings: BackEmfSettings, around: Surroundings) -> Demand:
    """The top speed, the specimen's drag, and next to no current."""
    plate = around.plate
    steps = len(settings.speeds_rpm)
    top_rpm = max(settings.speeds_rpm)
    current_a = 0.1 * plate.current_a  # the converter's own use, common practice
    return Demand(
        speed_rpm=top_rpm,
        torque_nm=DRAG_SHARE * plate.torque_nm,
        power_w=settings.supply_voltage_v * current_a,
        voltage_v=settings.supply_voltage_v,
        current_a=current_a,
        duration_s=settings.supply_voltage_v / around.slopes.voltage_v_per_s
        + 2.0 * top_rpm / around.slopes.speed_rpm_per_s
        + EXPECTED_REST_S
        + steps * (settings.settle_time_s + settings.average_time_s + START_SECONDS_A_RAMP),
    )


def play(settings: BackEmfSettings, around: Surroundings) -> Play:
    """Link up, then the load drive from speed to speed; at each settle and average; then to rest."""
    hand = Hand(around, duration_s=demand(settings, around).duration_s)
    yield from hand.come_to_rest(keep_voltage=True)
    yield from hand.ramp_voltage(settings.supply_voltage_v)
    for number, speed_rpm in enumerate(settings.speeds_rpm):
        yield from hand.ramp_speed(Role.LOAD_DRIVE, speed_rpm)
        yield from hand.operating_point(
            Point(number=number, direction="", asked={"speed_rpm": speed_rpm}),
            settle_time_s=settings.settle_time_s,
            speed_band_rpm=settings.speed_band_rpm,
            average_time_s=settings.average_time_s,
        )
    yield from hand.come_to_rest(keep_voltage=True)


BACK_EMF = Procedure(
    kind="back_emf",
    limited=(("shaft_speed",),),
    title="Back-EMF test",
    settings=BackEmfSettings,
    demand=demand,
    play=play,
    held=unloaded,
    held_energy="The load drive keeps turning the shaft at the speed reached; the specimen generates its voltage.",
    objection=objection,
)
