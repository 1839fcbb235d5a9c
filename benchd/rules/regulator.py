"""The outer loop that holds a speed, torque or voltage by a device's set-point: PI or PID. Pure.

It knows no device, no channel and no unit of what it holds; the speed that its gains go by is in rad/s. Its output
never leaves its bounds, is always a number, and stays where it is while nothing is seen. It is no limit: whoever takes
energy away does so past it.

Between two readings every value is taken to have gone in a straight line, and everything that remembers (integral,
derivative filter, set-point on its way) is solved exactly for the time that passed: a missed tick is a longer step.
"""

import enum
import math
from dataclasses import dataclass, replace

from benchd.rules.profiles import Moving, advanced
from benchd.rules.regulator_gains import Bounds, Schedule


class Sight(enum.Enum):
    """Whether a regulator sees what it holds."""

    SEES = "sees"
    HOLDS = "holds"  # no reading just now: the output stays
    LOST = "lost"  # none for so long that somebody has to act; the output still stays


@dataclass(frozen=True, slots=True, kw_only=True)
class Regulator:
    """How a regulator is set.

    `weight` is the share of the set-point that the proportional gain sees: with 0 only the integral follows it, which
    for a PI is a prefilter of the integral's time. The derivative is of the reading alone, behind a lag of
    `derivative_filter_s`. `anti_windup_s` is how quickly the integral is led back while the output is at a bound.
    `rate_per_s` and `acceleration_per_s2` bound how the set-point moves. After `blind_s` without a reading the loss is
    told, and a step that took longer (the process stood still) counts as so long, so that nothing leaps after it.

    Raises `ValueError` for times that are not positive and finite, limits that are not positive, and a weight outside
    of 0 to 1.
    """

    schedule: Schedule
    bounds: Bounds
    anti_windup_s: float
    blind_s: float
    weight: float = 1.0
    derivative_filter_s: float = 0.02
    rate_per_s: float = math.inf
    acceleration_per_s2: float = math.inf

    def __post_init__(self) -> None:
        for name in ("anti_windup_s", "blind_s", "derivative_filter_s"):
            if not 0.0 < getattr(self, name) < math.inf:
                raise ValueError(f"A regulator's {name} is positive and finite, not {getattr(self, name)!r}.")
        if not (self.rate_per_s > 0.0 and self.acceleration_per_s2 > 0.0):
            raise ValueError("A regulator's set-point needs a rate and an acceleration above 0 (or without limit).")
        if not 0.0 <= self.weight <= 1.0:
            raise ValueError(f"A regulator's set-point weight is from 0 to 1, not {self.weight!r}.")


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """Where a regulator is: `output` is what goes on, the rest is what the next step needs."""

    output: float
    integral: float  # in units of the output
    set_point: Moving  # on its way to what was asked for
    measured: float  # the last reading that was seen
    ahead: float = 0.0  # by how much the reading is ahead of its lagged value, for the derivative
    unseen_s: float = 0.0  # since the last reading
    sight: Sight = Sight.SEES

    @property
    def error(self) -> float:
        """Set-point on its way less the last reading."""
        return self.set_point.value - self.measured


def started(
    regulator: Regulator,
    *,
    output: float,
    measured: float,
    set_point: float | None = None,
    feed_forward: float = 0.0,
    speed_rad_s: float = 0.0,
    within: Bounds | None = None,
) -> State:
    """A state that goes on from this output (set by hand, or another regulator's) without a step in it.

    The set-point begins at rest at the reading, or at `set_point` where that has been in force. An output beyond the
    bounds begins at the bound. By hand, make the state anew whenever the output is set; the other way round,
    `State.output` is the value to go on from. Raises `ValueError` for a value that is not a finite number.
    """
    begins = measured if set_point is None else set_point
    if not all(map(math.isfinite, (output, measured, begins, feed_forward, speed_rad_s))):
        raise ValueError("A regulator starts from finite numbers: give it the output in force and a good reading.")
    held = regulator.bounds.narrowed(within).clamped(output)
    gain = regulator.schedule.at(speed_rad_s).proportional
    free = gain * (regulator.weight * begins - measured) + feed_forward
    return State(output=held, integral=held - free, set_point=Moving(begins), measured=measured)


def step(
    regulator: Regulator,
    state: State,
    *,
    dt_s: float,
    set_point: float,
    measured: float | None,
    feed_forward: float = 0.0,
    speed_rad_s: float = 0.0,
    within: Bounds | None = None,
) -> State:
    """The state `dt_s` after the last step, with what is asked for and seen now; never raises.

    `measured` is None where there is no reading to believe, and whatever is not a finite number counts as that: then
    the output stays (within its bounds), nothing is integrated, the set-point waits, and after `blind_s` it is told.
    `feed_forward` is added to the output; `within` narrows the bounds for this step. A time that is not positive lets
    nothing pass.
    """
    passed_s = max(0.0, dt_s)  # also where it is not a number
    bounds = regulator.bounds.narrowed(within)
    if measured is None or not all(map(math.isfinite, (set_point, measured, feed_forward, speed_rad_s))):
        return _unseen(regulator, state, bounds, passed_s)
    counted_s = min(passed_s, regulator.blind_s)
    moving = advanced(
        state.set_point,
        set_point,
        rate_per_s=regulator.rate_per_s,
        acceleration_per_s2=regulator.acceleration_per_s2,
        dt_s=counted_s,
    )
    error = moving.value - measured
    gains = regulator.schedule.at(speed_rad_s)
    if state.sight is Sight.SEES:
        ahead = _ahead(state.ahead, measured - state.measured, counted_s / regulator.derivative_filter_s)
        mean_error = 0.5 * state.error + 0.5 * error
    else:  # how it went meanwhile nobody saw
        ahead, mean_error = 0.0, error
    slope = ahead / regulator.derivative_filter_s
    free = gains.proportional * (regulator.weight * moving.value - measured) - gains.derivative_s * slope + feed_forward
    push_per_s = gains.integral_per_s * mean_error
    integral = state.integral
    # without an integral gain, what led the integral back would never be made good
    if gains.integral_per_s != 0.0 and math.isfinite(push_per_s + free):
        room = (bounds.low - free, bounds.high - free)
        integral = integrated(integral, push_per_s, room, led_back_s=regulator.anti_windup_s, dt_s=counted_s)
    if not all(map(math.isfinite, (push_per_s, free, integral, moving.value, moving.slope_per_s))):
        return _unseen(regulator, state, bounds, passed_s)  # too large to compute with
    return State(
        output=bounds.clamped(free + integral), integral=integral, set_point=moving, measured=measured, ahead=ahead
    )


def integrated(
    integral: float, push_per_s: float, room: tuple[float, float], *, led_back_s: float, dt_s: float
) -> float:
    """The integral `dt_s` later: pushed evenly, and led back in proportion while it is outside of its room.

    The exact solution of dI/dt = push + (nearest of the room − I)/T (back-calculation), piece by piece. Under a lasting
    push it comes to rest at push·T beyond the room, no further.
    """
    low, high = room
    if integral < low or (integral == low and push_per_s < 0.0):  # seen in the mirror
        return -integrated(-integral, -push_per_s, (-high, -low), led_back_s=led_back_s, dt_s=dt_s)
    if integral > high or (integral == high and push_per_s > 0.0):
        beyond, rest = integral - high, led_back_s * push_per_s
        back_s = led_back_s * math.log1p(beyond / -rest) if rest < 0.0 else math.inf
        if dt_s <= back_s:
            gone = -math.expm1(-dt_s / led_back_s)
            return high + (1.0 - gone) * beyond + gone * rest
        return integrated(high, push_per_s, room, led_back_s=led_back_s, dt_s=dt_s - back_s)
    edge = high if push_per_s > 0.0 else low
    if abs(push_per_s) * dt_s <= abs(edge - integral):
        return integral + push_per_s * dt_s
    inside_s = (edge - integral) / push_per_s
    return integrated(edge, push_per_s, room, led_back_s=led_back_s, dt_s=dt_s - inside_s)


def _ahead(ahead: float, change: float, lags: float) -> float:
    """By how much a reading is ahead of its lagged value, after it went in a straight line for so many lags."""
    share = -math.expm1(-lags) / lags if lags > 0.0 else 1.0
    return ahead * math.exp(-lags) + change * share


def _unseen(regulator: Regulator, state: State, bounds: Bounds, passed_s: float) -> State:
    """The output stays, and so does all else; only the time without a reading counts on."""
    unseen_s = state.unseen_s + passed_s
    sight = Sight.LOST if unseen_s >= regulator.blind_s else Sight.HOLDS
    return replace(state, output=bounds.clamped(state.output), unseen_s=unseen_s, sight=sight)
