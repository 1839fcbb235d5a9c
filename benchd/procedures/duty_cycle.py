"""Duty cycle: speed and torque follow a course in step, repeated, and wait where it says so.

Duty types are those of IEC 60034-1 (S1 to S10); any of them is a course. One machine holds the speed and the other the
torque, and the programme says which.
"""

from collections.abc import Iterator, Sequence
from functools import cached_property
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, model_validator

from benchd.procedures.course_checks import Together, amounts, demand_of, dwelling, looks, too_much, unseen
from benchd.procedures.course_following import CourseHand, Machines
from benchd.procedures.course_settings import AnswerWait, Part
from benchd.procedures.hand import RPM_PER_RADIAN_A_SECOND, unloaded
from benchd.procedures.procedure import WINDING_HEAT, Misplaced, Play, Procedure, Surroundings
from benchd.rules.course_pairs import InStep
from benchd.rules.course_plain import in_step_of
from benchd.rules.demand import Demand
from benchd.rules.moves import Ask, Role

MOST_STRETCHES = 10_000  # that time runs on in between two waits or rounds: each is a point of the record


class DutyCycleSettings(BaseModel):
    """What a duty cycle may be told in a programme."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    speed_by: Literal["motor", "load"]  # which machine holds the speed; the other one holds the torque
    motor_holds: Literal["torque", "current"] = "torque"  # of a brushed motor whose speed the load machine holds
    supply_voltage_v: Annotated[FiniteFloat, Field(gt=0.0)]  # of the link; of a brushed motor the most that is used
    repeated: Annotated[int, Field(ge=1, le=MOST_STRETCHES)] = 1
    part: Annotated[tuple[Part, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _a_course(self) -> "DutyCycleSettings":
        waits = sum(one.wait is not None for one in self.part)
        if (waits + 1) * self.repeated > MOST_STRETCHES:
            raise ValueError(f"rounds and waits divide it into more than {MOST_STRETCHES} stretches: repeat it less")
        _ = self.course
        return self

    @cached_property
    def course(self) -> InStep:
        """Speed and torque in step. Raises `ValueError` for parts that make none."""
        return in_step_of([one.model_dump(mode="json") for one in self.part], repeated=self.repeated)

    @cached_property
    def seen(self) -> Sequence[Together]:
        """One round in short pieces."""
        return tuple(looks(self.course))

    def asked_at(self) -> Iterator[tuple[tuple[str | int, ...], str, float, float]]:
        """Where below its table the test asks for which quantity, how much, and at which second of a round."""
        for part, name, value, at_s in amounts(self.course):
            key = "table" if self.part[part].table is not None else name
            yield ("part", part, key), name, value, at_s


def machines_of(settings: DutyCycleSettings, around: Surroundings) -> Machines:
    """Who holds what."""
    plate, by_motor = around.plate, settings.speed_by == "motor"
    of_motor = Role.MOTOR_DRIVE if plate.kind == "brushless" else Role.SUPPLY
    roles = (of_motor, Role.LOAD_DRIVE) if by_motor else (Role.LOAD_DRIVE, of_motor)

    def voltage_v(speed_rpm: float, torque_nm: float) -> float:
        return plate.ke_v_s * speed_rpm / RPM_PER_RADIAN_A_SECOND + plate.resistance_ohm * torque_nm / plate.ke_v_s

    return Machines(
        speed=roles[0],
        torque=roles[1],
        supply_voltage_v=settings.supply_voltage_v,
        voltage_v=None if plate.kind == "brushless" else voltage_v,
        amperes_per_nm=1.0 / plate.ke_v_s if settings.motor_holds == "current" else None,
    )


def demand(settings: DutyCycleSettings, around: Surroundings) -> Demand:
    """The course's greatest amounts, and how long it takes where every wait is as short as may be."""
    return demand_of(settings.course, settings.seen, around, machines_of(settings, around))


def objection(settings: DutyCycleSettings, around: Surroundings) -> str:
    """Why this specimen cannot be led so, or ""."""
    brushless = around.plate.kind == "brushless"
    if brushless and Role.MOTOR_DRIVE not in around.roles:
        return "a brushless motor needs a motor drive, and this bench has none in [roles]"
    if settings.motor_holds == "current" and (brushless or settings.speed_by == "motor"):
        return 'motor_holds = "current" is for a brushed motor whose speed the load machine holds: leave it out'
    if brushless:
        return ""
    if any(value < 0.0 for _, _, value, _ in amounts(settings.course)):
        return (
            "a brushed motor is fed by a supply that gives voltage and current in one direction: speed and torque of "
            "the course must not be negative"
        )
    if settings.speed_by == "motor" and any(one.torque_nm > 0.0 and one.speed_rpm == 0.0 for one in settings.seen):
        return (
            "a brushed motor whose speed is made by its voltage cannot hold the shaft still against a torque: take the "
            'torque away at standstill, or let the load machine hold the speed (speed_by = "load")'
        )
    return ""


def misplaced(settings: DutyCycleSettings, around: Surroundings) -> Misplaced:
    """What single parts ask that this bench cannot follow or does not have."""
    if objection(settings, around):
        return
    course = settings.course
    machines = machines_of(settings, around)
    for part, says in (
        *unseen(course, around),
        *dwelling(course, around),
        *too_much(course, settings.seen, around, machines),
    ):
        yield ("part", part), says


def asks(settings: DutyCycleSettings, _around: Surroundings) -> str:
    """The first question to the operator, or ""."""
    return next((one.text for one in settings.course.speed.parts if isinstance(one, Ask)), "")


def play(settings: DutyCycleSettings, around: Surroundings) -> Play:
    """Bring the specimen to the course's beginning, follow the course, come down to rest."""
    hand = CourseHand(around, machines_of(settings, around), duration_s=demand(settings, around).duration_s)
    course = settings.course
    too_late = [
        "" if isinstance(one.wait, AnswerWait) else one.wait.too_late for one in settings.part if one.wait is not None
    ]
    yield from hand.bring_up(course.speed.at(0.0).value, course.torque.at(0.0).value)
    yield from hand.follow(course, too_late)
    yield from hand.come_down()


DUTY_CYCLE = Procedure(
    kind="duty_cycle",
    limited=(
        ("shaft_torque",),
        ("shaft_speed",),
        ("dc_current", "motor_current"),
        ("winding_temperature", WINDING_HEAT),
    ),
    title="Duty cycle",
    settings=DutyCycleSettings,
    demand=demand,
    play=play,
    held=unloaded,
    held_energy="The shaft keeps turning at the speed reached, without torque from whichever machine holds the torque; "
    "a brushed motor's supply stays at the voltage reached.",
    objection=objection,
    misplaced=misplaced,
    asks=asks,
)
