"""Manual work as a test: what it will ask of the bench at most. What it asks for moment by moment comes from a hand."""

from collections.abc import Mapping
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat

from benchd.procedures.hand import unloaded
from benchd.procedures.procedure import Play, Procedure, Surroundings
from benchd.rules.demand import Demand
from benchd.rules.moves import Role, Target

Positive = Annotated[FiniteFloat, Field(gt=0.0)]


class ManualSettings(BaseModel):
    """How far a hand may go: the rating plate's values, or what was asked for instead."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    supply_voltage_v: Positive
    max_speed_rpm: Positive
    max_torque_nm: Positive
    max_current_a: Positive


def objection(_settings: ManualSettings, around: Surroundings) -> str:
    """A brushless motor needs what turns it."""
    if around.plate.kind == "brushless" and Role.MOTOR_DRIVE not in around.roles:
        return "a brushless motor needs a motor drive, and this bench has none in [roles]"
    return ""


def demand(settings: ManualSettings, _around: Surroundings) -> Demand:
    """All of it at once; nobody knows how long it takes."""
    return Demand(
        speed_rpm=settings.max_speed_rpm,
        torque_nm=settings.max_torque_nm,
        power_w=settings.supply_voltage_v * settings.max_current_a,
        voltage_v=settings.supply_voltage_v,
        current_a=settings.max_current_a,
        duration_s=0.0,
    )


def play(_settings: ManualSettings, _around: Surroundings) -> Play:
    """Where nobody's hand is there it has ended before it began."""
    yield from ()


def held(targets: Mapping[Role, Target]) -> Mapping[Role, Target]:
    """No torque; the speed, or the voltage, stays."""
    return unloaded(targets)


MANUAL = Procedure(
    kind="manual",
    title="Manual",
    settings=ManualSettings,
    demand=demand,
    play=play,
    held=held,
    held_energy="The shaft keeps turning at the speed or supply voltage that was set, without load torque.",
    objection=objection,
    limited=(("shaft_speed",), ("dc_current", "motor_current")),
)
