"""What a tuned loop will do, worked out tick by tick with the very regulator that will run. Pure; it promises nothing.

The closed forms beside the tuning rules know neither tick nor dead time together with small lags; this does.
"""

import math
from collections import deque
from dataclasses import dataclass, replace

from benchd.rules.regulator import Regulator, started, step
from benchd.rules.regulator_gains import Bounds
from benchd.rules.regulator_tuning import Plant

SETTLED = 0.02  # of the step


@dataclass(frozen=True, slots=True, kw_only=True)
class StepResponse:
    """The channel after a step of 1 of what it shall show, at each tick from 0 s on, without bounds or slopes.

    It is also how an error of 1 fades that comes all at once. `settling_s` is the time from which on it stays within
    2 %; None where it never does within what was looked at.
    """

    time_s: tuple[float, ...]
    value: tuple[float, ...]
    overshoot_ratio: float
    settling_s: float | None


def step_response(regulator: Regulator, plant: Plant, *, tick_s: float, within_s: float) -> StepResponse:
    """The expected step response of this regulator on this plant, output held from tick to tick."""
    free = replace(regulator, bounds=Bounds(low=-1e6, high=1e6), rate_per_s=math.inf, acceleration_per_s2=math.inf)
    state = started(free, output=0.0, measured=0.0, set_point=0.0)
    waiting = deque([0.0] * (int(plant.dead_s / tick_s) + 2))  # outputs of the last ticks, the newest last
    part = plant.dead_s / tick_s - int(plant.dead_s / tick_s)  # of a tick, that the older output still acts
    first = second = 0.0
    values: list[float] = []
    for _ in range(math.ceil(within_s / tick_s)):
        values.append(second)
        state = step(free, state, dt_s=tick_s, set_point=1.0, measured=second)
        waiting.append(state.output)
        waiting.popleft()
        for acting, share in ((waiting[0], part), (waiting[1], 1.0 - part)):
            first, second = _after(plant, acting, first, second, dt_s=share * tick_s)
    times = tuple(number * tick_s for number in range(len(values)))
    outside = [number for number, value in enumerate(values) if abs(value - 1.0) > SETTLED]
    last = outside[-1] + 1 if outside else 0
    return StepResponse(
        time_s=times,
        value=tuple(values),
        overshoot_ratio=max(0.0, max(values) - 1.0),
        settling_s=times[last] if last < len(times) else None,
    )


def _after(plant: Plant, held: float, first: float, second: float, *, dt_s: float) -> tuple[float, float]:
    """Both lags in a row under a held input, exactly; a lag of 0 is none."""
    goal = plant.gain * held
    slow, fast = max(plant.lag_s, plant.small_s), min(plant.lag_s, plant.small_s)
    if slow == 0.0 or dt_s == 0.0:
        return (goal, goal) if slow == 0.0 else (first, second)
    stays = math.exp(-dt_s / slow)
    after = goal + (first - goal) * stays
    if fast == 0.0:
        return after, after
    fades = math.exp(-dt_s / fast)
    alike = abs(slow - fast) < 1e-9 * slow
    through = dt_s / fast * fades if alike else slow / (slow - fast) * (stays - fades)
    return after, goal + (second - goal) * fades + (first - goal) * through
