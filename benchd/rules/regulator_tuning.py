"""Gains for a plant that is known by four numbers, and what the loop will then do. Pure; a prediction promises nothing.

The plant: gain, one lag that is worth compensating, the sum of all small time constants, a dead time. All rules see a
dead time as one more delay that lowers the gain. There is no predictor of it (Smith): that needs the dead time as
exactly as the plant, and here poll, wire and device vary it from tick to tick; with a wrong one it is the less robust.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from benchd.rules.regulator_gains import Gains

# Of 1/(1 + 2Ts + 2T²s²), the loop by magnitude optimum (damping 1/√2): overshoot e^−π; 2 % settling in T (computed)
MAGNITUDE_OVERSHOOT = math.exp(-math.pi)
MAGNITUDE_SETTLING = 8.432
# Of the loop by symmetrical optimum with a = 2, by whether there is a prefilter; settling in T (computed)
SYMMETRICAL_OVERSHOOT = {True: 0.08147, False: 0.43410}
SYMMETRICAL_SETTLING = {True: 13.275, False: 16.551}
FIRST_ORDER_SETTLING = math.log(50.0)  # a first-order lag is within 2 % after so many of it


@dataclass(frozen=True, slots=True, kw_only=True)
class Plant:
    """What is held over what is set: gain·e^(−dead·s) / ((1 + lag·s)·(1 + small·s)), all times in s.

    One that `integrates` has lag·s in place of 1 + lag·s: a shaft from torque to speed has gain 1 and its inertia as
    lag. Raises `ValueError` for a gain of 0 or none, negative times, and for one that answers at once.
    """

    gain: float
    lag_s: float
    small_s: float = 0.0  # the sum of the small time constants
    dead_s: float = 0.0
    integrates: bool = False

    def __post_init__(self) -> None:
        times = (self.lag_s, self.small_s, self.dead_s)
        if not math.isfinite(self.gain) or self.gain == 0.0:
            raise ValueError(f"A plant's gain is a number other than 0, not {self.gain!r}.")
        if not all(0.0 <= time_s < math.inf for time_s in times) or (self.integrates and self.lag_s == 0.0):
            raise ValueError(f"A plant's times are finite and not negative, and one that integrates has a lag: {self}.")

    @property
    def late_s(self) -> float:
        """What no gain can compensate: small time constants and dead time, s."""
        return self.small_s + self.dead_s

    def on_ticks(self, tick_s: float, *, late_ticks: float = 0.0) -> "Plant":
        """The plant as a regulator sees it that acts once a tick: a held output is half a tick late on the mean.

        `late_ticks` are those that pass between a reading and the output that is made of it.
        """
        return replace(self, dead_s=self.dead_s + (0.5 + late_ticks) * tick_s)

    def magnitude_and_phase(self, rad_s: float) -> tuple[float, float]:
        """What it makes of a sine: its magnitude, and its phase in rad without that of the gain's sign."""
        lag, small = self.lag_s * rad_s, self.small_s * rad_s
        slow = lag if self.integrates else math.hypot(1.0, lag)
        turned = 0.5 * math.pi if self.integrates else math.atan(lag)
        return abs(self.gain) / (slow * math.hypot(1.0, small)), -turned - math.atan(small) - self.dead_s * rad_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Tuning:
    """Gains with the set-point weight that belongs to them, and what they lead to on the plant they were made for.

    Overshoot (over the step) and settling to 2 % are those of a step of the set-point without rate limit; None where
    there is no closed form.
    """

    gains: Gains
    weight: float
    phase_margin_deg: float
    overshoot_ratio: float | None
    settling_s: float | None


def by_lambda(plant: Plant, *, closed_s: float) -> Tuning:
    """Closed-loop lag `closed_s` (lambda): Kc = lag/(K·(λ + late)), Ti = lag.

    The zero of the regulator takes the plant's lag away, so load steps fade as slowly as the lag. Raises `ValueError`
    for a plant that integrates, or where λ and all delays are 0.
    """
    _lags(plant, "lambda")
    return _cancelling(plant, closed_s + plant.late_s, "lambda")


def by_simc(plant: Plant, *, closed_s: float | None = None) -> Tuning:
    """SIMC: Kc = lag/(K·(τc + late)), Ti the smaller of lag and 4·(τc + late); τc is the delay unless it is given.

    Small time constants count as dead time whole, which is on the safe side of the rule's halves (S. Skogestad, Simple
    analytic rules for model reduction and PID controller tuning, J. Process Control 13, 2003; from memory). Raises
    `ValueError` where nothing is late and no τc is given.
    """
    total_s = (plant.late_s if closed_s is None else closed_s) + plant.late_s
    if not plant.integrates and plant.lag_s <= 4.0 * total_s:
        return _cancelling(plant, total_s, "SIMC")
    _positive(total_s, "SIMC")
    proportional = plant.lag_s / (plant.gain * total_s)
    return _tuning(plant, Gains(proportional=proportional, integral_per_s=proportional / (4.0 * total_s)))


def by_magnitude_optimum(plant: Plant) -> Tuning:
    """Magnitude optimum: Ti = lag, Kc = lag/(2·K·late). Without dead time 4.3 % overshoot, 65.5° phase margin.

    Without a lag it is an integral alone. Raises `ValueError` for a plant that integrates (the symmetrical optimum is
    for those), or where nothing is late.
    """
    _lags(plant, "the magnitude optimum")
    tuning = _cancelling(plant, 2.0 * plant.late_s, "the magnitude optimum")
    if plant.dead_s > 0.0:
        return tuning
    return replace(tuning, overshoot_ratio=MAGNITUDE_OVERSHOOT, settling_s=MAGNITUDE_SETTLING * plant.small_s)


def by_symmetrical_optimum(plant: Plant, *, a: float = 2.0, prefilter: bool = True) -> Tuning:
    """Symmetrical optimum: Kc = lag/(a·K·late), Ti = a²·late; the phase is greatest where the loop's gain is 1.

    A lag is taken for an integrator, which it is well above its corner. `prefilter` keeps the regulator's zero from the
    set-point: weight 0, the same as a lag of Ti before it, so that a = 2 overshoots by 8.1 instead of 43.4 %. Raises
    `ValueError` for an `a` not above 1, a plant without a lag, or where nothing is late.
    """
    if not 1.0 < a < math.inf or plant.lag_s == 0.0:
        raise ValueError(f"The symmetrical optimum needs a lag and an a above 1, such as 2, not {a!r} and {plant}.")
    _positive(plant.late_s, "the symmetrical optimum")
    proportional = plant.lag_s / (a * plant.gain * plant.late_s)
    gains = Gains(proportional=proportional, integral_per_s=proportional / (a * a * plant.late_s))
    tuning = _tuning(plant, gains, weight=0.0 if prefilter else 1.0)
    if a != 2.0 or plant.dead_s > 0.0 or not plant.integrates:
        return tuning
    settling_s = SYMMETRICAL_SETTLING[prefilter] * plant.small_s
    return replace(tuning, overshoot_ratio=SYMMETRICAL_OVERSHOOT[prefilter], settling_s=settling_s)


def phase_margin_deg(plant: Plant, gains: Gains) -> float:
    """How much more the loop may lag where its gain is 1, in degrees, of a PI on the plant; negative: it swings up.

    The loop's gain falls steadily with frequency, so there is one such place. Infinite where its gain never reaches 1;
    without an integral the regulator has to have a proportional gain. Derivative gains are left out of account.
    """
    proportional, integral = abs(gains.proportional), abs(gains.integral_per_s)

    def gain(rad_s: float) -> float:
        return plant.magnitude_and_phase(rad_s)[0] * math.hypot(proportional, integral / rad_s)

    at = _where_it_falls_to_1(gain)
    if at is None:
        return math.inf
    phase = plant.magnitude_and_phase(at)[1] - math.atan2(integral / at, proportional)
    return math.degrees(math.pi + phase)


def delayed_overshoot(swing: float) -> float:
    """The overshoot of an integral that acts on a delayed reading, `swing` = its gain per second times the delay.

    From x'(t) = −c·x(t − θ): x = Σ (−c)ⁿ·(t − nθ)ⁿ/n! over all nθ below t. None up to 1/e, and none that counts where
    20 delays do not bring it about; grows without end from π/2.
    """
    if swing <= 1.0 / math.e:
        return 0.0
    if swing >= 0.5 * math.pi:
        return math.inf

    def left(delays: float) -> float:
        return sum((-swing * (delays - n)) ** n / math.factorial(n) for n in range(math.ceil(delays)))

    # the first swing through is the deepest: it ends where x' = 0, one delay after x crossed 0
    falls, fallen = 0.0, 1.0
    while left(fallen) > 0.0:
        falls, fallen = fallen, fallen + 0.125
        if fallen > 20.0:
            return 0.0
    for _ in range(60):
        middle = 0.5 * (falls + fallen)
        falls, fallen = (middle, fallen) if left(middle) > 0.0 else (falls, middle)
    return -left(fallen + 1.0)


def _cancelling(plant: Plant, total_s: float, rule: str) -> Tuning:
    """A PI whose zero takes the lag away and leaves late/(total·s) of the loop."""
    _positive(total_s, rule)
    integral = 1.0 / (plant.gain * total_s)
    tuning = _tuning(plant, Gains(proportional=plant.lag_s * integral, integral_per_s=integral))
    if plant.late_s == 0.0:
        return replace(tuning, overshoot_ratio=0.0, settling_s=FIRST_ORDER_SETTLING * total_s)
    if plant.small_s == 0.0:
        return replace(tuning, overshoot_ratio=delayed_overshoot(plant.dead_s / total_s))
    return tuning


def _tuning(plant: Plant, gains: Gains, *, weight: float = 1.0) -> Tuning:
    margin_deg = phase_margin_deg(plant, gains)
    return Tuning(gains=gains, weight=weight, phase_margin_deg=margin_deg, overshoot_ratio=None, settling_s=None)


def _lags(plant: Plant, rule: str) -> None:
    if plant.integrates:
        raise ValueError(f"A plant that integrates cannot be tuned by {rule}; use SIMC or the symmetrical optimum.")


def _positive(total_s: float, rule: str) -> None:
    if not 0.0 < total_s < math.inf:
        raise ValueError(f"By {rule} the gain has no end where nothing is late: state a time constant or the tick.")


def _where_it_falls_to_1(gain: Callable[[float], float]) -> float | None:
    """The frequency at which a falling gain is 1, in rad/s; None where it is nowhere from 1e-9 to 1e9."""
    low, high = math.log(1e-9), math.log(1e9)
    if gain(math.exp(low)) < 1.0 or gain(math.exp(high)) > 1.0:
        return None
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if gain(math.exp(middle)) > 1.0 else (low, middle)
    return math.exp(high)
