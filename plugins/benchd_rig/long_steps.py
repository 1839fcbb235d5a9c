"""When the shaft is steady, and what goes on while the plant leaps over time: temperatures, and every sum at its rate.

The plant is looked at in windows of fine steps. Where speed, torque, current and voltages stay from one window to the
next, everything that adds up (energies, charge, angle) may go on at the rates of the last window for a while: a leg.
After a leg fine steps follow, in which the currents find the warmer resistances; the rates then measured correct the
energies of the leg by the trapezoidal rule, and say how long the next leg may be. A leg is so short that the heat of
winding and magnets, taken as constant, misses by less than `_MISS_K` even without that correction.

It must never change a fine step.
"""

import copy
import math
from dataclasses import dataclass, fields, replace
from operator import attrgetter

from benchd_rig.analyser_physics import Integrals
from benchd_rig.brushless import Brushless
from benchd_rig.energy import EnergyAccount
from benchd_rig.shaft import Shaft
from benchd_rig.specimen import Specimen

WINDOW_S = 0.05
_LEAST_WINDOWS = 3  # of fine steps between two legs: one to settle, two to compare
_PATIENT_WINDOWS = 12  # beyond which a shorter leg than wanted is taken
_LEAST_LEG_S = 0.2
_FIRST_LEG_S = 0.5
_LONGEST_LEG_S = 60.0
_FORGETS_S = 2.0
_MISS_K = 0.002  # temperature that a leg may be off at its end
_BAND = 1e-3  # of the rated value: what a steady quantity may drift over a leg
_RPM_PER_RAD_S = 30.0 / math.pi

_ENERGIES = tuple(field.name for field in fields(EnergyAccount))
_energies_of = attrgetter(*_ENERGIES)
_flows_of = attrgetter("terminal_v_s", "link_v_s", "charge_a_s")
_HEATS = tuple(_ENERGIES.index(name) for name in ("copper_j", "brush_j"))


@dataclass(slots=True, kw_only=True)
class Flows:
    """Integrals since time zero, for the measuring unit's window."""

    terminal_v_s: float = 0.0
    link_v_s: float = 0.0
    charge_a_s: float = 0.0


@dataclass(frozen=True, slots=True)
class _Look:
    """All sums at one instant, and the load's speed, which none of them holds."""

    time_s: float
    energies: tuple[float, ...]
    flows: tuple[float, ...]  # terminal voltage, link voltage, charge, impulse, angle
    inside: tuple[float, ...]  # the analyser's, see `Brushless.sums`; it begins anew after a leap, so they stand still
    load_rad_s: float


class LongSteps:
    """State: the last looks, the rates in force, and the leg that is being leapt."""

    def __init__(
        self, specimen: Specimen, machine: Shaft | Brushless, energy: EnergyAccount, flows: Flows, *, tick_s: float
    ) -> None:
        self.why = "it has not been looked at for long enough"  # not steady, in words
        self._machine = machine
        self._energy = energy
        self._flows = flows
        self._tick_s = tick_s
        rating = specimen.rating
        self._bands = (  # drift over a leg: link voltage, current from the link, torque, both speeds
            ("the link voltage", _BAND * rating.voltage_v, "V", 1.0),
            ("the current", _BAND * rating.torque_nm * rating.speed_rpm / _RPM_PER_RAD_S / rating.voltage_v, "A", 1.0),
            ("the torque", _BAND * rating.torque_nm, "N·m", 1.0),
            ("the speed", _BAND * rating.speed_rpm / _RPM_PER_RAD_S, "r/min", _RPM_PER_RAD_S),
            ("the load machine's speed", _BAND * rating.speed_rpm / _RPM_PER_RAD_S, "r/min", _RPM_PER_RAD_S),
        )
        self._pole_pairs = getattr(specimen.motor, "pole_pairs", 1)
        self._winding_j_k = specimen.motor.winding_j_k
        self._commands: tuple[object, ...] = ()
        self._looks: list[_Look] = []
        self._rates: _Look | None = None
        self._seen_s = 0.0  # plant time of the last look or leap
        self._told = _Look(0.0, (), (0.0,) * 5, (0.0,) * 4, 0.0)  # the rates of the last leg
        self._left_s = 0.0  # of the leg
        self._leg_s = 0.0  # leapt of it so far
        self._last_leg: tuple[float, tuple[float, ...]] | None = None  # to be corrected: its length and its powers
        self._may_s = _FIRST_LEG_S  # how long the next leg may be for the heat's sake

    def look(self, time_s: float, commands: tuple[object, ...]) -> None:
        """Look after a fine tick: at the end of a window, see whether a leg may begin."""
        self._notice(time_s, commands)
        looks = self._looks
        if self._rates is not None:  # a fine step on the way, because somebody looked at an odd instant
            return
        if looks and time_s - looks[-1].time_s < WINDOW_S - 1e-9:
            return
        if not self._same(commands):
            self._begin(commands)
        looks.append(self._now(time_s))
        if len(looks) > _LEAST_WINDOWS:
            self._judge()

    def room_s(self, time_s: float, commands: tuple[object, ...]) -> float:
        """How long may be leapt from now on; 0 where fine steps are due."""
        self._notice(time_s, commands)
        if self._rates is None:
            return 0.0
        if not self._same(commands):
            self._begin(commands)
            return 0.0
        return self._left_s

    def carry(self, seconds: float) -> None:
        """Let everything that adds up go on for so long; the leg ends with it where nothing is left."""
        rates = self._rates
        if rates is None:
            return
        self._seen_s += seconds
        energy, flows, rotors = self._energy, self._flows, self._machine.rotors
        for name, now, rate in zip(_ENERGIES, _energies_of(energy), rates.energies, strict=True):
            if rate:
                setattr(energy, name, now + rate * seconds)
        terminal_v, link_v, current_a, torque_nm, speed_rad_s = rates.flows
        flows.terminal_v_s += terminal_v * seconds
        flows.link_v_s += link_v * seconds
        flows.charge_a_s += current_a * seconds
        rotors.impulse_nm_s += torque_nm * seconds
        rotors.motor_angle_rad += speed_rad_s * seconds
        self._leg_s += seconds
        self._left_s -= seconds
        if self._left_s < 0.5 * self._tick_s:
            self._end_leg()

    def before(self, integrals: tuple[float, ...], seconds: float) -> tuple[float, ...]:
        """The plant's integrals (time first) as they stood so long ago, at the rates of the last leg."""
        rates = self._told
        return tuple(now - rate * seconds for now, rate in zip(integrals, (1.0, *rates.flows), strict=True))

    def inside_before(self, now: Integrals, seconds: float) -> Integrals:
        """The same of what the analyser integrates."""
        output_w, current, fundamental, line = self._told.inside
        return replace(
            now,
            time_s=now.time_s - seconds,
            output_j=now.output_j - output_w * seconds,
            current_square_s=now.current_square_s - current * seconds,
            fundamental_square_s=now.fundamental_square_s - fundamental * seconds,
            line_square_s=now.line_square_s - line * seconds,
            angle_rad=now.angle_rad - self._pole_pairs * self._told.flows[4] * seconds,
        )

    def forget(self) -> None:
        """What was seen counts no more: something else has moved the plant, or nobody wants to leap."""
        self._begin(())

    def _notice(self, time_s: float, commands: tuple[object, ...]) -> None:
        """Notice a time without looks: a leg ends there, and after a longer one nothing counts that was seen before."""
        missed_s, self._seen_s = time_s - self._seen_s, time_s
        if missed_s > _FORGETS_S:
            self._begin(commands)
        elif missed_s > 2.5 * self._tick_s:
            self._end_leg()

    def _same(self, commands: tuple[object, ...]) -> bool:
        return commands == self._commands

    def _begin(self, commands: tuple[object, ...]) -> None:
        self._commands = tuple(copy.copy(each) for each in commands)
        self._looks.clear()
        self._rates = self._last_leg = None
        self._left_s = self._leg_s = 0.0
        self._may_s = _FIRST_LEG_S
        self.why = "something was commanded just now"

    def _now(self, time_s: float) -> _Look:
        rotors = self._machine.rotors
        return _Look(
            time_s,
            _energies_of(self._energy),
            (*_flows_of(self._flows), rotors.impulse_nm_s, rotors.motor_angle_rad),
            self._machine.sums() if isinstance(self._machine, Brushless) else (),
            rotors.load_speed_rad_s,
        )

    def _judge(self) -> None:
        """Compare the last two windows; begin a leg where they agree for long enough."""
        first, middle, last = self._looks[-3:]
        earlier, later = _rates(first, middle), _rates(middle, last)
        steady_s = self._steady_s(earlier, later)
        mean = _rates(first, last)
        if self._last_leg is not None and len(self._looks) > _LEAST_WINDOWS:
            self._may_s = self._bearable_s(mean)
        wanted_s = self._may_s
        patient = len(self._looks) <= _PATIENT_WINDOWS
        if steady_s < (0.5 * wanted_s if patient else _LEAST_LEG_S):
            return
        if self._last_leg is not None:
            self._correct(mean)
        self._rates = self._told = mean
        self._left_s = math.floor(min(wanted_s, steady_s) / self._tick_s) * self._tick_s
        self._leg_s = 0.0

    def _steady_s(self, earlier: _Look, later: _Look) -> float:
        """How long the drift between two windows needs to leave a band; tells which one is the first."""
        per_s = 1.0 / (later.time_s - earlier.time_s)
        steady_s, self.why = math.inf, ""
        pairs = [*zip(earlier.flows[1:], later.flows[1:], strict=True), (earlier.load_rad_s, later.load_rad_s)]
        for (was, now), (name, band, unit, shown) in zip(pairs, self._bands, strict=True):
            drift = abs(now - was) * per_s
            if drift * steady_s > band:
                steady_s = band / drift
                self.why = f"{name} still changes by {drift * shown:.3g} {unit} a second"
        return steady_s

    def _bearable_s(self, now: _Look) -> float:
        """How long the next leg may be, from how much the heat in the winding changed over the last one."""
        if self._last_leg is None:
            return _FIRST_LEG_S
        leg_s, powers = self._last_leg
        change_w_s = abs(_heat_w(now.energies) - _heat_w(powers)) / leg_s
        bearable_s = _LONGEST_LEG_S
        if change_w_s > 0.0:
            bearable_s = min(bearable_s, math.sqrt(2.0 * _MISS_K * self._winding_j_k / change_w_s))
        return max(min(bearable_s, 2.0 * leg_s), _LEAST_LEG_S)

    def _correct(self, now: _Look) -> None:
        """Trapezoidal rule: the powers changed over the last leg, of which it had only the first ones."""
        if self._last_leg is None:
            return
        leg_s, powers = self._last_leg
        for name, was, rate in zip(_ENERGIES, powers, now.energies, strict=True):
            if rate != was:
                setattr(self._energy, name, getattr(self._energy, name) + 0.5 * (rate - was) * leg_s)
        self._last_leg = None

    def _end_leg(self) -> None:
        """Fine steps are due."""
        if self._rates is not None and self._leg_s > 0.0:
            self._last_leg = (self._leg_s, self._rates.energies)
        self._rates = None
        self._left_s = 0.0
        self._looks.clear()


def _rates(first: _Look, last: _Look) -> _Look:
    """Means over a window; its time is the window's middle."""
    per_s = 1.0 / (last.time_s - first.time_s)

    def means(start: tuple[float, ...], end: tuple[float, ...]) -> tuple[float, ...]:
        return tuple((now - was) * per_s for was, now in zip(start, end, strict=True))

    return _Look(
        0.5 * (first.time_s + last.time_s),
        means(first.energies, last.energies),
        means(first.flows, last.flows),
        means(first.inside, last.inside),
        0.5 * (first.load_rad_s + last.load_rad_s),
    )


def _heat_w(powers: tuple[float, ...]) -> float:
    return sum(powers[at] for at in _HEATS)
