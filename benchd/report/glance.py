"""The results that an engineer asks for first, for the first page. It must never repeat what the decision shows."""

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from benchd.report import soft
from benchd.report.blocks import Block, Column, heading, picture, rows
from benchd.report.curves import curves
from benchd.report.findings import TestFound
from benchd.report.numbers import stated
from benchd.report.words import name_of_test, title_words

Chosen = tuple[TestFound, Mapping[str, Any]]
MOST = 14
TITLES = {"efficiency": "Motor efficiency", "losses": "Motor losses"}  # beside those of the converter
FIRST: Sequence[Sequence[tuple[str, str]]] = (  # in this order; of alternatives the first that was determined
    (("rated_point", "efficiency"), ("load", "efficiency_at_rated_torque")),
    (("rated_point", "converter_efficiency"), ("load", "converter_efficiency_at_rated_torque")),
    (("rated_point", "system_efficiency"), ("load", "system_efficiency_at_rated_torque")),
    (
        ("rated_point", "shaft_power"),
        ("rated_point", "output_power"),
        ("load", "shaft_power_at_rated_torque"),
        ("load", "output_power_at_rated_torque"),
    ),
    (("rated_point", "torque"),),
    (("rated_point", "speed"), ("load", "speed_at_rated_torque")),
    (("rated_point", "motor_current"), ("rated_point", "current"), ("load", "current_at_rated_torque")),
    (("rated_point", "losses"), ("load", "losses_at_rated_torque")),
    (("rated_point", "winding_temperature_rise"),),
    (("duty_cycle", "cycle_efficiency"),),
    (("duty_cycle", "electrical_energy_in"),),
    (("duty_cycle", "mechanical_energy_out"),),
    (("duty_cycle", "rms_torque"),),
    (("load", "maximum_efficiency"),),
    (("back_emf", "voltage_constant"), ("load", "voltage_constant"), ("no_load", "voltage_constant")),
    (("back_emf", "torque_constant"), ("load", "torque_constant")),
    (
        ("winding_resistance", "resistance_between_terminals_20"),
        ("winding_resistance", "terminal_resistance_20"),
        ("load", "winding_resistance_20"),
        ("load", "winding_resistance"),
    ),
    (("no_load", "no_load_speed"),),
    (("no_load", "no_load_current"),),
    (("no_load", "no_load_losses"),),
    (("load", "maximum_output_power"),),
    (("load", "stall_torque"),),
)


def is_decided(test: TestFound, one: Mapping[str, Any], decided: Collection[str]) -> bool:
    """Whether a decision rests on the quantity; `decided` names them with or without the kind of their test."""
    return bool({str(one["name"]), f"{test.kind}.{one['name']}"} & set(decided))


def at_a_glance(tests: Sequence[TestFound], decided: Collection[str]) -> list[Chosen]:
    """The results in the order in which they are asked for, without those that the requirements show already."""
    determined = {
        (test.kind, str(one["name"])): (test, one)
        for test in reversed(tests)  # of a kind that was played twice the first one counts
        for one in test.quantities
        if soft.number(one.get("value")) is not None
    }
    found = [next((determined[name] for name in alternatives if name in determined), None) for alternatives in FIRST]
    chosen = [one for one in found if one is not None and not is_decided(*one, decided)]
    return (chosen or _of_other_kinds(tests, decided))[:MOST]


def glance_picture(tests: Sequence[TestFound]) -> list[Block]:
    """What the load test is about, for a first page that has room for it; its own section has the whole picture."""
    test = next((test for test in tests if test.kind == "load"), None)
    drawn = None if test is None else curves(test, first=2)
    if test is None or drawn is None:
        return []
    return [heading(f"{name_of_test(test.kind, test.title)} at a glance"), picture(drawn[0])]


def _title(name: str) -> str:
    return TITLES.get(name) or title_words(name)


def _of_other_kinds(tests: Sequence[TestFound], decided: Collection[str]) -> list[Chosen]:
    """The first results of each test, where none of the known ones was determined."""
    return [
        (test, one)
        for test in tests
        for one in [it for it in test.quantities if soft.number(it.get("value")) is not None][:3]
        if not is_decided(test, one, decided)
    ]


def glance(chosen: Sequence[Chosen]) -> list[Block]:
    """The table; the tests' sections have all results."""
    cells = [
        [_title(str(one["name"])), name_of_test(test.kind, test.title), shown.value, shown.uncertainty, shown.unit]
        for test, one in chosen
        if (value := soft.number(one.get("value"))) is not None
        and (shown := stated(value, soft.number(one.get("expanded_uncertainty")), soft.text(one.get("unit"))))
    ]
    if not cells:
        return []
    columns = [
        Column(title="quantity", wide=1.0),
        Column(title="test", wide=0.7),
        Column(title="value", right=True),
        Column(title="± U (95 %)", right=True),
        Column(title="unit", wide=0.5),
    ]
    return [heading("Results at a glance"), rows(columns, cells)]
