"""How far a supply may be corrected so that its voltage stands at the far end of the cable. Pure.

The sense lead is the one thing in that loop that falls off while all else works: it then reads next to nothing, and
the loop asks for more. What it may add is therefore bounded by what the cable can lose, and a reading that no cable
explains is not believed.
"""

import math
from dataclasses import dataclass

from benchd.rules.regulator_gains import Bounds


@dataclass(frozen=True, slots=True, kw_only=True)
class SenseLine:
    """What lies between the supply's output and the sense lead.

    `margin` is how much more the cable may lose than stated (warm copper, contacts), `reading_v` the doubt of both
    readings together. Raises `ValueError` for what is not finite, negative, or a margin below 1.
    """

    cable_ohm: float  # both ways
    current_limit_a: float  # more than this the supply does not give, whatever is read
    diode_v: float = 0.0  # in series, where the supply cannot take current back
    margin: float = 1.5
    reading_v: float = 0.1

    def __post_init__(self) -> None:
        values = (self.cable_ohm, self.current_limit_a, self.diode_v, self.reading_v)
        if not all(0.0 <= value < math.inf for value in values) or not 1.0 <= self.margin < math.inf:
            raise ValueError(f"A sense line has finite values from 0 on, and a margin from 1 on, not {self}.")


def correction_bounds_v(line: SenseLine, *, current_a: float) -> Bounds:
    """What may be added to the supply's set-point for the cable, V: from 0 to margin·I·R and the diode's drop.

    The current is positive out of the supply and counts up to the supply's own limit; a current that is not a number
    or flows back allows nothing. A lead that is off can so add no more than this, and the current that the addition
    makes adds to it only as margin·R goes to all the circuit's resistance.
    """
    flows_a = min(current_a, line.current_limit_a) if current_a > 0.0 else 0.0
    drop_v = line.margin * flows_a * line.cable_ohm + (line.diode_v if flows_a > 0.0 else 0.0)
    return Bounds(low=0.0, high=drop_v)


def believed_v(line: SenseLine, sensed_v: float | None, *, output_v: float, current_a: float) -> float | None:
    """The sensed voltage, or None where the supply's own reading and the cable do not explain it.

    It lies below the output by no more than the cable can lose at this current, and above it by no more than both
    readings may be out, or a lead is off, exchanged or on the wrong terminal. A current that flows back lifts it.
    """
    if sensed_v is None or not all(map(math.isfinite, (sensed_v, output_v, current_a))):
        return None
    drop_v = line.margin * abs(current_a) * line.cable_ohm
    lowest_v = output_v - (drop_v if current_a > 0.0 else 0.0) - line.diode_v - line.reading_v
    highest_v = output_v + (drop_v if current_a < 0.0 else 0.0) + line.reading_v
    return sensed_v if lowest_v <= sensed_v <= highest_v else None
