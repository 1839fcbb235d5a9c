"""Plays any test against an ideal bench: shaft and winding follow the targets with a lag, whoever holds the speed."""

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from benchd.procedures.procedure import Plate, Play, Surroundings
from benchd.rules.channels import Quality
from benchd.rules.frames import Frame, Sample
from benchd.rules.moves import Move, Role, Speed, Torque, Voltage, Winding
from benchd.rules.ramps import Slopes

from .synthetic import PLATE

PUMP = Plate(
    kind="brushless",
    voltage_v=48.0,
    current_a=18.5,
    phase_current_a=19.0,
    pole_pairs=4,
    speed_rpm=3000.0,
    torque_nm=2.39,
    max_speed_rpm=4500.0,
    max_current_a=30.0,
    resistance_ohm=0.09,
    ke_v_s=0.0735,
    inertia_kgm2=3e-4,
)
ALL_ROLES = frozenset(Role)
SLOPES = Slopes(voltage_v_per_s=24.0, torque_nm_per_s=2.0, speed_rpm_per_s=2000.0)
TICK_S = 0.01
LAG_S = 0.05


def surroundings(plate: Plate = PUMP, *, roles: frozenset[Role] = ALL_ROLES, at=None) -> Surroundings:
    if plate is PLATE:
        roles -= {Role.MOTOR_DRIVE}
    return Surroundings(
        plate=plate,
        slopes=SLOPES,
        speed_limit_rpm=4500.0,
        current_limit_a=28.0,
        torque_limit_nm=4.0,
        roles=roles,
        at={} if at is None else at,
    )


@dataclass(slots=True)
class Driven:
    """Each move with the time and the shaft speed at which it was made."""

    plate: Plate
    moves: list[tuple[float, float, Move]] = field(default_factory=list)

    @property
    def duration_s(self) -> float:
        return self.moves[-1][0] - self.moves[0][0]

    def targets(self, role: Role) -> list:
        return [move.targets[role] for _, _, move in self.moves if role in move.targets]

    def points(self) -> list[tuple[dict, str, float]]:
        """What was asked at each point, its direction and the seconds that it lasted, in order."""
        found: dict[int, list] = {}
        for (at_s, _, move), (next_s, _, _) in zip(self.moves, self.moves[1:], strict=False):
            if move.point is not None:
                one = found.setdefault(move.point.number, [dict(move.point.asked), move.point.direction, 0.0])
                one[2] += next_s - at_s
        return [tuple(found[number]) for number in sorted(found)]


def drive(
    play: Play,
    plate: Plate = PUMP,
    *,
    speed_rpm: float = 0.0,
    current: Callable[[float, float], float] = lambda _time_s, ideal_a: ideal_a,
    longest_s: float = 600.0,
) -> Driven:
    """All moves of a test that begins at this speed."""
    result = Driven(plate)
    time_s, began_s = 50.0, 50.0
    winding_a = 0.0
    move = next(play)
    while time_s - began_s < longest_s:
        result.moves.append((time_s, speed_rpm, move))
        speed_rpm += (_ideal_rpm(move, plate, speed_rpm) - speed_rpm) * -math.expm1(-TICK_S / LAG_S)
        meter = move.targets.get(Role.RESISTANCE_METER)
        wanted_a = meter.current_a if isinstance(meter, Winding) else 0.0
        winding_a += (wanted_a - winding_a) * -math.expm1(-TICK_S / LAG_S)
        time_s += TICK_S
        samples = {
            "shaft_speed": Sample(speed_rpm, Quality.GOOD, time_s),
            "winding_current": Sample(current(time_s - began_s, winding_a), Quality.GOOD, time_s),
        }
        try:
            move = play.send(Frame(time_s, samples))
        except StopIteration:
            return result
    raise AssertionError(f"the test did not end within {longest_s} s")


def _ideal_rpm(move: Move, plate: Plate, now_rpm: float) -> float:
    for role in (Role.MOTOR_DRIVE, Role.LOAD_DRIVE):
        target = move.targets.get(role)
        if isinstance(target, Speed):
            return target.speed_rpm
    supply, load = move.targets.get(Role.SUPPLY), move.targets.get(Role.LOAD_DRIVE)
    if plate.kind == "brushless" or not isinstance(supply, Voltage):
        return 0.0 if move.targets else now_rpm
    torque_nm = load.torque_nm if isinstance(load, Torque) else 0.0
    return max(0.0, supply.voltage_v - plate.resistance_ohm * torque_nm / plate.ke_v_s) / plate.ke_v_s * 30.0 / math.pi
