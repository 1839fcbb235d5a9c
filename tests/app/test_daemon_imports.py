"""The daemon stays light: what evaluates and draws is never loaded into it."""

import json
import subprocess
import sys

LOOK = """
import importlib, json, sys
import benchd.app.command_line, benchd.app.serve
from benchd.app.discovery import find_drivers
for manifest in find_drivers().drivers.values():
    importlib.import_module(manifest.driver.partition(":")[0])
print(json.dumps(sorted(sys.modules)))
"""
NEVER = (
    "scipy",
    "matplotlib",
    "typst",
    "benchd.analysis",
    "benchd.report",
    "benchd.app.evaluation",
    "benchd.app.report",
    "benchd.app.demo",
    "benchd_rig",
)


def test_the_daemon_and_all_its_drivers_load_nothing_that_evaluates_draws_or_simulates() -> None:
    done = subprocess.run([sys.executable, "-c", LOOK], capture_output=True, check=True, text=True, timeout=60)
    loaded = json.loads(done.stdout)
    assert "benchd.live.bench" in loaded
    assert "benchd_scpi.supply" in loaded
    assert "benchd_modbus.drive" in loaded
    heavy = [name for name in loaded if name.startswith(NEVER)]
    assert heavy == []
