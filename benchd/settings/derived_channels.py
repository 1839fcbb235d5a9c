"""Makes channels of the tables [derived.NAME], and completes what they leave to the motor file.

It must never judge a table; `derived_checks` does.
"""

from collections.abc import Mapping
from dataclasses import fields, replace
from typing import Any

from benchd.rules.channels import Channel
from benchd.rules.derivations import (
    COUPLING,
    DERIVED,
    SPEED_UNIT,
    TORQUE_UNIT,
    Derivation,
    Difference,
    Energy,
    I2t,
    Overload,
    Product,
    Rate,
    Rule,
    RunTime,
    Stuck,
    ThermalModel,
    order,
)
from benchd.settings.bench import Bench, Motor
from benchd.settings.derived_file import (
    PRODUCTS,
    DerivedTable,
    ProductTable,
    inputs_of,
)
from benchd.settings.document import Document
from benchd.settings.errors import Problem, refuse
from benchd.settings.specimen_files import BrushlessMotorFile

RULES: Mapping[str, type[Any]] = {
    "difference": Difference,
    "product": Product,
    "rate": Rate,
    "i2t": I2t,
    "overload": Overload,
    "energy": Energy,
    "run_time": RunTime,
    "stuck": Stuck,
    "thermal_model": ThermalModel,
}
# Where a person looks first, continuing "look at", by kind and, where that matters, unit.
LOOK: Mapping[tuple[str, str], str] = {
    ("difference", SPEED_UNIT): "the coupling, then at {both}",
    ("difference", TORQUE_UNIT): "the coupling, then at the transducer's sign and zero and at {both}",
    ("difference", ""): "{both}, and at what lies between them",
    ("product", ""): "what was asked for, and at {both}",
    ("rate", ""): "what makes {of} change so fast, and for a loose lead to {first}",
    ("i2t", ""): "what loads it so long, and let it cool: {of} has heated it as far as is allowed",
    ("overload", ""): "what overloads {of}, and at its sensor's zero afterwards",
    ("energy", ""): "where the energy goes: link, sink and how hard it is braked",
    ("run_time", ""): "what keeps the run from ending",
    ("stuck", ""): "{first} and its sensor: the value is frozen",
    (
        "thermal_model",
        "",
    ): "the thermometer of {winding} and whether it still sits where it should, then at the cooling",
}
RUN_TIME_AGE_S = 1.0
PHASES_LOSS = 1.5  # three phases of half the resistance between two terminals


def derived_of(tables: Mapping[str, DerivedTable], measured: Mapping[str, Channel]) -> dict[str, Channel]:
    """The derived channels by name, each after those that it is made of. The tables must have passed their checks."""
    channels: dict[str, Channel] = dict(measured)
    for name in order({name: tuple(inputs_of(table).values()) for name, table in tables.items()}):
        table = tables[name]
        rule = rule_of(table, {one: channel.unit for one, channel in channels.items()})
        inputs = [channels[one] for one in rule.inputs]
        devices: dict[str, None] = {}
        for channel in inputs:
            told = (channel.device,) if channel.derivation is None else channel.derivation.devices
            devices |= dict.fromkeys(told)
        longest_s = max((channel.age_limit_s for channel in inputs), default=RUN_TIME_AGE_S)
        channels[name] = Channel(
            name=name,
            unit=table.unit,
            device=DERIVED,
            port=rule.kind,
            signal=name,
            age_limit_s=longest_s if table.age_limit_s is None else table.age_limit_s,
            derivation=Derivation(
                rule=rule,
                look=table.look or _look(rule, table.unit, inputs),
                doubts=_doubts(rule, table.unit, inputs) if table.doubts is None else table.doubts,
                devices=tuple(devices),
            ),
        )
    return {name: channels[name] for name in channels if name not in measured}


def rule_of(table: DerivedTable, units: Mapping[str, str]) -> Rule:
    """The rule that a table states; `units` are those of its inputs."""
    kind: Any = RULES[table.kind]
    given = {one.name: getattr(table, one.name, None) for one in fields(kind) if one.name != "kind"}
    if isinstance(table, ProductTable):
        given["factor"] = PRODUCTS[frozenset({units[table.of], units[table.by]})][1]
    rule: Rule = kind(**{key: value for key, value in given.items() if value is not None})
    return rule


def _doubts(rule: Rule, unit: str, inputs: list[Channel]) -> tuple[str, ...]:
    """What a crossing makes doubtful where the table does not say: the coupling, or what gives a frozen value."""
    if isinstance(rule, Difference) and unit in {SPEED_UNIT, TORQUE_UNIT}:
        return (COUPLING,)
    if isinstance(rule, Stuck) and inputs[0].derivation is None:
        return (inputs[0].device,)
    return ()


def _look(rule: Rule, unit: str, inputs: list[Channel]) -> str:
    """Where a person looks first, continuing "look at"."""
    first, last = (_whence(inputs[0]), _whence(inputs[1 % len(inputs)])) if inputs else ("", "")
    where = LOOK.get((rule.kind, unit)) or LOOK[rule.kind, ""]
    named = {"of": getattr(rule, "of", ""), "winding": getattr(rule, "winding", "")}
    return where.format(first=first, both=first if first == last else f"{first} and {last}", **named)


def _whence(channel: Channel) -> str:
    return channel.name if channel.derivation is not None else channel.device


# --- what follows from the motor


def rules_for(bench: Bench, motor: Motor) -> dict[str, Rule]:
    """Every derived channel's rule, with the motor file's values where the bench file leaves them out.

    Raises `SettingsError` where neither states what is needed.
    """
    problems: list[Problem] = []
    rules: dict[str, Rule] = {}
    for name, channel in bench.channel_by_name.items():
        if channel.derivation is None:
            continue
        rule = channel.derivation.rule
        if isinstance(rule, I2t):
            rule = _image(bench.document, name, rule, motor, problems)
        elif isinstance(rule, ThermalModel):
            rule = _model(rule, motor)
        rules[name] = rule
    if problems:
        refuse(bench.document.file, problems)
    return rules


def rated_current(motor: Motor, channel: str) -> tuple[float, tuple[str, str]] | None:
    """The rated value of a channel of current and its key in the motor file, None where the file states none."""
    rated = motor.settings.rated
    if isinstance(motor.settings, BrushlessMotorFile):
        keys = {"motor_current": "phase_current_a", "dc_current": "dc_current_a"}
    else:
        keys = {"dc_current": "current_a"}
    key = keys.get(channel)
    return None if key is None else (float(getattr(rated, key)), ("rated", key))


def _image(document: Document, name: str, rule: I2t, motor: Motor, problems: list[Problem]) -> I2t:
    path = ("derived", name)
    rated, tau_s = rule.rated, rule.time_constant_s
    if rated is None:
        known = rated_current(motor, rule.of)
        if known is None:
            says = (
                f"is missing, and {motor.document.origin(('rated',))} states none for {rule.of}; write the value that "
                "may last for ever"
            )
            problems.append(document.problem((*path, "rated"), says))
        else:
            rated = known[0]
    if tau_s is None:
        tau_s = motor.settings.thermal_time_constant_s
        if tau_s is None:
            says = (
                f"is missing, and {motor.document.origin(())} states no thermal_time_constant_s either; write the "
                "winding's into one of them"
            )
            problems.append(document.problem((*path, "time_constant_s"), says))
    return replace(rule, rated=rated, time_constant_s=tau_s)


def _model(rule: ThermalModel, motor: Motor) -> ThermalModel:
    factor = PHASES_LOSS if isinstance(motor.settings, BrushlessMotorFile) else 1.0
    return replace(
        rule,
        resistance_ohm=rule.resistance_ohm or motor.settings.data_sheet.resistance_ohm,
        loss_factor=rule.loss_factor or factor,
    )
