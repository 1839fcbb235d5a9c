"""Axes and label places: round ticks, and labels that do not cover each other. Geometry only, no data is judged."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from benchd.report.numbers import MINUS

LEAST_TICKS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """An axis from `low` to `high` with its ticks."""

    low: float
    high: float
    ticks: tuple[float, ...]
    decimals: int

    def at(self, value: float) -> float:
        """Where a value stands, 0 at the axis's low end and 1 at its high end; six decimals."""
        return round((value - self.low) / (self.high - self.low), 6)

    def plain(self) -> list[dict[str, Any]]:
        """The ticks as the pages want them."""
        return [{"at": self.at(tick), "text": self._text(tick)} for tick in self.ticks]

    def _text(self, tick: float) -> str:
        text = f"{tick:.{self.decimals}f}"
        return text.lstrip("-") if float(text) == 0.0 else text.replace("-", MINUS)


def scale(low: float, high: float, *, most: int = 6, room: float = 0.06) -> Scale:
    """An axis that holds `low` to `high` with some room, at most about `most` ticks at round numbers.

    Where all values are equal the axis spans a little about them. Raises ValueError for what is not finite.
    """
    if not (math.isfinite(low) and math.isfinite(high)):
        raise ValueError("an axis needs finite ends")
    span = high - low
    if span <= 1e-9 * max(abs(low), abs(high)):
        span = max(abs(high) * 0.02, 1e-6)
        low, high = low - span / 2, high + span / 2
    margin = span * room
    low, high = (0.0 if 0.0 <= low <= span * room else low - margin), high + margin
    step = _round_step((high - low) / most)
    ticks = _ticks(low, high, step)
    while len(ticks) < LEAST_TICKS:  # one number alone does not tell how much the axis spans
        step = _round_step(step / 2.5)
        ticks = _ticks(low, high, step)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    return Scale(low=low, high=high, ticks=ticks, decimals=decimals)


def _ticks(low: float, high: float, step: float) -> tuple[float, ...]:
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return tuple(number * step for number in range(first, last + 1))


def _round_step(least: float) -> float:
    """The next of 1, 2, 5 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(least))
    return next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= least * (1 - 1e-9))


def spread(places: Sequence[float], *, gap: float, low: float = 0.0, high: float = 1.0) -> list[float]:
    """Places as near to the wanted ones as keeps `gap` between any two, in the order of the wanted ones.

    Where they cannot all fit between `low` and `high` they are spaced evenly there.
    """
    count = len(places)
    if count == 0:
        return []
    gap = min(gap, (high - low) / max(count - 1, 1))
    order = sorted(range(count), key=lambda number: (places[number], number))
    # without their gaps the places need only keep their order: neighbours that do not are put at their common mean
    groups: list[tuple[float, int]] = []
    for at, number in enumerate(order):
        mean, size = places[number] - gap * at, 1
        while groups and groups[-1][0] > mean:
            before, many = groups.pop()
            mean, size = (before * many + mean * size) / (many + size), many + size
        groups.append((mean, size))
    last = max(high - gap * (count - 1), low)
    level = [min(max(mean, low), last) for mean, size in groups for _ in range(size)]
    found = [0.0] * count
    for at, number in enumerate(order):
        found[number] = round(level[at] + gap * at, 6)
    return found
