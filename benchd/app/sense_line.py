"""What lies between the supply and where the terminals' voltage is sensed, as bench and set-up file state it. Pure."""

import math

from benchd.rules.terminal_voltage import SenseLine
from benchd.settings.bench import Bench, Setup

DIODE_V = 1.2  # a silicon power diode at its rated current; common practice
READING_RATIO = 0.002  # of what the supply gives at most: its own reading and the channel's together; common practice


def sense_line(bench: Bench, setup: Setup, *, max_voltage_v: float, current_limit_a: float) -> SenseLine:
    """The cable both ways, the diode where there is one, and how far both readings may be out."""
    return SenseLine(
        cable_ohm=setup.settings.cable.resistance_ohm,
        current_limit_a=current_limit_a,
        diode_v=DIODE_V if bench.dc_link.blocking_diode else 0.0,
        reading_v=max(0.1, READING_RATIO * max_voltage_v) if math.isfinite(max_voltage_v) else 0.1,
    )
