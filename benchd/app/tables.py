"""What the command line prints, laid out in plain lines: results, limits, demands, drivers.

It must never compute what it shows, nor break a name or a number in two. Columns are as wide as what stands in them.
"""

import math
import re
import shutil
import textwrap
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from pathlib import PurePath
from typing import Any

from benchd.app.discovery import Found
from benchd.app.wiring import PlannedRun
from benchd.live.plan import BenchPlan
from benchd.rules.channels import Channel
from benchd.rules.demand import Demanded
from benchd.rules.derivations import Rule
from benchd.rules.limits import Bound, Limit
from benchd.rules.parameter_set import shown as value_of

NO_WIDTH = 1_000_000  # of a pipe or a file: nothing is wrapped there
GAP = "  "
SIDES = {Bound.LOW: "below", Bound.HIGH: "above", Bound.STALE: "silent"}
_ORIGIN = re.compile(r"(?P<file>.+?):(?P<rest>\d+( .*)?)")

HEADLINES = {
    "winding_resistance": (
        "resistance_between_terminals_20",
        "terminal_resistance_20",
        "resistance_unbalance",
        "winding_temperature",
    ),
    "torque_zero": ("torque_zero", "turning_friction"),
    "back_emf": ("voltage_constant", "torque_constant", "drag_torque_at_rated_speed", "magnet_temperature"),
    "no_load": (
        "no_load_speed",
        "no_load_current",
        "no_load_power",
        "no_load_losses",
        "voltage_constant",
        "friction_torque_at_no_load",
        "friction_torque_coulomb",
        "friction_coefficient_viscous",
        "bench_drag_at_no_load",
    ),
    "duty_cycle": (
        "cycle_efficiency",
        "electrical_energy_in",
        "electrical_energy_back",
        "mechanical_energy_out",
        "mechanical_energy_in",
        "rms_torque",
        "peak_torque",
        "greatest_speed_error",
        "greatest_torque_error",
    ),
    "load": (
        "torque_constant",
        "winding_resistance",
        "winding_resistance_20",
        "brush_drop",
        "speed_at_rated_torque",
        "current_at_rated_torque",
        "shaft_power_at_rated_torque",
        "losses_at_rated_torque",
        "efficiency_at_rated_torque",
        "system_efficiency_at_rated_torque",
        "maximum_efficiency",
        "maximum_output_power",
        "stall_torque",
        "stall_current",
        "winding_temperature",
    ),
    "rated_point": (
        "efficiency",
        "converter_efficiency",
        "system_efficiency",
        "shaft_power",
        "losses",
        "torque",
        "speed",
        "motor_current",
        "dc_current",
        "power_factor",
        "winding_temperature",
        "winding_temperature_rise",
    ),
}
TITLES = {"winding_resistance": "winding resistance", "torque_zero": "torque zero", "rated_point": "rated point"}


def width_of_terminal() -> int:
    """Columns of the terminal behind standard output, or COLUMNS; `NO_WIDTH` where there is neither."""
    columns = shutil.get_terminal_size(fallback=(0, 0)).columns
    return columns if columns > 0 else NO_WIDTH


def run_header(description: Mapping[str, Any], ending: Mapping[str, Any] | None, folder: PurePath) -> str:
    """Which run this is: order, specimen, programme, when, how it ended, and where it lies."""
    motor = description["configuration"]["motor"]
    started = str(description["started_utc"])[:16].replace("T", " ")
    ended = "without an ending" if ending is None else str(ending["ending"])
    specimen = f"{motor.get('manufacturer', '')} {motor.get('type_designation', '')}"
    lines = (
        f"Order {description['order']}, specimen {description['serial']} ({specimen.strip()})",
        f"{description['programme']}, {started} UTC, {ended}",
        str(folder),
    )
    return "\n".join(lines)


def decision(found: Mapping[str, Any]) -> str:
    """The decision with its rule and the sentence of each requirement; empty where nothing was required."""
    decided = found.get("decision")
    if not decided:
        return ""
    sentences = [wrapped(f"  {one['sentence']}", hanging=4) for one in decided["requirements"]]
    return "\n".join(
        [wrapped(decided["sentence"], hanging=0), *sentences, wrapped(decided["rule"]["sentence"], hanging=0)]
    )


def results(found: Mapping[str, Any], *, everything: bool) -> str:
    """The decision, one table a test, the headline quantities or all of them, then what a reader must see."""
    played = sorted(found["tests"].items(), key=lambda named: named[1]["index"])
    blocks = [decided] if (decided := decision(found)) else []
    blocks += [_results_of(name, test, everything=everything) for name, test in played]
    notes = [*found["notes"]]
    for name, test in found["tests"].items():
        notes += [f"{_words(name)}: {note}" for note in test["notes"]]
    if notes:
        blocks.append("\n".join(wrapped(f"Note: {note}", hanging=6) for note in notes))
    return "\n\n".join(blocks) or "The run holds no tests."


def _results_of(name: str, test: Mapping[str, Any], *, everything: bool) -> str:
    wanted = HEADLINES.get(test["kind"], ())
    shown = [
        one
        for one in test["quantities"]
        if everything or one["name"] in wanted or not (wanted or one["name"].startswith("point_"))
    ]
    rows = [("quantity", "value", "± U (95 %)", "unit")]
    for quantity in shown:
        if quantity["value"] is None:
            rows.append((_words(quantity["name"]), "-", "", ""))
        else:
            value, expanded = with_uncertainty(quantity["value"], quantity["expanded_uncertainty"])
            unit = "" if quantity["unit"] == "1" else quantity["unit"]
            rows.append((_words(quantity["name"]), value, expanded, unit))
    lines = columns(rows, right=(1, 2), indent=GAP)
    for quantity, at in zip(reversed(shown), range(len(lines) - 1, 0, -1), strict=True):
        if quantity["value"] is None:
            lines.insert(at + 1, wrapped(f"      not determined: {quantity['reason']}", hanging=6))
    return "\n".join([TITLES.get(test["kind"], f"{_words(name)} test"), *lines])


def titled(channels: Iterable[Channel]) -> Mapping[str, str]:
    """Each channel's name and unit, and of a derived one what it is made of."""
    return {
        one.name: one.name
        + (f", {one.unit}" if one.unit != "1" else "")
        + ("" if one.derivation is None else f" ({_made_of(one.derivation.rule)})")
        for one in channels
    }


def _made_of(rule: Rule) -> str:
    kind = rule.kind.replace("_", " ")
    return f"{kind} of {', '.join(dict.fromkeys(rule.inputs))}" if rule.inputs else kind


def limits(in_force: Iterable[Limit], titles: Mapping[str, str]) -> str:
    """The effective limits by channel: bound, how long it must last, hysteresis, reaction, where it was said.

    `titles` are those of `titled`. A place that does not fit the terminal stands on a line of its own; the
    hysteresis is left out where no limit has one.
    """
    every = list(in_force)
    any_ends_late = any(limit.hysteresis for limit in every)
    short = _short_names(origin["file"] for limit in every if (origin := _ORIGIN.fullmatch(limit.origin)))
    rows = [
        (
            f"{SIDES[limit.bound]} {limit.value:g}{' s' if limit.bound is Bound.STALE else ''}",
            f"{limit.delay_s:g} s",
            *((f"{limit.hysteresis:g}" if limit.hysteresis else "-",) if any_ends_late else ()),
            limit.reaction.name.lower().replace("_", " "),
            _shortened(limit.origin, short),
        )
        for limit in every
    ]
    width = width_of_terminal()
    told = columns([row[:-1] for row in rows], indent=GAP)
    lines = [
        line if len(line) <= width else f"{without}\n      {row[-1]}"
        for line, without, row in zip(columns(rows, indent=GAP), told, rows, strict=True)
    ]
    ends = "how far back a crossing ends, " if any_ends_late else ""
    heading = f"Limits in force: bound in the channel's unit, how long it must last, {ends}reaction, where it was said"
    said = [wrapped(heading, hanging=0)]
    channel = None
    for limit, line in zip(every, lines, strict=True):
        if limit.channel != channel:
            channel = limit.channel
            said.append(titles.get(channel, channel))
        said.append(line)
    cut = sorted(file for file, name in short.items() if name != file)
    if cut:
        said += ["These files are", *(f"{GAP}{file}" for file in cut)]
    return "\n".join(said)


def demands(run: PlannedRun) -> str:
    """What each test will ask of the bench, quantities and their units above the numbers."""
    rows = [
        ("What the tests ask for", *(quantity.title for quantity in Demanded)),
        ("", *(quantity.value for quantity in Demanded)),
        *((f"{GAP}{test.title}", *(f"{amount:.4g}" for _, amount in test.demand.amounts())) for test in run.tests),
    ]
    return "\n".join(columns(rows, right=range(1, 1 + len(Demanded))))


def drive_parameters(plan: BenchPlan, file: str) -> str:
    """What each drive must show before it is enabled, by the bench file, and which drives it says nothing of."""
    said = []
    stated = {ref: plan.expected_parameters[ref] for ref in plan.drives if ref in plan.expected_parameters}
    if stated:
        heading = f"Drive parameters in {file}: serve reads them back before enabling and refuses what differs"
        said.append(wrapped(heading, hanging=0))
    for ref, expected in stated.items():
        words = [f"{one.name} {value_of(one.value)}" for one in expected.values]
        words += [f"all that it tells: SHA-256 {expected.sha256}"] if expected.sha256 is not None else []
        said.append(wrapped(f"{GAP}{ref}: {', '.join(words)}", hanging=6))
    said += [
        wrapped(f"Note: {file} states no parameters of {ref}: they are read and recorded, not compared.", hanging=6)
        for ref in plan.drives
        if ref not in stated
    ]
    return "\n".join(said)


def drivers(found: Found) -> str:
    """Every driver that is installed with what it is, then those that cannot be used, with the reason."""
    names = [*sorted(found.drivers), *sorted(set(found.broken) - set(found.drivers))]
    if not names:
        return "No driver is installed."
    rows = [
        (
            name,
            f"contract {found.drivers[name].contract_version}" if name in found.drivers else "cannot be used",
            found.distributions.get(name, ""),
        )
        for name in names
    ]
    said = []
    for name, line in zip(names, columns(rows), strict=True):
        words = found.drivers[name].summary if name in found.drivers else found.broken[name]
        said += [line, wrapped(f"    {words}", hanging=4)]
    return "\n".join(said)


def with_uncertainty(value: float, expanded: float | None) -> tuple[str, str]:
    """Value and expanded uncertainty, the latter to two significant digits and the value to the same place."""
    if expanded is None or not math.isfinite(expanded) or expanded <= 0.0:
        return f"{value:.6g}", "unknown"
    place = max(0, 1 - math.floor(math.log10(expanded)))
    return f"{value:z.{place}f}", f"{expanded:.{place}f}"


def columns(rows: Sequence[Sequence[str]], *, right: Iterable[int] = (), indent: str = "") -> list[str]:
    """One line a row, every column as wide as its widest entry; those numbered in `right` stand at the right."""
    if not rows:
        return []
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    to_right = frozenset(right)
    return [
        indent
        + GAP.join(
            text.rjust(width) if number in to_right else text.ljust(width)
            for number, (text, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]


def wrapped(text: str, *, hanging: int) -> str:
    """The text broken between words for the terminal, further lines `hanging` to the right; no word is broken."""
    return "\n".join(
        textwrap.wrap(
            text,
            max(width_of_terminal(), 40),
            subsequent_indent=" " * hanging,
            break_long_words=False,
            break_on_hyphens=False,
        )
    )


def _words(name: str) -> str:
    """The name as the report prints it, so that both can be laid side by side."""
    from benchd.report.words import words  # noqa: PLC0415 - what draws is loaded where results are shown, never to serve

    return words(name)


def _short_names(files: Iterable[str]) -> dict[str, str]:
    """The last part of each path, with its folder where two files share it, or the whole path where that is no help."""
    paths = {file: PurePath(file) for file in files}
    short = {file: path.name for file, path in paths.items()}
    for longer in (lambda path: str(PurePath(*path.parts[-2:])), str):
        seen = Counter(short.values())
        short = {file: name if seen[name] == 1 else longer(paths[file]) for file, name in short.items()}
    return short


def _shortened(origin: str, short: Mapping[str, str]) -> str:
    found = _ORIGIN.fullmatch(origin)
    return origin if found is None else f"{short[found['file']]}:{found['rest']}"
