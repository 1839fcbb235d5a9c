"""What lies between the supply and where the terminals' voltage is sensed, as bench and set-up file state it. Pure."""

import math
from collections.abc import Iterable

from benchd.rules.loops import Driven, Loop
from benchd.rules.terminal_voltage import SenseLine, correction_bounds_v
from benchd.settings.bench import Bench, Setup

DIODE_V = 1.2  # a silicon power diode at its rated current; common practice
BELOW_SINK = 0.97  # of the sink's threshold; common practice
READING_RATIO = 0.002  # of what the supply gives at most: its own reading and the channel's together; common practice


def sense_line(bench: Bench, setup: Setup, *, max_voltage_v: float, current_limit_a: float) -> SenseLine:
    """The cable both ways, the diode where there is one, and how far both readings may be out."""
    return SenseLine(
        cable_ohm=setup.settings.cable.resistance_ohm,
        current_limit_a=current_limit_a,
        diode_v=DIODE_V if bench.dc_link.blocking_diode else 0.0,
        reading_v=max(0.1, READING_RATIO * max_voltage_v) if math.isfinite(max_voltage_v) else 0.1,
    )


def highest_v(asked_v: float, line: SenseLine, loops: Iterable[Loop], *, sink_v: float, supply_v: float) -> float:
    """The highest set-point of a run: what its tests ask for, and what a tuned loop may add for the cable.

    The addition stays within what the supply gives and well below the sink's threshold; it never takes anything off.
    """
    if not any(one.driven is Driven.VOLTAGE and one.channel == "dc_voltage" for one in loops):
        return asked_v
    added_v = correction_bounds_v(line, current_a=line.current_limit_a).high
    return max(asked_v, min(asked_v + added_v, BELOW_SINK * sink_v, supply_v))
