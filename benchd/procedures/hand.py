"""A test's hand on supply and load drive of a directly fed DC motor: ramps, settling, averaging.

Every step is a generator over frames, so that the same code plays live and in rehearsal. It reads no clock but the
frame's own time.
"""

import math
from collections import deque
from collections.abc import Generator, Mapping

from benchd.procedures.procedure import Play, Surroundings
from benchd.rules.frames import Frame
from benchd.rules.moves import Move, Point, Role, Speed, Target, Torque, Voltage
from benchd.rules.ramps import towards

LONGEST_GAP_S = 0.5  # frames further apart mean that the test was held in between: what was under way starts again
PATIENCE = 4.0  # a point may take this many settle times before it is averaged all the same, with a note
START_SECONDS_A_RAMP = 0.3  # of waiting for devices to follow, counted in a test's duration
RPM_PER_RADIAN_A_SECOND = 30.0 / math.pi


class Hand:
    """Keeps the targets of one test and moves them no faster than the slopes allow."""

    def __init__(self, around: Surroundings, *, duration_s: float) -> None:
        self._around = around
        self._duration_s = duration_s
        supply, load = around.at.get(Role.SUPPLY), around.at.get(Role.LOAD_DRIVE)
        self._voltage_v = supply.voltage_v if isinstance(supply, Voltage) else 0.0
        self._torque_nm = load.torque_nm if isinstance(load, Torque) else 0.0
        self._time_mono_s: float | None = None
        self._busy_s = 0.0

    def _move(self, doing: str, *, point: Point | None = None, notes: tuple[str, ...] = ()) -> Move:
        return Move(
            targets={
                Role.SUPPLY: Voltage(self._voltage_v, self._around.current_limit_a),
                Role.LOAD_DRIVE: Torque(self._torque_nm, self._around.speed_limit_rpm),
            },
            doing=doing,
            done_ratio=min(1.0, self._busy_s / self._duration_s),
            point=point,
            notes=notes,
        )

    def _elapsed(self, frame: Frame) -> float:
        """Seconds since the last frame; 0 for the first one and after a gap."""
        before, self._time_mono_s = self._time_mono_s, frame.time_mono_s
        gap_s = 0.0 if before is None else frame.time_mono_s - before
        dt_s = gap_s if gap_s <= LONGEST_GAP_S else 0.0
        self._busy_s += dt_s
        return dt_s

    def ramp_voltage(self, voltage_v: float) -> Play:
        """Move the supply voltage to `voltage_v` at the bench's slope."""
        slope = self._around.slopes.voltage_v_per_s
        while self._voltage_v != voltage_v:
            frame = yield self._move(f"supply to {voltage_v:g} V")
            self._voltage_v = towards(self._voltage_v, voltage_v, slope_per_s=slope, dt_s=self._elapsed(frame))

    def ramp_torque(self, torque_nm: float, *, slope_nm_per_s: float) -> Play:
        """Move the load drive's torque to `torque_nm`, no faster than this slope and the bench's."""
        slope = min(slope_nm_per_s, self._around.slopes.torque_nm_per_s)
        while self._torque_nm != torque_nm:
            frame = yield self._move(f"load to {torque_nm:g} N·m")
            self._torque_nm = towards(self._torque_nm, torque_nm, slope_per_s=slope, dt_s=self._elapsed(frame))

    def settle(self, *, time_s: float, speed_band_rpm: float) -> Generator[Move, Frame, tuple[str, ...]]:
        """Wait until the shaft speed has stayed within the band for `time_s`; returns notes when it never does."""
        window: deque[tuple[float, float]] = deque()
        waited_s = 0.0
        while waited_s < PATIENCE * time_s:
            frame = yield self._move(f"settling at {self._voltage_v:g} V, {self._torque_nm:g} N·m")
            dt_s = self._elapsed(frame)
            if dt_s == 0.0:  # held meanwhile: the shaft did something else, and its patience begins anew
                window.clear()
                waited_s = 0.0
            waited_s += dt_s
            window.append((frame.time_mono_s, frame.value("shaft_speed")))
            while window[-1][0] - window[0][0] > time_s:
                window.popleft()
            if waited_s >= time_s and _within(window, speed_band_rpm, time_s=time_s):
                return ()
        sentence = (
            f"shaft_speed did not settle within {speed_band_rpm:g} r/min for {time_s:g} s at {self._voltage_v:g} V, "
            f"{self._torque_nm:g} N·m; the point was averaged all the same."
        )
        return (sentence,)

    def operating_point(
        self, point: Point, *, settle_time_s: float, speed_band_rpm: float, average_time_s: float
    ) -> Play:
        """Settle, then keep still for `average_time_s` while frames belong to `point`.

        A gap (the test was held meanwhile) starts both again.
        """
        done_s = 0.0
        settled = False
        doing = f"averaging at {self._voltage_v:g} V, {self._torque_nm:g} N·m"
        notes: tuple[str, ...] = ()
        while done_s < average_time_s:
            if not settled:
                notes = yield from self.settle(time_s=settle_time_s, speed_band_rpm=speed_band_rpm)
                settled, done_s = True, 0.0
            frame = yield self._move(doing, point=point, notes=notes)
            notes = ()
            dt_s = self._elapsed(frame)
            done_s += dt_s
            settled = dt_s > 0.0


def _within(window: deque[tuple[float, float]], band_rpm: float, *, time_s: float) -> bool:
    """Whether the window is long enough and the means of its thirds agree within the band, as every value nearly does.

    Means and not extremes: one noisy encoder reading must not keep a point from settling. Thirds and not halves: those
    of a hunting shaft agree at each of its turning points.
    """
    if window[-1][0] - window[0][0] < 0.9 * time_s:
        return False
    speeds = [speed for _, speed in window]
    if any(math.isnan(speed) for speed in speeds):
        return False
    third = len(speeds) // 3
    parts = (speeds[:third], speeds[third:-third], speeds[-third:])
    means = [sum(part) / len(part) for part in parts if third]
    return bool(means) and max(means) - min(means) <= band_rpm


def unloaded(targets: Mapping[Role, Target]) -> Mapping[Role, Target]:
    """The same targets with every machine but the supplied one without torque: how these tests are held."""
    held: dict[Role, Target] = {}
    for role, target in targets.items():
        match target:
            case Torque(speed_limit_rpm=limit_rpm):
                held[role] = Torque(0.0, limit_rpm)
            case Speed() | Voltage():
                held[role] = target
    return held
