"""Checks the tables [derived.NAME] of a bench file: names, inputs, circles, units, windows, doubts.

It finds problems and words them; it must never read a file or change a value.
"""

import re
from collections.abc import Iterator, Mapping

from benchd.rules.derivations import (
    COUPLING,
    CURRENT_UNIT,
    DERIVED,
    ENERGY_UNIT,
    POWER_UNIT,
    SPEED_UNIT,
    TEMPERATURE_UNIT,
    TORQUE_UNIT,
    order,
)
from benchd.settings.bench import Device
from benchd.settings.bench_file import BenchFile
from benchd.settings.derived_file import (
    KELVIN,
    ONE,
    PRODUCTS,
    SECONDS,
    DerivedTable,
    DifferenceTable,
    ProductTable,
    RateTable,
    ThermalModelTable,
    inputs_of,
    unit_of_difference,
    unit_of_rate,
)
from benchd.settings.document import Document
from benchd.settings.errors import Problem
from benchd.settings.explain import nearest
from benchd.settings.fit_warnings import READ_AS_MEASURED
from benchd.settings.toml_lines import KeyPath

LEAST_SAMPLES = 4  # in a window
# The unit that each key must have and what wants it, where that does not depend on the other inputs.
_WANTED: Mapping[str, dict[str, tuple[str, str]]] = {
    "i2t": {"unit": (ONE, "a thermal image")},
    "overload": {"unit": (SECONDS, "an overload")},
    "energy": {"of": (POWER_UNIT, "an energy"), "unit": (ENERGY_UNIT, "an energy")},
    "run_time": {"unit": (SECONDS, "a time")},
    "stuck": {"unit": (SECONDS, "a time")},
    "thermal_model": {
        "current": (CURRENT_UNIT, "a copper loss"),
        "winding": (TEMPERATURE_UNIT, "a winding's temperature"),
        "reference": (TEMPERATURE_UNIT, "what the winding's heat flows to"),
        "unit": (KELVIN, "a difference of temperatures"),
    },
}
_NAME = re.compile(r"[a-z][a-z0-9]*(?:_[a-z0-9]+)*")


def derived_problems(
    document: Document, file: BenchFile, tables: Mapping[str, DerivedTable], devices: Mapping[str, Device]
) -> Iterator[Problem]:
    """Everything that is wrong with derived channels before a motor is known."""
    units = {name: channel.unit for name, channel in file.channels.items()} | {
        name: table.unit for name, table in tables.items()
    }
    if DERIVED in devices and tables:
        says = f"must not be called {DERIVED}: that is what channels say that no device gives; rename it"
        yield document.problem(("devices", DERIVED), says)
    for name, table in tables.items():
        path: KeyPath = ("derived", name)
        yield from _name_problems(document, path, name, file)
        unknown = False
        for key, one in inputs_of(table).items():
            if one not in units:
                unknown = True
                says = f'names the channel "{one}", which the bench does not have; {nearest(one, units)}'
                yield document.problem((*path, key), says)
        if not unknown:
            yield from _unit_problems(document, path, table, units)
            yield from _window_problems(document, path, table, file, devices)
        for doubt in table.doubts or ():
            if doubt != COUPLING and doubt not in devices:
                says = f'names "{doubt}", which is no device of the bench; {nearest(doubt, (COUPLING, *devices))}'
                yield document.problem((*path, "doubts"), says)
    yield from _circle_problems(document, tables)


def _name_problems(document: Document, path: KeyPath, name: str, file: BenchFile) -> Iterator[Problem]:
    if not _NAME.fullmatch(name):
        says = "must have a name of lower-case letters, digits and single underscores that begins with a letter"
        yield document.problem(path, f"{says}; rename it")
    if name in file.channels:
        yield document.problem(path, f"is the name of a measured channel, too ([channels.{name}]); rename one")
    elif name in READ_AS_MEASURED:
        says = "is a name that tests and evaluation read as a measured channel with a calibration; take another name"
        yield document.problem(path, says)


def _circle_problems(document: Document, tables: Mapping[str, DerivedTable]) -> Iterator[Problem]:
    try:
        order({name: tuple(inputs_of(table).values()) for name, table in tables.items()})
    except ValueError as error:
        circle = str(error).split(" -> ")
        key = next(key for key, one in inputs_of(tables[circle[0]]).items() if one == circle[1])
        says = f"makes a circle: {error}; a derived channel must in the end be made of measured ones"
        yield document.problem(("derived", circle[0], key), says)


def _unit_problems(
    document: Document, path: KeyPath, table: DerivedTable, units: Mapping[str, str]
) -> Iterator[Problem]:
    wanted = _wanted_units(table, units)
    for key, (unit, because) in wanted.items():
        found = table.unit if key == "unit" else units[inputs_of(table)[key]]
        if found != unit:
            if key == "unit":
                says = f'is "{found}", but {because} comes out in "{unit}"; write that unit'
            else:
                says = f'names a channel in "{found}", but {because} needs one in "{unit}"; take another channel'
            yield document.problem((*path, key), says)
            return
    if isinstance(table, ProductTable) and frozenset({units[table.of], units[table.by]}) not in PRODUCTS:
        says = (
            f'names a channel in "{units[table.by]}" to multiply one in "{units[table.of]}" by; a product is torque '
            "(N·m) by speed (r/min) or voltage (V) by current (A)"
        )
        yield document.problem((*path, "by"), says)
    if isinstance(table, DifferenceTable):
        yield from _difference_problems(document, path, table)
    if isinstance(table, ThermalModelTable) and (table.housing_k_per_w is None) is not (table.housing_j_per_k is None):
        key = "housing_k_per_w" if table.housing_k_per_w is not None else "housing_j_per_k"
        says = "needs the other one beside it: a second node has housing_k_per_w and housing_j_per_k; write both"
        yield document.problem((*path, key), says)


def _difference_problems(document: Document, path: KeyPath, table: DifferenceTable) -> Iterator[Problem]:
    if table.of == table.against:
        yield document.problem((*path, "against"), "is the same channel as of; name the one to compare it with")
    if (table.inertia_kgm2 is None) is not (table.speed is None):
        key = "inertia_kgm2" if table.inertia_kgm2 is not None else "speed"
        says = "needs the other one beside it: inertia_kgm2 times the slope of speed is taken off; write both or none"
        yield document.problem((*path, key), says)


def _wanted_units(table: DerivedTable, units: Mapping[str, str]) -> dict[str, tuple[str, str]]:
    """The unit that each key must have, and what wants it."""
    match table:
        case DifferenceTable():
            of = units[table.of]
            wanted = {
                "against": (of, f'a difference to {table.of} ("{of}")'),
                "unit": (unit_of_difference(of), f'a difference of channels in "{of}"'),
            }
            if table.speed is not None:
                wanted["of"] = (TORQUE_UNIT, "a difference with an inertia")
                wanted["speed"] = (SPEED_UNIT, "an acceleration")
            return wanted
        case ProductTable():
            product = PRODUCTS.get(frozenset({units[table.of], units[table.by]}))
            return {} if product is None else {"unit": (product[0], f"{units[table.of]} times {units[table.by]}")}
        case RateTable():
            return {"unit": (unit_of_rate(units[table.of]), f'the rate of a channel in "{units[table.of]}"')}
    return _WANTED[table.kind]


def _window_problems(
    document: Document, path: KeyPath, table: DerivedTable, file: BenchFile, devices: Mapping[str, Device]
) -> Iterator[Problem]:
    """A window too short for the readings that it shall hold is never known."""
    if not isinstance(table, RateTable):
        return
    name, least = table.of, LEAST_SAMPLES
    channel = file.channels.get(name)
    device = None if channel is None else devices.get(channel.source.partition(".")[0])
    if device is not None and table.window_s * device.poll_hz < least:
        says = (
            f"is {table.window_s:g} s, but {device.name} is read every {1.0 / device.poll_hz:g} s only; "
            f"write at least {least / device.poll_hz:g} s"
        )
        yield document.problem((*path, "window_s"), says)
