"""What earlier runs of the same motor type found replaces the data sheet's values in a rehearsal, and says so.

The newest complete run that determined a value gives it. It must never change what a real run is planned by.
"""

import dataclasses
import json
import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from benchd.contract import BrushedPlate, BrushlessPlate, Plate

MOST_READ = 50  # of the newest folders; older ones say less of what is made today
APART = 2.0  # a value further from the data sheet than this ratio is another motor's, or wrong
# the plate's field, the test's kind, its quantity, the unit that both have; friction may be anything that brakes
BRUSHLESS = (
    ("resistance_ohm", "winding_resistance", "resistance_between_terminals_20", "Ω"),
    ("voltage_constant_v_per_krpm", "back_emf", "voltage_constant", "V/(1000 r/min)"),
    ("dry_friction_nm", "back_emf", "drag_torque_coulomb", "N·m"),
    ("viscous_friction_nm_s", "back_emf", "drag_coefficient_viscous", "N·m·s/rad"),
)
BRUSHED = (  # not the resistance: a data sheet's has the brushes in it, which a load test tells apart
    ("ke_v_s", "no_load", "voltage_constant", "V·s/rad"),
    ("dry_friction_nm", "no_load", "friction_torque_coulomb", "N·m"),
    ("viscous_friction_nm_s", "no_load", "friction_coefficient_viscous", "N·m·s/rad"),
)


def refined(plate: Plate, data: Path, motor: Mapping[str, Any]) -> tuple[Plate, tuple[Mapping[str, Any], ...]]:
    """The plate with what this data directory's runs of the motor's type found; and each value with its file."""
    wanted = BRUSHED if isinstance(plate.motor, BrushedPlate) else BRUSHLESS
    used: dict[str, Mapping[str, Any]] = {}
    for file, results in _results(data, motor):
        tests = {str(test["kind"]): test["quantities"] for test in results["tests"].values()}
        for field, kind, quantity, unit in wanted:
            if field in used:
                continue
            for one in tests.get(kind, ()):
                if (one["name"], one["unit"]) == (quantity, unit) and _sound(plate.motor, field, one["value"]):
                    used[field] = {"name": field, "value": float(one["value"]), "unit": unit, "file": file}
    values = {field: one["value"] for field, one in used.items()}
    return dataclasses.replace(plate, motor=dataclasses.replace(plate.motor, **values)), tuple(used.values())


def _results(data: Path, motor: Mapping[str, Any]) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """File and content of every complete run of this motor type, the newest first; what cannot be read is left out."""
    for folder in sorted(data.glob("order=*/serial=*/*"), key=lambda path: path.name, reverse=True)[:MOST_READ]:
        try:
            run, ending, results = (
                json.loads((folder / name).read_text(encoding="utf-8"))
                for name in ("run.json", "ending.json", "results.json")
            )
            of_type = all(
                run["configuration"]["motor"][key] == motor[key] for key in ("kind", "manufacturer", "type_designation")
            )
            if of_type and ending["ending"] == "complete":
                yield str((folder / "results.json").relative_to(data)), results
        except (OSError, ValueError, LookupError, TypeError):
            continue


def _sound(motor: BrushedPlate | BrushlessPlate, field: str, value: object) -> bool:
    """A positive number, and near to the data sheet's where that is no friction."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value) or value <= 0.0:
        return False
    stated = getattr(motor, field)
    return "friction" in field or (stated is not None and stated / APART <= value <= stated * APART)
