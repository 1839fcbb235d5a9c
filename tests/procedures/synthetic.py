"""Plays a test against synthetic frames: an ideal motor with a lag, any tick, gaps, and gauges that fail."""

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from benchd.procedures.procedure import Plate, Play, Surroundings
from benchd.rules.channels import Quality
from benchd.rules.frames import Frame, Sample
from benchd.rules.moves import Move, Role, Torque, Voltage
from benchd.rules.ramps import Slopes

PLATE = Plate(
    voltage_v=24.0,
    current_a=4.2,
    speed_rpm=3000.0,
    torque_nm=0.25,
    max_speed_rpm=6500.0,
    max_current_a=10.0,
    resistance_ohm=0.8,
    ke_v_s=0.065,
)
TICK_S = 0.01
LAG_S = 0.05


def surroundings(*, voltage_v_per_s: float = 12.0, torque_nm_per_s: float = 1.0, at=None) -> Surroundings:
    return Surroundings(
        plate=PLATE,
        slopes=Slopes(voltage_v_per_s=voltage_v_per_s, torque_nm_per_s=torque_nm_per_s, speed_rpm_per_s=2000.0),
        speed_limit_rpm=6000.0,
        current_limit_a=9.5,
        at={} if at is None else at,
    )


@dataclass(slots=True)
class Played:
    """Every move with the time of the frame that it answered; `ended_s` is the time of the last one."""

    moves: list[tuple[float, Move]] = field(default_factory=list)

    @property
    def duration_s(self) -> float:
        return self.moves[-1][0] - self.moves[0][0]

    @property
    def volts(self) -> list[float]:
        return [move.targets[Role.SUPPLY].voltage_v for _, move in self.moves]

    @property
    def torques(self) -> list[float]:
        return [move.targets[Role.LOAD_DRIVE].torque_nm for _, move in self.moves]

    @property
    def notes(self) -> list[str]:
        return [note for _, move in self.moves for note in move.notes]

    def points(self) -> dict[int, float]:
        """Each point's number and for how long it was averaged."""
        found: dict[int, float] = {}
        for (at_s, move), (next_s, _) in zip(self.moves, self.moves[1:], strict=False):
            if move.point is not None:
                found[move.point.number] = found.get(move.point.number, 0.0) + next_s - at_s
        return found


def played(
    play: Play,
    *,
    tick_s: float = TICK_S,
    speed: Callable[[float, float], float] | None = None,
    gap: Callable[[float, Move], float] = lambda _time_s, _move: 0.0,
    longest_s: float = 3600.0,
) -> Played:
    """All moves of a test. `speed(time, ideal)` replaces the ideal speed, `gap(time, move)` is added to the clock."""
    result = Played()
    time_s = 100.0
    began_s = time_s
    speed_rpm = 0.0
    move = next(play)
    while time_s - began_s < longest_s:
        result.moves.append((time_s, move))
        supply, load = move.targets[Role.SUPPLY], move.targets[Role.LOAD_DRIVE]
        assert isinstance(supply, Voltage)
        assert isinstance(load, Torque)
        current_a = load.torque_nm / PLATE.ke_v_s
        ideal_rpm = max(0.0, (supply.voltage_v - PLATE.resistance_ohm * current_a) / PLATE.ke_v_s) * 30.0 / math.pi
        speed_rpm += (ideal_rpm - speed_rpm) * -math.expm1(-tick_s / LAG_S)
        time_s += tick_s + gap(time_s, move)
        shown = speed_rpm if speed is None else speed(time_s, speed_rpm)
        frame = Frame(time_s, {"shaft_speed": Sample(shown, Quality.GOOD, time_s)})
        try:
            move = play.send(frame)
        except StopIteration:
            return result
    raise AssertionError(f"the test did not end within {longest_s} s")
