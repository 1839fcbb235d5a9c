"""Torque zero over a slow turn in both directions: friction has opposite signs in them, the transducer's zero has not.

The load drive turns the shaft, the specimen makes no torque.
"""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat

from benchd.procedures.back_emf import DRAG_SHARE
from benchd.procedures.feeding import EXPECTED_REST_S
from benchd.procedures.hand import START_SECONDS_A_RAMP, Hand, unloaded
from benchd.procedures.procedure import Play, Procedure, Surroundings
from benchd.rules.demand import Demand
from benchd.rules.moves import Point, Role

WAYS = (1.0, -1.0, 1.0, -1.0)  # twice, so that its repeatability shows


class TorqueZeroSettings(BaseModel):
    """What a torque zero may be told in a programme."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    speed_rpm: Annotated[FiniteFloat, Field(gt=10.0, le=300.0)] = 60.0
    settle_time_s: Annotated[FiniteFloat, Field(ge=0.2, le=600.0)] = 0.5
    average_time_s: Annotated[FiniteFloat, Field(ge=0.2, le=600.0)] = 1.0  # whole revolutions are best
    speed_band_rpm: Annotated[FiniteFloat, Field(gt=0.0)] = 5.0


def _link_voltage_v(around: Surroundings) -> float:
    """A converter needs its link to carry no current; a directly fed motor is left without voltage."""
    return around.plate.voltage_v if around.plate.kind == "brushless" else 0.0


def demand(settings: TorqueZeroSettings, around: Surroundings) -> Demand:
    """A slow shaft, the specimen's drag, and the link's voltage for a converter."""
    voltage_v = _link_voltage_v(around)
    return Demand(
        speed_rpm=settings.speed_rpm,
        torque_nm=DRAG_SHARE * around.plate.torque_nm,
        power_w=0.0,
        voltage_v=voltage_v,
        current_a=0.0,
        duration_s=voltage_v / around.slopes.voltage_v_per_s
        + 8.0 * settings.speed_rpm / around.slopes.speed_rpm_per_s
        + 2.0 * EXPECTED_REST_S
        + len(WAYS) * (settings.settle_time_s + settings.average_time_s + START_SECONDS_A_RAMP),
    )


def play(settings: TorqueZeroSettings, around: Surroundings) -> Play:
    """To rest, then slowly one way and the other, twice."""
    hand = Hand(around, duration_s=demand(settings, around).duration_s)
    link_v = _link_voltage_v(around)
    yield from hand.come_to_rest(keep_voltage=link_v > 0.0)
    yield from hand.ramp_voltage(link_v)
    for number, way in enumerate(WAYS):
        yield from hand.ramp_speed(Role.LOAD_DRIVE, way * settings.speed_rpm)
        yield from hand.operating_point(
            Point(number=number, direction="", asked={"speed_rpm": way * settings.speed_rpm}),
            settle_time_s=settings.settle_time_s,
            speed_band_rpm=settings.speed_band_rpm,
            average_time_s=settings.average_time_s,
        )
    yield from hand.come_to_rest(keep_voltage=link_v > 0.0)


TORQUE_ZERO = Procedure(
    kind="torque_zero",
    limited=(("shaft_torque",), ("shaft_speed",)),
    title="Torque zero",
    settings=TorqueZeroSettings,
    demand=demand,
    play=play,
    held=unloaded,
    held_energy="The load drive keeps turning the shaft slowly; the specimen is without torque.",
)
