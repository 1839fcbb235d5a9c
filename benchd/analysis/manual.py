"""What a manual session came to: the greatest values while it was played, as sentences. It makes no quantity.

Nothing in a session was held until it had settled, so nothing in it has an uncertainty.
"""

import numpy as np

from benchd.analysis.record import Record, RecordedTest
from benchd.analysis.results import TestResults
from benchd.rules.channels import Quality

KIND = "manual"
SHOWN = ("shaft_speed", "shaft_torque", "dc_voltage", "dc_current", "motor_power", "winding_temperature")
NO_RESULT = "A manual session determines nothing: what follows are the readings furthest from zero, not results."


def evaluate_manual(record: Record, test: RecordedTest) -> TestResults:
    """The furthest reading of each of the main channels, in which direction and how long after the session began."""
    mine = record.test == test.index
    notes = [NO_RESULT]
    if not mine.any():
        return TestResults(kind=KIND, index=test.index, quantities=(), notes=("Nothing was set by hand.",))
    began_s = float(record.time_mono_s[mine][0])
    for channel in SHOWN:
        if channel not in record.values:
            continue
        good = mine & (record.quality[channel] == Quality.GOOD) & np.isfinite(record.values[channel])
        if not good.any():
            continue
        values, times = record.values[channel][good], record.time_mono_s[good]
        place = int(np.argmax(np.abs(values)))
        words = channel.replace("_", " ").replace("dc ", "DC ")
        unit = record.units[channel]
        notes.append(f"Furthest {words}: {values[place]:.4g} {unit}, after {times[place] - began_s:.1f} s.")
    return TestResults(kind=KIND, index=test.index, quantities=(), notes=tuple(notes))
