"""Normal running trips nothing: as many simulated hours as fit into ten minutes of computing, counted and printed.

The goal is 100 hours without a trip; what a machine reaches in the time depends on its processors, one process each.
BENCHD_COMPUTING_S gives another time, so that a night reaches the goal.
"""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from .normal_running import KINDS

pytestmark = pytest.mark.performance

COMPUTING_S = float(os.environ.get("BENCHD_COMPUTING_S", "600"))
GOAL_H = 100.0


def test_normal_running_trips_nothing() -> None:
    script = str(Path(__file__).with_name("normal_running.py"))
    root = str(Path(__file__).parents[2])
    kinds = list(KINDS)
    workers = [
        subprocess.Popen(
            [sys.executable, script, kinds[number % len(kinds)], str(number + 1), str(COMPUTING_S)],
            env={**os.environ, "PYTHONPATH": os.pathsep.join([root, os.environ.get("PYTHONPATH", "")])},
            stdout=subprocess.PIPE,
            text=True,
        )
        for number in range(max(len(kinds), os.cpu_count() or 1))
    ]
    found = [json.loads(worker.communicate()[0]) for worker in workers]
    hours = sum(one["simulated_s"] for one in found) / 3600.0
    energised_h = sum(one["energised_s"] for one in found) / 3600.0
    trips = [trip for one in found for trip in one["trips"]]
    runs = ", ".join(f"{one['runs']} of {one['kind']}" for one in found)
    warnings = sum(one["warnings"] for one in found)
    print(
        f"\n{hours:.2f} simulated hours, {energised_h:.2f} of them in a run ({runs}), in {COMPUTING_S:g} s of "
        f"computing in each of {len(found)} processes: {len(trips)} trips, {warnings} warnings; "
        f"the goal is {GOAL_H:g} hours without one"
    )
    assert trips == []
    assert min(one["runs"] for one in found) >= 1
