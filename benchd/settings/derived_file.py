"""What the tables [derived.NAME] of a bench file hold, one model a kind. It must never look at another table.

A value without a unit in its key is in the unit of the channel that it is about, like a limit's.
"""

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import ValidationError

from benchd.rules.derivations import (
    CURRENT_UNIT,
    POWER_UNIT,
    SPEED_UNIT,
    TEMPERATURE_UNIT,
    TORQUE_UNIT,
    VOLTAGE_UNIT,
)
from benchd.settings.document import Document
from benchd.settings.errors import Problem
from benchd.settings.explain import nearest, problems_in
from benchd.settings.pieces import Listed, NotNegative, Positive, Table, Text

ONE = "1"
SECONDS = "s"
KELVIN = "K"
# (of, by): the product's unit, and what turns the product of both numbers into it
PRODUCTS: Mapping[frozenset[str], tuple[str, float]] = {
    frozenset({TORQUE_UNIT, SPEED_UNIT}): (POWER_UNIT, 0.10471975511965977),  # π/30
    frozenset({VOLTAGE_UNIT, CURRENT_UNIT}): (POWER_UNIT, 1.0),
}


def unit_of_difference(unit: str) -> str:
    """Temperatures differ by kelvins, all else by its own unit."""
    return KELVIN if unit == TEMPERATURE_UNIT else unit


def unit_of_rate(unit: str) -> str:
    """The unit per second."""
    return f"{unit_of_difference(unit)}/s"


class _Derived(Table):
    """What every kind has: the unit it comes out in, how old it may get, and what a crossing tells people."""

    unit: Text
    age_limit_s: Positive | None = None  # left out: the longest of its inputs'
    look: Text | None = None  # continues "look at"
    doubts: Annotated[tuple[Text, ...] | None, Listed] = None  # devices, or "coupling"


class DifferenceTable(_Derived):
    """`of` minus `ratio` times `against`, at one instant; with an inertia also minus the torque that accelerates it."""

    kind: Literal["difference"]
    of: Text
    against: Text
    ratio: float = 1.0
    speed: Text | None = None
    inertia_kgm2: Positive | None = None
    window_s: Positive = 0.04


class ProductTable(_Derived):
    """Torque by speed, or voltage by current, at one instant."""

    kind: Literal["product"]
    of: Text
    by: Text


class RateTable(_Derived):
    """The slope of the least-squares line through the last window."""

    kind: Literal["rate"]
    of: Text
    window_s: Positive


class I2tTable(_Derived):
    """The thermal image of a conductor; what is left out follows from the motor file."""

    kind: Literal["i2t"]
    of: Text
    rated: Positive | None = None
    time_constant_s: Positive | None = None


class OverloadTable(_Derived):
    """The integral of (value/nominal)² − 1, never below 0."""

    kind: Literal["overload"]
    of: Text
    nominal: Positive


class EnergyTable(_Derived):
    """The integral of a power's negative (returned) or positive (delivered) part since the run's start."""

    kind: Literal["energy"]
    of: Text
    direction: Literal["returned", "delivered"] = "returned"


class RunTimeTable(_Derived):
    """Seconds since the run's start."""

    kind: Literal["run_time"]


class StuckTable(_Derived):
    """Seconds for which a channel has not changed although another one moves."""

    kind: Literal["stuck"]
    of: Text
    resolution: NotNegative = 0.0
    moving: Text
    moving_by: Positive


class ThermalModelTable(_Derived):
    """The winding's computed temperature minus the measured one; what is left out follows from the motor file."""

    kind: Literal["thermal_model"]
    current: Text
    winding: Text
    reference: Text
    resistance_ohm: Positive | None = None  # at 20 °C
    loss_factor: Positive | None = None
    resistance_k_per_w: Positive
    capacity_j_per_k: Positive
    housing_k_per_w: Positive | None = None
    housing_j_per_k: Positive | None = None


DerivedTable = (
    DifferenceTable
    | ProductTable
    | RateTable
    | I2tTable
    | OverloadTable
    | EnergyTable
    | RunTimeTable
    | StuckTable
    | ThermalModelTable
)
KINDS: Mapping[str, type[DerivedTable]] = {
    "difference": DifferenceTable,
    "product": ProductTable,
    "rate": RateTable,
    "i2t": I2tTable,
    "overload": OverloadTable,
    "energy": EnergyTable,
    "run_time": RunTimeTable,
    "stuck": StuckTable,
    "thermal_model": ThermalModelTable,
}
INPUT_KEYS = ("of", "against", "by", "moving", "speed", "current", "winding", "reference")


def derived_tables(document: Document, problems: list[Problem]) -> dict[str, DerivedTable]:
    """The tables that are sound, each judged by its kind's model; what is wrong with the others joins `problems`."""
    found = document.data.get("derived")
    tables: dict[str, DerivedTable] = {}
    for name, table in found.items() if isinstance(found, dict) else ():
        path = ("derived", name)
        if not isinstance(table, dict):
            continue  # the model of the whole file says so
        kind = table.get("kind")
        model = KINDS.get(kind) if isinstance(kind, str) else None
        if kind is None:
            problems.append(document.problem((*path, "kind"), f"is missing; add it, {nearest('', KINDS)}"))
        elif model is None:
            told = f'"{kind}"' if isinstance(kind, str) else "no text"
            says = f"is {told}, which is no kind of derived channel; {nearest(str(kind), KINDS)}"
            problems.append(document.problem((*path, "kind"), says))
        else:
            try:
                tables[name] = model.model_validate(table)
            except ValidationError as error:
                problems.extend(problems_in(error, model, document, within=path))
    return tables


def inputs_of(table: DerivedTable) -> dict[str, str]:
    """The channels that a table names, by key."""
    given: dict[str, Any] = {key: getattr(table, key, None) for key in INPUT_KEYS}
    return {key: name for key, name in given.items() if name is not None}
