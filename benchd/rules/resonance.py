"""Where the shaft train twists by itself, and which speeds excite that. Pure; frequencies in Hz, speeds in r/min.

Two or three inertias with springs between them, without damping: specimen, transducer, load side. A coupling counts
half to either neighbour. Speeds in a band are to be crossed, never held: how far the torque then swings is decided by
damping that no file states.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass


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
    return _merged(sorted(found, key=lambda band: band.low_rpm))


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


def _merged(rising: Iterable[Band]) -> tuple[Band, ...]:
    """The bands with those that touch made one; both their ends rise, as all are equally wide for their speed."""
    merged: list[Band] = []
    for band in rising:
        if merged and band.low_rpm <= merged[-1].high_rpm:
            last = merged.pop()
            merged.append(Band(low_rpm=last.low_rpm, high_rpm=band.high_rpm, causes=last.causes + band.causes))
        else:
            merged.append(band)
    return tuple(merged)


def _positive(what: str, values: Iterable[float]) -> None:
    listed = list(values)
    if not listed or not all(0.0 < value < math.inf for value in listed):
        raise ValueError(f"A shaft train's {what} are finite and above 0, not {listed}.")
