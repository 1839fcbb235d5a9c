"""A test's hand on supply, motor drive and load drive: ramps, settling, averaging.

Every step is a generator over frames, so that the same code plays live and in rehearsal. It reads no clock but the
frame's own time.
"""

import math
from collections import deque
from collections.abc import Callable, Generator, Mapping
from dataclasses import replace

from benchd.procedures.procedure import Play, Surroundings
from benchd.rules.frames import Frame
from benchd.rules.moves import CannotGoOn, Move, Point, Regulated, Role, Speed, Target, Torque, Voltage, Winding
from benchd.rules.ramps import towards
from benchd.rules.resonance import crossing, dwells_in, outside

LONGEST_GAP_S = 0.5  # frames further apart mean that the test was held in between: what was under way starts again
PATIENCE = 4.0  # a point may take this many settle times before it is averaged all the same, with a note
LONGEST_REST_S = 20.0  # a shaft that takes longer to stand is taken over as it is; the limits still hold
STANDSTILL_RPM = 10.0
START_SECONDS_A_RAMP = 0.3  # of waiting for devices to follow, counted in a test's duration
REACHED_RATIO = 0.1  # a shaft that is held by a drive is this near to what was asked for, or something is wrong
REACHED_RPM = 20.0  # and this near to a slow one
LONGEST_REACH_S = 3.0  # for the shaft to follow its drive's speed once that is there
LONGEST_STALL_S = 0.5  # of a directly fed motor in an averaged point
SYNCHRONISING_RATIO = 0.25  # of the torque limit, for a drive that holds a speed which another one still holds
SYNCHRONISING_S = 0.4
RPM_PER_RADIAN_A_SECOND = 30.0 / math.pi


class Hand:
    """Keeps the targets of one test and moves them no faster than the slopes allow.

    It begins with the targets in force. The load drive follows a torque or holds a speed; so does the motor drive of a
    specimen that has one.
    """

    def __init__(self, around: Surroundings, *, duration_s: float) -> None:
        self._around = around
        self._duration_s = duration_s
        no_torque = Torque(0.0, around.speed_limit_rpm)
        supply = around.at.get(Role.SUPPLY)
        load, motor = (around.at.get(role) for role in (Role.LOAD_DRIVE, Role.MOTOR_DRIVE))
        self._voltage_v = supply.voltage_v if isinstance(supply, Voltage) else 0.0
        self._load: Torque | Speed = load if isinstance(load, Torque | Speed) else no_torque
        if isinstance(self._load, Torque):
            self._load = Torque(self._load.torque_nm, around.speed_limit_rpm)
        self._motor: Torque | Speed | None = None
        if Role.MOTOR_DRIVE in around.roles:
            self._motor = motor if isinstance(motor, Torque | Speed) else no_torque
            if isinstance(self._motor, Torque):  # one at rest has no speed, and would brake the shaft
                self._motor = Torque(self._motor.torque_nm, around.speed_limit_rpm)
        self._time_mono_s: float | None = None
        self._busy_s = 0.0
        self._synchronising = False  # two drives hold one speed
        self.torque_of_voltage: Callable[[float], float] | None = None  # what it feeds for; None: for the voltage

    @property
    def voltage_v(self) -> float:
        """The supply's voltage as last asked for."""
        return self._voltage_v

    def _move(
        self, doing: str, *, point: Point | None = None, notes: tuple[str, ...] = (), capture_s: float = 0.0
    ) -> Move:
        targets: dict[Role, Target] = {
            Role.SUPPLY: Voltage(self._voltage_v, self._around.current_limit_a),
            Role.LOAD_DRIVE: self._load,
        }
        if self._motor is not None:
            targets[Role.MOTOR_DRIVE] = self._motor
        return Move(
            targets=targets,
            regulated=self._regulated(targets),
            doing=doing,
            done_ratio=min(1.0, self._busy_s / self._duration_s),
            point=point,
            capture_s=capture_s,
            notes=notes,
        )

    def _regulated(self, targets: Mapping[Role, Target]) -> Mapping[Role, Regulated]:
        """What the channels shall show: a drive's speed or torque, the voltage at the terminals or the fed torque."""
        shown: dict[Role, Regulated] = {}
        for role, target in targets.items():
            match target:
                case Torque(torque_nm=torque_nm) if torque_nm != 0.0:
                    shown[role] = Regulated("shaft_torque", torque_nm)
                case Speed(speed_rpm=speed_rpm) if not self._synchronising:
                    shown[role] = Regulated("shaft_speed", speed_rpm)
                case Voltage(voltage_v=voltage_v) if self.torque_of_voltage is None:
                    shown[role] = Regulated("dc_voltage", voltage_v)
                case Voltage(voltage_v=voltage_v) if self.torque_of_voltage is not None:
                    shown[role] = Regulated("shaft_torque", self.torque_of_voltage(voltage_v))
                case _:  # a machine that shall make no torque carries no current either: nothing trims it
                    pass
        return shown

    def _elapsed(self, frame: Frame) -> float:
        """Seconds since the last frame; 0 for the first one and after a gap."""
        before, self._time_mono_s = self._time_mono_s, frame.time_mono_s
        gap_s = 0.0 if before is None else frame.time_mono_s - before
        gap_s -= frame.leapt_s
        dt_s = (gap_s if gap_s <= LONGEST_GAP_S and not frame.resumed else 0.0) + frame.leapt_s
        self._busy_s += dt_s
        return dt_s

    def _wherever(self) -> str:
        """The targets in words, for people."""
        speeds = (one for one in (self._motor, self._load) if isinstance(one, Speed))
        parts = [f"{self._voltage_v:g} V", *(f"{speed.speed_rpm:g} r/min" for speed in speeds)]
        if isinstance(self._load, Torque):
            parts.append(f"{self._load.torque_nm:g} N·m")
        return ", ".join(parts)

    def ramp_voltage(self, voltage_v: float, *, slope_v_per_s: float = math.inf) -> Play:
        """Move the supply voltage to `voltage_v`, no faster than this slope and the bench's."""
        slope = min(slope_v_per_s, self._around.slopes.voltage_v_per_s)
        while self._voltage_v != voltage_v:
            frame = yield self._move(f"supply to {voltage_v:g} V")
            self._voltage_v = towards(self._voltage_v, voltage_v, slope_per_s=slope, dt_s=self._elapsed(frame))

    def ramp_torque(self, torque_nm: float, *, slope_nm_per_s: float = math.inf) -> Play:
        """Move the load drive's torque to `torque_nm`, no faster than this slope and the bench's.

        A load drive that held a speed follows torque from now on, beginning with none.
        """
        slope = min(slope_nm_per_s, self._around.slopes.torque_nm_per_s)
        if not isinstance(self._load, Torque):
            self._load = Torque(0.0, self._around.speed_limit_rpm)
        while (at_nm := self._load.torque_nm) != torque_nm:
            frame = yield self._move(f"load to {torque_nm:g} N·m")
            now_nm = towards(at_nm, torque_nm, slope_per_s=slope, dt_s=self._elapsed(frame))
            self._load = Torque(now_nm, self._around.speed_limit_rpm)

    def ramp_speed(self, role: Role, speed_rpm: float, *, volts_per_rpm: float | None = None) -> Play:
        """Let this drive hold a speed and move it to `speed_rpm` at the bench's slope, and the shaft with it.

        A drive that followed torque begins at standstill, so the shaft must rest then. With `volts_per_rpm` the supply
        voltage follows the speed, so that a directly fed motor neither drives nor brakes. A critical band is crossed by
        the slope for it. Raises `CannotGoOn` where the shaft does not follow, and for a speed within such a band.
        """
        bands, slopes = self._around.bands, self._around.slopes
        band = dwells_in(bands, speed_rpm=speed_rpm)
        if band is not None:
            raise CannotGoOn(f"{speed_rpm:g} r/min is not held: it lies within the critical band {band.words}.")
        most = math.inf if volts_per_rpm is None else slopes.voltage_v_per_s / volts_per_rpm
        slope, steep = min(slopes.speed_rpm_per_s, most), min(slopes.crossing_rpm_per_s, most)
        limit_nm = self._around.torque_limit_nm
        target = self._motor if role is Role.MOTOR_DRIVE else self._load
        at_rpm = target.speed_rpm if isinstance(target, Speed) else 0.0
        self._hold(role, Speed(at_rpm, limit_nm))
        while at_rpm != speed_rpm:
            frame = yield self._move(f"{role.value.replace('_', ' ')} to {speed_rpm:g} r/min")
            at_rpm = crossing(
                bands,
                from_rpm=at_rpm,
                to_rpm=speed_rpm,
                slope_rpm_per_s=slope,
                crossing_rpm_per_s=steep,
                dt_s=self._elapsed(frame),
            )
            self._hold(role, Speed(at_rpm, limit_nm))
            if volts_per_rpm is not None:
                self._voltage_v = volts_per_rpm * at_rpm
        waited_s = 0.0
        while speed_rpm != 0.0:
            frame = yield self._move(f"waiting for {speed_rpm:g} r/min")
            waited_s += self._elapsed(frame)
            unreached = self._unreached(frame)
            if unreached is None:
                break
            if waited_s > LONGEST_REACH_S:
                raise CannotGoOn(unreached)

    def _unreached(self, frame: Frame) -> str | None:
        """What is wrong where a drive that holds a speed does not have it; None also where no speed is read."""
        now_rpm = frame.value("shaft_speed")
        for name, look, target in (
            ("motor drive", "phase order, commutation and torque limit", self._motor),
            ("load drive", "torque limit, coupling and encoder", self._load),
        ):
            if isinstance(target, Speed) and target.speed_rpm != 0.0:
                near_rpm = max(REACHED_RATIO * abs(target.speed_rpm), REACHED_RPM)
                if abs(now_rpm - target.speed_rpm) > near_rpm:
                    return (
                        f"The shaft turns at {now_rpm:.0f} r/min where the {name} shall hold "
                        f"{target.speed_rpm:g} r/min: look at its {look}."
                    )
        return None

    def _stands(self, frame: Frame) -> str | None:
        """What is wrong where a motor that its supply feeds takes more than its rated current at standstill.

        It may go on so below every limit: the supply's own current limit holds it there. None where it may be so, and
        also where no speed or current is read.
        """
        plate = self._around.plate
        if plate.kind == "brushless" or not isinstance(self._load, Torque):
            return None
        current_a = abs(frame.value("dc_current"))
        if not (abs(frame.value("shaft_speed")) <= STANDSTILL_RPM and current_a > plate.current_a):
            return None
        return (
            f"The shaft stands at {self._wherever()} and the motor takes {current_a:.3g} A of its rated "
            f"{plate.current_a:g} A: look whether the rotor is blocked."
        )

    def holds_speed(self, role: Role) -> bool:
        """Whether this drive holds a speed just now."""
        return isinstance(self._motor if role is Role.MOTOR_DRIVE else self._load, Speed)

    def held_rpm(self, role: Role) -> float:
        """The speed that this drive holds just now, 0 also where it holds none."""
        target = self._motor if role is Role.MOTOR_DRIVE else self._load
        return target.speed_rpm if isinstance(target, Speed) else 0.0

    def let_go(self, role: Role) -> None:
        """This drive follows no torque from the next move on."""
        self._hold(role, Torque(0.0, self._around.speed_limit_rpm))

    def _hold(self, role: Role, target: Torque | Speed) -> None:
        if role is Role.MOTOR_DRIVE:
            self._motor = target
        else:
            self._load = target

    def hand_over(self, role: Role) -> Play:
        """Let this drive hold the speed that the other one holds, without stopping the shaft.

        A load drive's torque goes to zero first; then both hold the same speed, the new one with little torque, so that
        neither works against the other; then the old one lets go of its torque by the slope. Raises `CannotGoOn` where
        the shaft does not turn as it shall.
        """
        other = Role.LOAD_DRIVE if role is Role.MOTOR_DRIVE else Role.MOTOR_DRIVE
        held = self._motor if other is Role.MOTOR_DRIVE else self._load
        if not isinstance(held, Speed):
            raise CannotGoOn(f"No speed is held that the {role.value.replace('_', ' ')} could take over.")
        if role is Role.LOAD_DRIVE:
            yield from self.ramp_torque(0.0)
        limit_nm = self._around.torque_limit_nm
        self._elapsed((yield self._move("without torque")))  # asked for, before anything changes
        self._synchronising = True
        self._hold(role, Speed(held.speed_rpm, SYNCHRONISING_RATIO * limit_nm))
        yield from self.wait(SYNCHRONISING_S, "synchronising the drives")
        frame = yield self._move("synchronising the drives")
        self._elapsed(frame)
        if (unreached := self._unreached(frame)) is not None:
            raise CannotGoOn(unreached)
        self.let_go(other)
        yield from self.wait(SYNCHRONISING_S, "handing over the speed")
        self._synchronising = False
        self._hold(role, Speed(held.speed_rpm, limit_nm))
        self._elapsed((yield self._move("speed handed over")))

    def come_to_rest(self, *, keep_voltage: bool) -> Play:
        """Take torque, then speed away and wait until the shaft stands, so that any drive may hold a speed next."""
        if isinstance(self._load, Torque):
            yield from self.ramp_torque(0.0)
        for role, target in ((Role.MOTOR_DRIVE, self._motor), (Role.LOAD_DRIVE, self._load)):
            if isinstance(target, Speed):
                yield from self.ramp_speed(role, 0.0)
        if not keep_voltage:
            yield from self.ramp_voltage(0.0)
        waited_s = 0.0
        while waited_s < LONGEST_REST_S:
            frame = yield self._move("waiting for standstill")
            waited_s += self._elapsed(frame)
            if abs(frame.value("shaft_speed")) <= STANDSTILL_RPM:
                break
        self.let_go(Role.LOAD_DRIVE)
        if self._motor is not None:
            self.let_go(Role.MOTOR_DRIVE)
        self._elapsed((yield self._move("at rest")))

    def wait(self, time_s: float, doing: str) -> Play:
        """Keep everything as it is for `time_s`."""
        waited_s = 0.0
        while waited_s < time_s:
            frame = yield replace(self._move(doing), dwell_s=time_s - waited_s)
            waited_s += self._elapsed(frame)

    def settle(self, *, time_s: float, speed_band_rpm: float) -> Generator[Move, Frame, tuple[str, ...]]:
        """Wait until the shaft speed has stayed within the band for `time_s`; returns notes when it never does.

        Raises `CannotGoOn` where it then is not the speed that a drive shall hold: nothing is measured there.
        """
        window: deque[tuple[float, float]] = deque()
        waited_s = 0.0
        notes: tuple[str, ...] = ()
        unreached: str | None = None
        while waited_s < PATIENCE * time_s:
            frame = yield self._move(f"settling at {self._wherever()}")
            dt_s = self._elapsed(frame)
            if dt_s == 0.0:  # held meanwhile: the shaft did something else, and its patience begins anew
                window.clear()
                waited_s = 0.0
            waited_s += dt_s
            window.append((frame.time_mono_s, frame.value("shaft_speed")))
            unreached = self._unreached(frame)
            while window[-1][0] - window[0][0] > time_s:
                window.popleft()
            if waited_s >= time_s and _within(window, speed_band_rpm, time_s=time_s):
                break
        else:
            sentence = (
                f"shaft_speed did not settle within {speed_band_rpm:g} r/min for {time_s:g} s at "
                f"{self._wherever()}; the point was averaged all the same."
            )
            notes = (sentence,)
        if unreached is None:
            unreached = self._stands(frame)
        if unreached is not None:
            raise CannotGoOn(unreached)
        return notes

    def operating_point(
        self,
        point: Point,
        *,
        settle_time_s: float,
        speed_band_rpm: float,
        average_time_s: float,
        capture_s: float = 0.0,
    ) -> Play:
        """Settle, then keep still for `average_time_s` while frames belong to `point`.

        The waveforms of its first `capture_s` are kept. A gap (the test was held meanwhile) starts both again. Raises
        `CannotGoOn` where a motor is stalled.
        """
        done_s = stood_s = 0.0
        settled = False
        doing = f"averaging at {self._wherever()}"
        notes: tuple[str, ...] = ()
        while done_s < average_time_s:
            if not settled:
                notes = yield from self.settle(time_s=settle_time_s, speed_band_rpm=speed_band_rpm)
                settled, done_s = True, 0.0
            frame = yield self._move(doing, point=point, notes=notes, capture_s=capture_s)
            notes = ()
            dt_s = self._elapsed(frame)
            done_s += dt_s
            stands = self._stands(frame)
            stood_s = 0.0 if stands is None else stood_s + dt_s
            if stands is not None and stood_s > LONGEST_STALL_S:
                raise CannotGoOn(stands)
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
            case Speed() | Voltage() | Winding():
                held[role] = target
    return held


def clear_of(targets: Mapping[Role, Target], around: Surroundings) -> Mapping[Role, Target]:
    """The same targets with every speed that lies within a critical band moved out of it, to its nearer edge."""

    def moved(target: Target) -> Target:
        match target:
            case Speed(speed_rpm=speed_rpm, torque_limit_nm=limit_nm):
                top_rpm = around.speed_limit_rpm
                return Speed(outside(around.bands, speed_rpm=speed_rpm, top_rpm=top_rpm), limit_nm)
            case Torque() | Voltage() | Winding():
                return target

    return {role: moved(target) for role, target in targets.items()}
