"""A quantity: a result that is never a bare number. It holds values; it must never compute how they came about."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """A result with its unit, standard uncertainty and degrees of freedom, or the reason why there is none.

    `value` is None when the data do not carry a number; `reason` then says so in words. `budget` maps the name of each
    contribution to its share of the standard uncertainty, in the quantity's unit (the sum of squares is u²).
    `interval` is the 95 % coverage interval by propagation of distributions (JCGM 101), where one was drawn: `draws`
    and `seed` say with how many draws and which generator state, so that it can be drawn again.
    """

    name: str
    unit: str
    value: float | None
    standard_uncertainty: float = math.nan
    degrees_of_freedom: float = math.inf
    how: str = ""
    reason: str = ""
    budget: Mapping[str, float] = field(default_factory=dict)
    interval: tuple[float, float] | None = None
    draws: int = 0
    seed: int = 0

    @classmethod
    def not_determined(cls, name: str, unit: str, reason: str) -> "Quantity":
        """A quantity that the data do not carry, with the reason in words."""
        return cls(name=name, unit=unit, value=None, reason=reason)
