"""Which way the phases follow each other, and in words what is exchanged or turned round. It must never correct it."""

from itertools import combinations
from typing import Literal

import numpy as np

from benchd.analysis.harmonics import Phasors
from benchd.analysis.power import symmetrical_components

CLEAR_RATIO = 2.0  # one sequence by the other: below it neither order is told
SUM_SHARE = 0.3  # three conductors' currents cancel; a sum above this share of their mean size is none of a real bench
TOO_SMALL_SHARE = 0.02  # of the largest phasor: a phase below it is not there


def sequence(phasors: Phasors) -> Literal[-1, 0, 1]:
    """+1 where the fundamentals (3,) follow each other as 1-2-3, -1 as 1-3-2, 0 where neither is clear."""
    _, positive, negative = (abs(part) for part in symmetrical_components(phasors))
    if positive > CLEAR_RATIO * negative:
        return 1
    return -1 if negative > CLEAR_RATIO * positive else 0


def reversed_current(currents: Phasors) -> int | None:
    """The conductor (0, 1, 2) whose current counts the wrong way, where turning it round makes the three cancel."""
    size = float(np.mean(np.abs(currents)))
    if size <= 0.0 or abs(complex(currents.sum())) < SUM_SHARE * size:
        return None
    left = [abs(complex(currents.sum() - 2.0 * currents[k])) for k in range(3)]
    best = int(np.argmin(left))
    return best if left[best] < SUM_SHARE * size else None


def wiring_complaints(voltages: Phasors, currents: Phasors, *, turning: Literal[-1, 1]) -> tuple[str, ...]:
    """Sentences about leads and sensors that are exchanged or turned round; none where all is as it should be.

    Fundamentals of the phase voltages and currents (3,) against one zero of time; `turning` is +1 where the shaft turns
    in the positive direction, in which the phases follow each other as 1-2-3 (IEC 60034-8).
    """
    largest = float(np.max(np.abs(voltages)))
    missing = [k + 1 for k in range(3) if abs(complex(voltages[k])) < TOO_SMALL_SHARE * largest]
    if largest <= 0.0 or missing:
        which = "any phase" if largest <= 0.0 else f"phase {missing[0]}"
        return (f"There is no voltage on {which}: look at its lead and its measuring input.",)
    complaints = []
    wrong = reversed_current(currents)
    if wrong is not None:
        currents = currents * np.where(np.arange(3) == wrong, -1.0, 1.0)
        complaints.append(
            f"The current of phase {wrong + 1} counts the wrong way: its sensor is turned round, and the power of that "
            "phase has the wrong sign."
        )
    order, order_of_currents = sequence(voltages), sequence(currents)
    way = "positive" if turning > 0 else "negative"
    if order == 0:
        complaints.append("The phase voltages show no clear order: look at the voltage leads.")
    elif order != turning:
        complaints.append(
            f"The phase voltages follow each other as {_named(order)} while the shaft turns in the {way} direction: "
            "two of the specimen's leads are exchanged, or two of the voltage measurement's."
        )
    if order and order_of_currents and order != order_of_currents:
        pair = _exchanged(voltages, currents)
        complaints.append(
            f"The phase currents follow each other as {_named(order_of_currents)} and the voltages as {_named(order)}: "
            f"the currents{pair} are exchanged, and the power is wrong."
        )
    return tuple(complaints)


def _named(order: int) -> str:
    return "1-2-3" if order > 0 else "1-3-2"


def _exchanged(voltages: Phasors, currents: Phasors) -> str:
    """Which two currents, exchanged back, lie alike to their voltages in all phases and give the most power."""
    best, most = "", 0.0
    for one, other in combinations(range(3), 2):
        back = np.array(currents)
        back[[one, other]] = back[[other, one]]
        power = abs(float(np.sum(voltages * np.conj(back)).real))
        if power > 1.2 * most:
            best, most = f" of phases {one + 1} and {other + 1}", power
        elif power > most / 1.2:
            best, most = "", max(power, most)  # two exchanges explain it alike: name none
    return best or " of two phases"
