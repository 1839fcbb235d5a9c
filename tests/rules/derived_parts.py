"""Plays readings of several channels into one derived channel."""

import math

from benchd.rules.channels import Quality
from benchd.rules.derived import Derived, Input
from benchd.rules.derived_working import _AT_WORK
from benchd.rules.frames import NOTHING_YET, Sample

AGE_LIMIT_S = 0.5


class Played:
    """`give(name, value, at_s)` is a reading's arrival; it returns what the derived channel shows then."""

    def __init__(self, rule, *, age_limit_s: float = AGE_LIMIT_S) -> None:
        self.derived: Derived = _AT_WORK[type(rule)](rule, {name: Input(name, age_limit_s) for name in rule.inputs})
        self.samples = dict.fromkeys(rule.inputs, NOTHING_YET)

    def give(self, name: str, value: float, at_s: float, *, quality: Quality | None = None, now_s: float | None = None):
        if quality is None:
            quality = Quality.NOT_A_NUMBER if math.isnan(value) else Quality.GOOD
        self.samples[name] = Sample(value, quality, at_s)
        return self.derived.update(self.samples, at_s if now_s is None else now_s)
