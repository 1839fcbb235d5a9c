"""Reads `results.json` of every schema into one shape. It must never compute a result, only find it."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from benchd.report import soft

_POINT = re.compile(r"point_(\d+)_(.+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One number with its standard uncertainty (None: unknown)."""

    value: float
    standard_uncertainty: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PointFound:
    """One operating point: what was asked, and what was found there by name."""

    number: int
    direction: str
    asked: Mapping[str, Any]
    values: Mapping[str, Found]


@dataclass(frozen=True, slots=True, kw_only=True)
class TestFound:
    """One test's results; `units` has the unit of each name in the points' values, in the order of the columns."""

    __test__ = False  # pytest: this is no test case

    index: int
    kind: str
    title: str
    settings: Mapping[str, Any]
    evaluated: bool
    points: Sequence[PointFound]
    units: Mapping[str, str]
    quantities: Sequence[Mapping[str, Any]]  # without those of single points
    notes: Sequence[str]


def tests_of(
    results: Mapping[str, Any] | None, description: Mapping[str, Any], events: Sequence[Mapping[str, Any]]
) -> list[TestFound]:
    """Every test that was planned or evaluated, in the order of the programme."""
    planned = {soft.whole(test.get("index")): test for test in soft.tables(description.get("tests"))}
    evaluated = {
        soft.whole(test.get("index")): test
        for test in soft.table(soft.table(results).get("tests")).values()
        if isinstance(test, Mapping)
    }
    indices = sorted({index for index in (*planned, *evaluated) if index is not None})
    return [_test(index, planned.get(index, {}), evaluated.get(index), events) for index in indices]


def _test(
    index: int, planned: Mapping[str, Any], found: Mapping[str, Any] | None, events: Sequence[Mapping[str, Any]]
) -> TestFound:
    known = soft.table(found)
    quantities = [one for one in soft.tables(known.get("quantities")) if soft.text(one.get("name"))]
    points, units = _points_of_schema_2(known)
    if not points:
        points, units = _points_of_schema_1(quantities, _asked(events, index))
    return TestFound(
        index=index,
        kind=soft.text(known.get("kind")) or soft.text(planned.get("kind")),
        title=soft.text(planned.get("title")),
        settings=soft.table(planned.get("settings")),
        evaluated=found is not None,
        points=points,
        units=units,
        quantities=[one for one in quantities if not _POINT.fullmatch(str(one["name"]))],
        notes=soft.sentences(known.get("notes")),
    )


def _points_of_schema_2(found: Mapping[str, Any]) -> tuple[list[PointFound], dict[str, str]]:
    points = []
    for one in soft.tables(found.get("points")):
        values = {}
        for name, measured in soft.table(one.get("values")).items():
            value = soft.number(soft.table(measured).get("value"))
            if value is not None:
                uncertainty = soft.number(soft.table(measured).get("standard_uncertainty"))
                values[str(name)] = Found(value=value, standard_uncertainty=uncertainty)
        points.append(
            PointFound(
                number=soft.whole(one.get("number")) or 0,
                direction=soft.text(one.get("direction")),
                asked=soft.table(one.get("asked")),
                values=values,
            )
        )
    units = {str(name): soft.text(unit) for name, unit in soft.table(found.get("units")).items()}
    for point in points:
        for name in point.values:
            units.setdefault(name, "")
    return points, {name: unit for name, unit in units.items() if any(name in point.values for point in points)}


def _points_of_schema_1(
    quantities: Sequence[Mapping[str, Any]], asked: Mapping[int, Mapping[str, Any]]
) -> tuple[list[PointFound], dict[str, str]]:
    """Schema 1 names the numbers of a point `point_000_voltage`; what was asked stands in the events."""
    values: dict[int, dict[str, Found]] = {}
    units: dict[str, str] = {}
    for one in quantities:
        named = _POINT.fullmatch(str(one["name"]))
        value = soft.number(one.get("value"))
        if named is None or value is None:
            continue
        uncertainty = soft.number(one.get("standard_uncertainty"))
        values.setdefault(int(named[1]), {})[named[2]] = Found(value=value, standard_uncertainty=uncertainty)
        units.setdefault(named[2], soft.text(one.get("unit")))
    points = [
        PointFound(
            number=number,
            direction=soft.text(asked.get(number, {}).get("direction")),
            asked=soft.table(asked.get(number, {}).get("asked")),
            values=values[number],
        )
        for number in sorted(values)
    ]
    return points, units


def _asked(events: Sequence[Mapping[str, Any]], test: int) -> dict[int, Mapping[str, Any]]:
    return {
        number: event
        for event in events
        if event.get("event") == "point_started"
        and event.get("test") == test
        and (number := soft.whole(event.get("number"))) is not None
    }
