"""A process that records until it is killed: rows from one thread, flushes from another, as in the daemon.

Arguments: the run folder, a seed. After each flush that returned it tells on standard output how many rows are safe.
"""

import os
import sys
import threading
import time

import numpy as np

from benchd.records import EventLog, Journal

CHANNELS = [(f"channel_{number}", "V") for number in range(8)]
PREPARED = 4000


def main(folder: str, seed: int) -> None:
    bits = np.random.default_rng(seed).integers(0, 2**64, size=(PREPARED, 8), dtype=np.uint64)
    rows = bits.view(np.float64)
    journal = Journal(folder, CHANNELS)
    events = EventLog(folder)

    def flushing() -> None:
        while True:
            journal.flush()
            written = journal.rows_written
            if written == 0:
                continue  # so that the first word means that there is something to lose
            events.append("flushed", time_mono_s=time.monotonic(), rows=written)
            events.flush()
            os.write(1, b"%d\n" % written)

    threading.Thread(target=flushing, daemon=True).start()
    number = 0
    while True:
        if journal.rows_pending < 5000:
            journal.append(
                time_mono_s=float(number),
                state=6,
                test=0,
                point=-1,
                values=rows[number % PREPARED],
                ages_s=[0.0] * 8,
                quality=[0] * 8,
            )
            number += 1
        if number % 20 == 0:
            time.sleep(0.0005)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
