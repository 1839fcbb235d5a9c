"""Normal running in virtual time until a time of computing is spent; prints one line of JSON. Not a test.

    python normal_running.py KIND SEED COMPUTING_S

The shipped bench and programme on the in-process twin with the shipped limits and delays, one run after the other.
Noise is that of the simulated instruments: every input of the measuring unit, the power analyser, the resistance meter.
Readbacks of supply, sink and drives are exact down to their resolution, thermometers are exact.
"""

import asyncio
import json
import sys
import tempfile
import time
from pathlib import Path

from benchd.live.virtual_time import run_virtual
from benchd.rules.states import Command, State
from benchd.settings.places import configs_directory
from tests.live.twin_bench import BRUSHED, BRUSHLESS, running

KINDS = {
    "pump": (BRUSHLESS, "pump_acceptance"),
    "vent flap": (BRUSHED, "vent_flap_acceptance"),
}
BREATH_S = 30.0  # between two runs
RUN_WITHIN_S = 1800.0
TELLING = ("tripped", "crossed", "failed", "not_safe", "explained", "deviation")


async def play(kind: str, seed: int, computing_s: float) -> dict:
    """Simulated seconds, how many of them energised, runs, and everything that was told of a trip."""
    began_s = time.monotonic()
    files, programme = KINDS[kind]
    text = (configs_directory() / f"programmes/{programme}.toml").read_text()
    loop = asyncio.get_running_loop()
    found = {"kind": kind, "seed": seed, "runs": 0, "energised_s": 0.0, "trips": [], "warnings": 0}
    with tempfile.TemporaryDirectory() as folder:
        async with running(Path(folder), programme=text, seed=seed, kind=files) as bench:
            first_s = loop.time()
            while time.monotonic() - began_s < computing_s:
                assert await bench.command(Command.RESET) is State.IDLE, bench.log[-5:]
                started_s = loop.time()
                bench.live.command(Command.START, because="the test")
                ended = await bench.settle(RUN_WITHIN_S)
                found["runs"] += 1
                found["energised_s"] += loop.time() - started_s
                if ended is not State.COMPLETE:
                    told = [(name, fields) for name, fields in bench.log if name in TELLING]
                    found["trips"].append([f"{name}: {fields}" for name, fields in told][:6])
                    if bench.state is State.ABORTED:
                        await bench.command(Command.CLEAR)
                    bench.rig.safety_chain._reset()
                found["warnings"] += len(bench.told("warning"))
                bench.log.clear()
                bench.recorded.rows.clear()
                bench.recorded.events.clear()
                bench.recorded.windows.clear()
                if bench.state is State.COMPLETE:
                    await asyncio.sleep(BREATH_S)
            found["simulated_s"] = loop.time() - first_s
    return found


if __name__ == "__main__":
    print(json.dumps(run_virtual(play(sys.argv[1], int(sys.argv[2]), float(sys.argv[3])))))
