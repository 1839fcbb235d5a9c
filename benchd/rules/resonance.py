"""Where the shaft train twists by itself, and which speeds excite that. Pure; frequencies in Hz, speeds in r/min.

Two or three inertias with springs between them, without damping: specimen, transducer, load side. A coupling counts
half to either neighbour. Speeds in a band are to be crossed, never held: how far the torque then swings is decided by
damping that no file states.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from benchd.rules.ramps import towards


@dataclass(frozen=True, slots=True)
class Order:
    """Something that shakes the shaft so many times a revolution."""

    name: str  # for people, such as "cogging"
    per_revolution: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """Magnitudes of speed that are to be crossed quickly, both ends among them, and what is excited there."""

    low_rpm: float
    high_rpm: float
    causes: tuple[str, ...]  # such as "cogging (72 a revolution) at 240.0 Hz"

    @property
    def words(self) -> str:
        """The whole speeds within, and why, for people."""
        low, high = math.ceil(self.low_rpm), math.floor(self.high_rpm)
        span = f"{low} to {high}" if low < high else f"{self.low_rpm:g} to {self.high_rpm:g}"
        return f"from {span} r/min ({' and '.join(self.causes)})"


def in_series(*stiffnesses_nm_per_rad: float) -> float:
    """The stiffness of springs one behind the other, N·m/rad. Raises `ValueError` for what is not above 0."""
    _positive("stiffnesses", stiffnesses_nm_per_rad)
    return 1.0 / sum(1.0 / one for one in stiffnesses_nm_per_rad)


def natural_hz(inertias_kgm2: Sequence[float], stiffnesses_nm_per_rad: Sequence[float]) -> tuple[float, ...]:
    """The torsional natural frequencies of two or three inertias in a row, from low to high, Hz.

    Two: ω² = k·(1/J1 + 1/J2). Three: the roots of ω⁴ − (a + b)·ω² + k1·k2·(J1 + J2 + J3)/(J1·J2·J3) with
    a = k1·(1/J1 + 1/J2), b = k2·(1/J2 + 1/J3). Raises `ValueError` for another number of either, or what is not
    above 0.
    """
    if len(inertias_kgm2) not in {2, 3} or len(stiffnesses_nm_per_rad) != len(inertias_kgm2) - 1:
        raise ValueError(
            f"Natural frequencies are known of 2 or 3 inertias with a stiffness between each, not of "
            f"{len(inertias_kgm2)} with {len(stiffnesses_nm_per_rad)}."
        )
    _positive("inertias", inertias_kgm2)
    _positive("stiffnesses", stiffnesses_nm_per_rad)
    one, two = inertias_kgm2[:2]
    first = stiffnesses_nm_per_rad[0] * (1.0 / one + 1.0 / two)
    if len(inertias_kgm2) == 2:
        return (math.sqrt(first) / (2.0 * math.pi),)
    three = inertias_kgm2[2]
    second = stiffnesses_nm_per_rad[1] * (1.0 / two + 1.0 / three)
    both = stiffnesses_nm_per_rad[0] * stiffnesses_nm_per_rad[1]
    upper = 0.5 * (first + second) + math.hypot(0.5 * (first - second), math.sqrt(both) / two)
    # the lower root from the product of both: their difference would lose its digits where they lie far apart
    lower = both * (1.0 / (one * two) + 1.0 / (two * three) + 1.0 / (one * three)) / upper
    return math.sqrt(lower) / (2.0 * math.pi), math.sqrt(upper) / (2.0 * math.pi)


def excitation_orders(*, pole_pairs: int | None = None, slots: int | None = None) -> tuple[Order, ...]:
    """What usually shakes a shaft: unbalance (1), misalignment (2), 6 times electrical, and cogging (common practice).

    Cogging has LCM(slots, poles) periods a revolution. What is not known of a motor is left out. Raises `ValueError`
    for numbers that no motor has.
    """
    if (pole_pairs is not None and pole_pairs < 1) or (slots is not None and slots < 1):
        raise ValueError(f"A motor has pole pairs and slots from 1 on, not {pole_pairs} and {slots}.")
    found = [Order("unbalance", 1.0), Order("misalignment", 2.0)]
    if pole_pairs is not None:
        found.append(Order("6 times electrical", 6.0 * pole_pairs))
        if slots is not None:
            found.append(Order("cogging", float(math.lcm(slots, 2 * pole_pairs))))
    return tuple(found)


def critical_rpm(frequency_hz: float, order: Order) -> float:
    """The speed at which this order meets this frequency, r/min."""
    return 60.0 * frequency_hz / order.per_revolution


def bands(
    frequencies_hz: Iterable[float], orders: Iterable[Order], *, half_width_ratio: float, top_rpm: float
) -> tuple[Band, ...]:
    """The bands around all critical speeds that reach below `top_rpm`, from slow to fast; those that touch are one.

    `half_width_ratio` is how far a band reaches to either side of its critical speed, over that speed: it has to cover
    the doubt of the stiffnesses, which counts half, and the resonance's own width. Raises `ValueError` for one that is
    not between 0 and 1, for orders and frequencies that are not above 0.
    """
    if not 0.0 < half_width_ratio < 1.0:
        raise ValueError(f"A band is as wide as a ratio between 0 and 1 to either side, not {half_width_ratio!r}.")
    frequencies, shaking = tuple(frequencies_hz), tuple(orders)
    _positive("frequencies", frequencies)
    _positive("orders", [order.per_revolution for order in shaking])
    found = []
    for frequency_hz in frequencies:
        for order in shaking:
            speed_rpm = critical_rpm(frequency_hz, order)
            cause = f"{order.name} ({order.per_revolution:g} a revolution) at {frequency_hz:.1f} Hz"
            low_rpm, high_rpm = speed_rpm * (1.0 - half_width_ratio), speed_rpm * (1.0 + half_width_ratio)
            if low_rpm <= top_rpm:
                found.append(Band(low_rpm=low_rpm, high_rpm=high_rpm, causes=(cause,)))
    return joined(found)


def joined(found: Iterable[Band]) -> tuple[Band, ...]:
    """The same bands from slow to fast, those that touch made one with all of their causes."""
    merged: list[Band] = []
    for band in sorted(found, key=lambda band: band.low_rpm):
        if merged and band.low_rpm <= merged[-1].high_rpm:
            last = merged.pop()
            high_rpm = max(last.high_rpm, band.high_rpm)
            merged.append(Band(low_rpm=last.low_rpm, high_rpm=high_rpm, causes=last.causes + band.causes))
        else:
            merged.append(band)
    return tuple(merged)


def crosses(found: Iterable[Band], *, from_rpm: float, to_rpm: float) -> tuple[Band, ...]:
    """The bands that a way from one speed to another touches, in the order in which it meets them.

    A way through standstill meets those on both sides of it, so a band may come twice.
    """
    low_rpm, high_rpm = sorted((from_rpm, to_rpm))
    signed = [(band.low_rpm, band.high_rpm, band) for band in found]
    signed += [(-high, -low, band) for low, high, band in signed]
    touched = [(low, band) for low, high, band in signed if low <= high_rpm and low_rpm <= high]
    return tuple(band for _, band in sorted(touched, key=lambda one: one[0], reverse=from_rpm > to_rpm))


def dwells_in(found: Iterable[Band], *, speed_rpm: float) -> Band | None:
    """The band that a held speed lies in, either direction alike; None where it lies in none."""
    return next((band for band in found if band.low_rpm <= abs(speed_rpm) <= band.high_rpm), None)


def beside(found: Iterable[Band], *, speed_rpm: float) -> tuple[float, float]:
    """The nearest whole speeds outside all bands, below and above the magnitude of this one, r/min, never negative.

    Both are the magnitude itself where it lies in no band. Standing still is outside of every band.
    """
    every = tuple(found)
    low_rpm = high_rpm = abs(speed_rpm)
    while (band := dwells_in(every, speed_rpm=low_rpm)) is not None:
        if band.low_rpm <= 0.0:
            low_rpm = 0.0
            break
        low_rpm = max(0.0, math.ceil(band.low_rpm) - 1.0)
    while (band := dwells_in(every, speed_rpm=high_rpm)) is not None:
        high_rpm = math.floor(band.high_rpm) + 1.0
    return low_rpm, high_rpm


def outside(found: Iterable[Band], *, speed_rpm: float, top_rpm: float = math.inf) -> float:
    """This speed, or the nearest whole one outside all bands in the same direction and not above `top_rpm`.

    The lower one where both are equally near.
    """
    low_rpm, high_rpm = beside(found, speed_rpm=speed_rpm)
    at_rpm = abs(speed_rpm)
    nearer_rpm = high_rpm if high_rpm - at_rpm < at_rpm - low_rpm and high_rpm <= top_rpm else low_rpm
    return math.copysign(nearer_rpm, speed_rpm)


def crossing(
    found: Sequence[Band],
    *,
    from_rpm: float,
    to_rpm: float,
    slope_rpm_per_s: float,
    crossing_rpm_per_s: float,
    dt_s: float,
) -> float:
    """The speed `dt_s` later on the way to another, within a band by `crossing_rpm_per_s`, else by the first slope.

    Each part of the step counts with its own slope, and the end is met exactly. A crossing slope that is not steeper
    changes nothing. Raises `ValueError` as `towards` does.
    """
    steep_rpm_per_s = max(slope_rpm_per_s, crossing_rpm_per_s)
    if not found or steep_rpm_per_s == slope_rpm_per_s:
        return towards(from_rpm, to_rpm, slope_per_s=slope_rpm_per_s, dt_s=dt_s)
    upwards = to_rpm > from_rpm
    edges = [sign * edge for band in found for edge in (band.low_rpm, band.high_rpm) for sign in (1.0, -1.0)]
    ahead = sorted(
        (edge for edge in edges if min(from_rpm, to_rpm) < edge < max(from_rpm, to_rpm)), reverse=not upwards
    )
    at_rpm, left_s = from_rpm, dt_s
    for stop_rpm in (*ahead, to_rpm):
        within = dwells_in(found, speed_rpm=0.5 * (at_rpm + stop_rpm)) is not None
        slope = steep_rpm_per_s if within else slope_rpm_per_s
        now_rpm = towards(at_rpm, stop_rpm, slope_per_s=slope, dt_s=left_s)
        if now_rpm != stop_rpm:
            return now_rpm
        left_s = max(0.0, left_s - abs(stop_rpm - at_rpm) / slope)
        at_rpm = stop_rpm
    return at_rpm


def _positive(what: str, values: Iterable[float]) -> None:
    listed = list(values)
    if not listed or not all(0.0 < value < math.inf for value in listed):
        raise ValueError(f"A shaft train's {what} are finite and above 0, not {listed}.")
