"""What is set by hand: the orders, what they are held against, and what they lead to. Pure; it turns nothing.

An order beyond a bound is refused, never shortened: whoever gave it must know what the bench does.
"""

import enum
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from benchd.rules.resonance import Band, beside, dwells_in


class OrderRefused(Exception):
    """An order that is not followed, with the reason in one sentence; nothing changed."""


class SpeedBy(enum.Enum):
    """What makes the shaft's speed; the other end of the shaft gives the torque."""

    MOTOR = "motor"  # the motor drive holds it; of a motor without one it follows from the supply's voltage
    LOAD = "load"  # the load drive holds it


class What(enum.Enum):
    """What an order is about; those with a number carry its unit."""

    SPEED = "speed_rpm"
    TORQUE = "torque_nm"
    VOLTAGE = "voltage_v"
    CURRENT = "current_a"
    JOG = "jog_rpm"
    SPEED_BY = "speed_by"
    ZERO = "zero"
    LEAVE = "leave"


UNITS: Mapping[What, str] = MappingProxyType(
    {What.SPEED: "r/min", What.TORQUE: "N·m", What.VOLTAGE: "V", What.CURRENT: "A", What.JOG: "r/min"}
)
NAMES: Mapping[What, str] = MappingProxyType(
    {
        What.SPEED: "speed",
        What.TORQUE: "torque",
        What.VOLTAGE: "voltage",
        What.CURRENT: "current limit",
        What.JOG: "jog",
    }
)
SLOPED = frozenset({What.SPEED, What.TORQUE, What.VOLTAGE})


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """One order. `relative` adds `value` to what was ordered before; `slope_per_s` is gentler than the bench's own."""

    what: What
    value: float | None = None
    relative: bool = False
    slope_per_s: float | None = None
    speed_by: SpeedBy | None = None

    def __str__(self) -> str:
        if self.what is What.SPEED_BY:
            return f"speed by {'nothing' if self.speed_by is None else self.speed_by.value}"
        if self.value is None:
            return str(self.what.value)
        unit = UNITS[self.what]
        slope = "" if self.slope_per_s is None else f", {self.slope_per_s:g} {unit} a second"
        sign = "+" if self.relative else ""
        return f"{NAMES[self.what]} {self.value:{sign}g} {unit}{slope}"


@dataclass(frozen=True, slots=True)
class End:
    """One end of a range and what says so; `included` where the value itself may be ordered."""

    value: float
    origin: str
    included: bool = True


@dataclass(frozen=True, slots=True)
class Range:
    """From where to where a quantity may be ordered."""

    low: End
    high: End

    def refusal(self, value: float) -> str:
        """Which end this value is beyond and what says so, "" where it is within."""
        for end, beyond, side in (
            (self.high, value > self.high.value, "below"),
            (self.low, value < self.low.value, "above"),
        ):
            if beyond or (value == end.value and not end.included):
                most = f"no more than {end.value:g}" if side == "below" else f"no less than {end.value:g}"
                return f"not allowed by {end.origin}: {most if end.included else f'only {side} {end.value:g}'}"
        return ""


def tightest(lows: Iterable[End], highs: Iterable[End]) -> Range:
    """The range that keeps all of these ends; of equal values the one that is not included."""
    return Range(
        max(lows, key=lambda end: (end.value, not end.included)),
        min(highs, key=lambda end: (end.value, end.included)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What orders are held against: the kind of motor, ranges by what makes the speed, and the bench's slopes."""

    brushless: bool
    ranges: Mapping[SpeedBy, Mapping[What, Range]]
    slopes_per_s: Mapping[What, float]  # of what is sloped
    current_limit_a: float  # the supply's, until another is ordered
    bands: tuple[Band, ...] = ()  # of speeds that are crossed and never held
    crossing_rpm_per_s: float = 0.0  # within one of them, where that is steeper than the ordered slope


@dataclass(frozen=True, slots=True, kw_only=True)
class Ordered:
    """What is ordered: the goals that set-points move to, and how fast they may."""

    speed_by: SpeedBy = SpeedBy.MOTOR
    speed_rpm: float = 0.0
    torque_nm: float = 0.0
    voltage_v: float = 0.0
    current_a: float
    jogging: bool = False
    slopes_per_s: Mapping[What, float]  # of what is sloped, as ordered last

    def value(self, what: What) -> float:
        """The goal of one quantity."""
        return {
            What.SPEED: self.speed_rpm,
            What.JOG: self.speed_rpm,
            What.TORQUE: self.torque_nm,
            What.VOLTAGE: self.voltage_v,
            What.CURRENT: self.current_a,
        }[what]


def at_rest(facts: Facts) -> Ordered:
    """Nothing ordered yet."""
    return Ordered(current_a=facts.current_limit_a, slopes_per_s=facts.slopes_per_s)


def zeroed(ordered: Ordered, facts: Facts) -> Ordered:
    """Every set-point to zero by the bench's slopes; the supply's current limit and who holds the speed stay."""
    return replace(ordered, speed_rpm=0.0, torque_nm=0.0, voltage_v=0.0, jogging=False, slopes_per_s=facts.slopes_per_s)


def jog_ended(ordered: Ordered, facts: Facts) -> Ordered:
    """Back to zero speed after a jog."""
    slopes = {**ordered.slopes_per_s, What.SPEED: facts.slopes_per_s[What.SPEED]}
    return replace(ordered, speed_rpm=0.0, jogging=False, slopes_per_s=slopes)


def followed(ordered: Ordered, order: Order, facts: Facts, *, rests: bool) -> Ordered:
    """What is ordered after this order. Raises `OrderRefused`; nothing has changed then.

    `rests`: nothing drives the shaft and it was measured to stand, so that another drive may hold its speed.
    """
    if order.what is What.ZERO:
        return zeroed(ordered, facts)
    if order.what is What.SPEED_BY:
        return _speed_by(ordered, order, rests=rests)
    if order.what is What.LEAVE:
        return ordered
    if ordered.jogging and order.what is not What.JOG:
        raise OrderRefused("The shaft is being jogged: let it come back to zero, then order again.")
    value = _value(ordered, order)
    if refusal := _meaningless(ordered, order, value, facts):
        raise OrderRefused(refusal)
    if beyond := facts.ranges[ordered.speed_by][order.what].refusal(value):
        unit = UNITS[order.what]
        raise OrderRefused(f"A {NAMES[order.what]} of {value:g} {unit} is {beyond} {unit}; nothing was changed.")
    if within := _critical(ordered, order, value, facts):
        raise OrderRefused(within)
    slopes = _slopes(ordered, order, facts)
    if order.what is What.JOG:
        return replace(ordered, speed_rpm=value, jogging=True, slopes_per_s=slopes)
    return _set(replace(ordered, slopes_per_s=slopes), order.what, value)


def _critical(ordered: Ordered, order: Order, value: float, facts: Facts) -> str:
    """Why this speed is not held, with the nearest that are, or ""."""
    band = dwells_in(facts.bands, speed_rpm=value) if order.what in {What.SPEED, What.JOG} else None
    if band is None:
        return ""
    nearest = (math.copysign(one, value) + 0.0 for one in beside(facts.bands, speed_rpm=value))  # no -0
    allowed = facts.ranges[ordered.speed_by][order.what]
    listed = " or ".join(f"{one:g}" for one in nearest if not allowed.refusal(one))
    return (
        f"A speed of {value:g} r/min lies within the critical band {band.words}, which is crossed and never held; "
        f"order {f'{listed} r/min' if listed else 'a speed far from it'}."
    )


def _set(ordered: Ordered, what: What, value: float) -> Ordered:
    match what:
        case What.SPEED:
            return replace(ordered, speed_rpm=value)
        case What.TORQUE:
            return replace(ordered, torque_nm=value)
        case What.VOLTAGE:
            return replace(ordered, voltage_v=value)
        case _:
            return replace(ordered, current_a=value)


def _value(ordered: Ordered, order: Order) -> float:
    """The number that is ordered, with what it is added to."""
    if order.value is None or not math.isfinite(order.value):
        raise OrderRefused(f"The {NAMES[order.what]} that was ordered is no finite number: nothing was changed.")
    if order.relative and order.what is What.JOG:
        raise OrderRefused("A jog has a speed of its own: order it without a plus or minus step.")
    return ordered.value(order.what) + order.value if order.relative else order.value


def _speed_by(ordered: Ordered, order: Order, *, rests: bool) -> Ordered:
    if order.speed_by is None:
        raise OrderRefused("Say who makes the speed: the motor or the load.")
    if order.speed_by is ordered.speed_by:
        return ordered
    if not rests or ordered.jogging or ordered.speed_rpm != 0.0 or ordered.torque_nm != 0.0:
        raise OrderRefused(
            "Who makes the speed changes at standstill only: order zero first and wait until the shaft is measured to "
            "stand."
        )
    return replace(ordered, speed_by=order.speed_by)


def _meaningless(ordered: Ordered, order: Order, value: float, facts: Facts) -> str:
    """Why this quantity cannot be set just now, or ""."""
    check = _of_brushless if facts.brushless else _of_brushed
    return check(ordered, order.what, value)


def _of_brushed(ordered: Ordered, what: What, value: float) -> str:
    by_load = ordered.speed_by is SpeedBy.LOAD
    if what in {What.SPEED, What.JOG} and not by_load:
        return (
            "Without a motor drive the speed follows from the voltage: order a voltage, or let the load make the speed."
        )
    if what is What.TORQUE and by_load:
        return "While the load drive holds the speed the torque follows from the voltage: order a voltage."
    if what is What.TORQUE and value != 0.0 and ordered.voltage_v == 0.0:
        return "Without a voltage nothing holds the shaft against a torque: order a voltage first."
    if what is What.VOLTAGE and value == 0.0 and not by_load and ordered.torque_nm != 0.0:
        return "Without a voltage nothing would hold the shaft against the torque: order torque 0 first, or zero."
    if what is What.JOG and (ordered.voltage_v != 0.0 or (ordered.speed_rpm != 0.0 and not ordered.jogging)):
        return "A jog begins at rest: order zero first."
    return ""


def _of_brushless(ordered: Ordered, what: What, value: float) -> str:
    turned = ordered.speed_rpm != 0.0 or ordered.torque_nm != 0.0
    if what is What.CURRENT:
        return "The supply's current limit is set by hand for a motor that it feeds itself; here it is the run's."
    if what in {What.SPEED, What.TORQUE, What.JOG} and value != 0.0 and ordered.voltage_v == 0.0:
        return "The DC link has no voltage: order a voltage first."
    if what is What.VOLTAGE and value == 0.0 and turned:
        return "The DC link feeds what holds the shaft: order zero, which takes torque and speed away first."
    if what is What.JOG and (ordered.torque_nm != 0.0 or (ordered.speed_rpm != 0.0 and not ordered.jogging)):
        return "A jog begins at rest: order speed 0 and torque 0 first."
    return ""


def _slopes(ordered: Ordered, order: Order, facts: Facts) -> Mapping[What, float]:
    sloped = What.SPEED if order.what is What.JOG else order.what
    if sloped not in SLOPED:
        if order.slope_per_s is not None:
            raise OrderRefused(f"The {NAMES[order.what]} is set at once: order it without a slope.")
        return ordered.slopes_per_s
    steepest = facts.slopes_per_s[sloped]
    slope = steepest if order.slope_per_s is None else order.slope_per_s
    if not 0.0 < slope <= steepest:
        unit = UNITS[order.what]
        raise OrderRefused(
            f"A slope of {slope:g} {unit} a second cannot be ordered: this bench allows more than 0 and up to "
            f"{steepest:g} {unit} a second."
        )
    return {**ordered.slopes_per_s, sloped: slope}
