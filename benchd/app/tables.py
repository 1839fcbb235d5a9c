"""What the command line prints: results, limits, drivers. It must never compute what it shows."""

import math
from collections.abc import Iterable, Mapping
from typing import Any

from rich.console import Console
from rich.table import Table

from benchd.app.discovery import Found
from benchd.app.wiring import PlannedRun
from benchd.rules.demand import Demanded
from benchd.rules.limits import Bound, Limit

HEADLINES = {
    "no_load": (
        "no_load_speed",
        "no_load_current",
        "voltage_constant",
        "friction_torque",
    ),
    "load": (
        "winding_resistance",
        "torque_constant",
        "efficiency_at_rated_torque",
        "speed_at_rated_torque",
        "current_at_rated_torque",
        "maximum_efficiency",
        "maximum_output_power",
        "stall_torque",
        "stall_current",
    ),
}


def with_uncertainty(value: float, expanded: float | None) -> tuple[str, str]:
    """Value and expanded uncertainty, the latter to two significant digits and the value to the same place."""
    if expanded is None or not math.isfinite(expanded) or expanded <= 0.0:
        return f"{value:.6g}", "unknown"
    place = max(0, 1 - math.floor(math.log10(expanded)))
    return f"{value:.{place}f}", f"{expanded:.{place}f}"


def results_tables(results: Mapping[str, Any], *, everything: bool) -> Iterable[Table]:
    """One table a test: the headline quantities, or all of them."""
    for name, test in results["tests"].items():
        table = Table(title=f"{name.replace('_', ' ')} test", title_justify="left", box=None, pad_edge=False)
        table.add_column("quantity")
        table.add_column("value", justify="right")
        table.add_column("± U (95 %)", justify="right")
        table.add_column("unit")
        wanted = HEADLINES.get(test["kind"], ())
        for quantity in test["quantities"]:
            if not everything and wanted and quantity["name"] not in wanted:
                continue
            words = quantity["name"].replace("_", " ")
            if quantity["value"] is None:
                table.add_row(words, "not determined", "", quantity["reason"])
                continue
            value, expanded = with_uncertainty(quantity["value"], quantity["expanded_uncertainty"])
            table.add_row(words, value, expanded, "" if quantity["unit"] == "1" else quantity["unit"])
        yield table


def results_notes(results: Mapping[str, Any]) -> Iterable[str]:
    """Every sentence that a reader of the results must see."""
    yield from results["notes"]
    for name, test in results["tests"].items():
        for note in test["notes"]:
            yield f"{name.replace('_', ' ')}: {note}"


def limits_table(limits: Iterable[Limit], units: Mapping[str, str]) -> Table:
    """The effective limits, each with where it came from."""
    table = Table(title="Limits in force", title_justify="left", box=None, pad_edge=False)
    for heading in ("channel", "bound", "after", "reaction", "from"):
        table.add_column(heading, overflow="fold")
    for limit in limits:
        side = {Bound.LOW: "below", Bound.HIGH: "above", Bound.STALE: "silent for"}[limit.bound]
        unit = "s" if limit.bound is Bound.STALE else units.get(limit.channel, "")
        table.add_row(
            limit.channel,
            f"{side} {limit.value:g} {unit}",
            f"{limit.delay_s:g} s",
            limit.reaction.name.lower().replace("_", " "),
            limit.origin,
        )
    return table


def demand_table(run: PlannedRun) -> Table:
    """What each test will ask of the bench."""
    table = Table(title="What the tests ask for", title_justify="left", box=None, pad_edge=False)
    table.add_column("test")
    for quantity in Demanded:
        table.add_column(f"{quantity.title} {quantity.value}", justify="right")
    for test in run.tests:
        table.add_row(test.title, *(f"{amount:.4g}" for _, amount in test.demand.amounts()))
    return table


def drivers_table(found: Found) -> Table:
    """Every driver that is installed, and those that cannot be used, with the reason."""
    table = Table(title="Drivers", title_justify="left", box=None, pad_edge=False)
    for heading in ("name", "contract", "from", "what it is"):
        table.add_column(heading, overflow="fold")
    for name, manifest in sorted(found.drivers.items()):
        table.add_row(name, str(manifest.contract_version), found.distributions[name], manifest.summary)
    for name, sentence in sorted(found.broken.items()):
        table.add_row(name, "-", found.distributions.get(name, ""), sentence)
    return table


def say(console: Console, sentence: str) -> None:
    """One sentence, not interpreted as markup and not highlighted."""
    console.print(sentence, markup=False, highlight=False, soft_wrap=True)
