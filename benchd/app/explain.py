"""The way from sample to result, for one quantity of one run, as text. It must never evaluate in its own way.

Everything shown is read from the folder: the result and its budget from `results.json`, samples, calibrations and zeros
from what was recorded, so that a reader can go over the numbers with a pocket calculator.
"""

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from benchd.analysis import Record
from benchd.analysis.points import PointTable, point_table
from benchd.app.evaluation import evaluate_in_subprocess, read_record
from benchd.app.tables import columns, with_uncertainty, wrapped
from benchd.records import ClockAnchor, RecordsError, read_description

MANY = 1000.0  # degrees of freedom beyond which the coverage factor is that of infinitely many
SHOWN_SHARE = 5e-4  # of the variance: what contributes less is summed up in one line


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """One quantity with the test that it belongs to."""

    test: str
    results: Mapping[str, Any]
    quantity: Mapping[str, Any]


def explain_run(folder: Path, name: str) -> str:
    """How the quantity `name` ("test.quantity", or the quantity alone where one test has it) came about.

    Raises `RecordsError` in one sentence for a folder that cannot be evaluated and for a name that is not there.
    """
    results = evaluate_in_subprocess(folder)
    found = _find(results, name)
    description = read_description(folder)
    record, _ = read_record(folder)
    quantity = found.quantity
    blocks = [_headline(found), _how(quantity)]
    if quantity["value"] is not None:
        blocks.append(_budget(quantity))
    blocks.append(_points(found.results))
    channels = _channels(quantity, record)
    if channels:
        table = point_table(record, [int(found.results["index"])], channels)
        clock = description["clock"]
        anchor = ClockAnchor(mono_s=float(clock["mono_s"]), utc_ns=int(clock["utc_ns"]))
        described = {str(one["name"]): one for one in description["channels"]}
        for channel in channels:
            lines = [*_conversion(record, channel, described[channel]), *_turned_zero(results, found, channel)]
            blocks.append(_channel(record, table, channel, lines, anchor))
    return "\n\n".join(block for block in blocks if block)


def _find(results: Mapping[str, Any], name: str) -> _Found:
    every = {
        f"{test}.{quantity['name']}": _Found(test=test, results=content, quantity=quantity)
        for test, content in results["tests"].items()
        for quantity in content["quantities"]
    }
    if name in every:
        return every[name]
    alike = [full for full in every if full.rpartition(".")[2] == name]
    if len(alike) == 1:
        return every[alike[0]]
    if alike:
        raise RecordsError(f"{name} is a quantity of several tests: choose one of {', '.join(sorted(alike))}.")
    near = [full for full in every if name in full] or difflib.get_close_matches(name, every, n=3, cutoff=0.5)
    whole = [full for full in every if ".point_" not in full]
    advice = f"did you mean {' or '.join(near[:6])}?" if near else f"it has {', '.join(sorted(whole)) or 'none'}."
    raise RecordsError(f"This run has no quantity {name}: {advice}")


def _headline(found: _Found) -> str:
    quantity = found.quantity
    lines = [f"{found.test}.{quantity['name']}"]
    if quantity["value"] is None:
        return "\n".join([*lines, wrapped(f"  not determined: {quantity['reason']}", hanging=2)])
    value, expanded = with_uncertainty(quantity["value"], quantity["expanded_uncertainty"])
    unit = "" if quantity["unit"] == "1" else f" {quantity['unit']}"
    degrees = quantity["degrees_of_freedom"]
    freedom = "many" if degrees is None or degrees > MANY else f"{degrees:.3g}"
    lines.append(
        f"  ({value} ± {expanded}){unit}, k = {quantity['coverage_factor']:.3g} for 95 % with {freedom} effective "
        "degrees of freedom"
    )
    lines.append(f"  standard uncertainty {quantity['standard_uncertainty']:.3g}{unit}")
    low, high = quantity.get("interval_low"), quantity.get("interval_high")
    if low is not None and high is not None:
        lines.append(f"  95 % interval by Monte Carlo: {low:.6g} to {high:.6g}{unit}")
    return "\n".join(lines)


def _how(quantity: Mapping[str, Any]) -> str:
    how = quantity.get("how")
    return "" if not how else "How it comes about\n" + wrapped(f"  {how}", hanging=2)


def _budget(quantity: Mapping[str, Any]) -> str:
    """Contributions by size, with their share of the variance."""
    budget: Mapping[str, float | None] = quantity["budget"]
    sizes = sorted(((size or 0.0, name) for name, size in budget.items()), reverse=True)
    total = sum(size**2 for size, _ in sizes)
    if total <= 0.0:
        return ""
    rows = [("Contribution", f"u, {quantity['unit']}", "share of u²")]
    small = [size**2 for size, _ in sizes if size**2 < SHOWN_SHARE * total]
    rows += [(name, f"{size:.3g}", f"{size**2 / total:.1%}") for size, name in sizes if size**2 >= SHOWN_SHARE * total]
    if small:
        rows.append((f"{len(small)} smaller ones together", f"{sum(small) ** 0.5:.3g}", f"{sum(small) / total:.1%}"))
    rows.append(("all (root of the sum of squares)", f"{total**0.5:.3g}", "100.0%"))
    return "\n".join(columns(rows, right=(1, 2), indent="  "))


def _points(results: Mapping[str, Any]) -> str:
    """The test's operating points with what was found there."""
    points: Sequence[Mapping[str, Any]] = results.get("points") or ()
    if not points:
        return ""
    units: Mapping[str, str] = results["units"]
    rows = [
        ("Point", "way", "asked", *units),
        ("", "", "", *("" if unit == "1" else unit for unit in units.values())),
    ]
    for point in points:
        asked = ", ".join(f"{name} {amount:g}" for name, amount in point["asked"].items())
        cells = []
        for name in units:
            one = point["values"].get(name)
            measured = one is not None and one["value"] is not None
            cells.append(with_uncertainty(one["value"], one["standard_uncertainty"])[0] if measured else "-")
        rows.append((str(point["number"]), point["direction"], asked, *cells))
    return "\n".join(columns(rows, right=range(3, 3 + len(units)), indent="  "))


def _channels(quantity: Mapping[str, Any], record: Record) -> list[str]:
    """The recorded channels that the budget names, in the order of the record."""
    named = {name.partition(",")[0].strip() for name in quantity.get("budget", {})}
    return [channel for channel in record.values if channel in named]


def _channel(record: Record, table: PointTable, channel: str, conversion: Sequence[str], clock: ClockAnchor) -> str:
    unit = record.units[channel]
    lines = [f"From sample to mean: {channel}, {unit}", *conversion]
    rows = [("point", "first tick, UTC", "last tick, UTC", "rows", f"mean, {unit}", "u of the mean")]
    for i, asked in enumerate(table.asked):
        at = np.flatnonzero((record.test == table.tests[i]) & (record.point == asked.point))
        if at.size == 0:
            continue
        first, last = (f"{clock.utc(float(record.time_mono_s[row])):%H:%M:%S.%f}"[:-3] for row in (at[0], at[-1]))
        complaint = table.complaints[i].get(channel)
        mean = complaint or f"{table.mean[channel][i]:.9g}"
        scatter = "" if complaint else f"{table.scatter[channel][i]:.2g}"
        rows.append((str(asked.point), first, last, str(at.size), mean, scatter))
    return "\n".join([*lines, *columns(rows, right=(0, 3, 4, 5), indent="  ")])


def _conversion(record: Record, channel: str, described: Mapping[str, Any]) -> list[str]:
    """The signal's source, what the calibration made of it and which zero was taken off."""
    source = f"{described['device']}.{described['port']}.{described['signal']}"
    sign = "" if float(described.get("sign", 1.0)) > 0.0 else "−"
    calibration = record.calibrations.get(channel)
    lines = [f"  signal {source}"]
    if calibration is None:
        lines.append(f"  value = {sign}signal; there is no calibration")
    else:
        line = f"{calibration.gain:.9g} {calibration.output_unit}/{calibration.input_unit} · signal"
        offset = f" + {calibration.offset:.9g}" if calibration.offset else ""
        lines.append(f"  value = {sign}({line}{offset})")
        if calibration.negative is not None:
            negative = calibration.negative
            lines.append(f"  and where that is negative {sign}({negative.gain:.9g} · signal + {negative.offset:.9g})")
        lines.append(
            f"  {calibration.sensor}, {calibration.serial}, certificate {calibration.certificate} of "
            f"{calibration.calibrated_on}, due {calibration.due_on}"
        )
    zero = record.zeros.get(channel)
    if zero is not None:
        lines.append(f"  less the zero {zero.value:.9g} measured before the run (u {zero.standard_uncertainty:.2g})")
    return lines


def _turned_zero(results: Mapping[str, Any], found: _Found, channel: str) -> list[str]:
    """What a torque zero before this test found on this range: the evaluation takes it off the means below."""
    if not channel.startswith("shaft_torque"):
        return []
    earlier = [
        test
        for test in results["tests"].values()
        if test["kind"] == "torque_zero" and test["index"] < found.results["index"]
    ]
    name = "torque_zero" + channel.removeprefix("shaft_torque")
    zeros = [one for test in earlier[-1:] for one in test["quantities"] if one["name"] == name]
    return [
        f"  the evaluation takes {one['value']:.9g} more off the means below, found by the torque zero of test "
        f"{earlier[-1]['index']}"
        for one in zeros
        if one["value"] is not None
    ]
