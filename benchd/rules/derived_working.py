"""Puts the derived channels of a bench to work: one object a channel, in the order in which they follow. Pure."""

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from benchd.rules.channels import Channel
from benchd.rules.derivations import (
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
from benchd.rules.derived import Derived, Input
from benchd.rules.derived_memory import EnergyAtWork, I2tAtWork, OverloadAtWork, RunTimeAtWork
from benchd.rules.derived_pairs import DifferenceAtWork, ProductAtWork
from benchd.rules.derived_thermal import ThermalModelAtWork
from benchd.rules.derived_trends import RateAtWork, StuckAtWork

_AT_WORK: Mapping[type[Any], Callable[[Any, Mapping[str, Input]], Derived]] = {
    Difference: DifferenceAtWork,
    Product: ProductAtWork,
    Rate: RateAtWork,
    I2t: I2tAtWork,
    Overload: OverloadAtWork,
    Energy: EnergyAtWork,
    RunTime: RunTimeAtWork,
    Stuck: StuckAtWork,
    ThermalModel: ThermalModelAtWork,
}


def at_work(rule: Rule, channels: Iterable[Channel]) -> Derived:
    """A rule at work, with a fresh memory. Raises `KeyError` for an input that is not among the channels."""
    limits_s = {channel.name: channel.age_limit_s for channel in channels}
    return _AT_WORK[type(rule)](rule, {name: Input(name, limits_s[name]) for name in rule.inputs})


def in_order(channels: Iterable[Channel]) -> tuple[Channel, ...]:
    """The derived ones among the channels, each after those it is made of. Raises `ValueError` for a circle."""
    derived = {one.name: one for one in channels if one.derivation is not None}
    inputs = {name: one.derivation.rule.inputs for name, one in derived.items() if one.derivation is not None}
    return tuple(derived[name] for name in order(inputs))
