"""A failed balance in one sentence: what does not agree, the likely suspect, and what to look at. It judges nothing."""

import math
from collections.abc import Mapping, Sequence

from benchd.rules.balance_checks import Check, Facts, Means

OPEN = 0.1  # of what a channel should read, below which its lead is called open
LOOK: Mapping[str, str] = {
    "dc_voltage": "the sense lead of dc_voltage and its divider",
    "link_voltage": "the sense lead of link_voltage and its divider",
    "supply_voltage": "the supply's own voltage reading and its sense leads",
    "dc_current": "the current sensor's ratio, turns and direction",
    "supply_current": "the supply's own current reading",
    "shaft_torque": "the transducer's sensitivity, range and leads",
    "drive_torque": "the rated torque that the load drive counts with and its torque_sign",
    "motor_drive_torque": "the motor data in the motor drive",
    "shaft_speed": "the encoder's number of lines and its leads",
    "drive_speed": "the coupling, then the load drive's encoder",
    "motor_drive_speed": "the pole pairs and the encoder's lines in the motor drive",
    "motor_frequency": "pole_pairs in the motor file, then the analyser's frequency source",
    "motor_power": "the analyser's ratios, and that voltage and current leads belong to the same phases",
    "motor_current": "the ratio of the analyser's current sensors",
    "motor_voltage": "the analyser's voltage leads and ratio",
}
REVERSED: Mapping[str, str] = {
    "dc_voltage": "exchange the two wires of its sense lead",
    "dc_current": "turn the current sensor round, or write sign = -1 in its channel",
    "shaft_torque": "swap the transducer's signal leads, or write sign = -1 in its channel",
    "shaft_speed": "swap the encoder's A and B",
    "drive_torque": "look at torque_sign of the load drive in the bench file",
    "motor_power": "turn the analyser's current sensors round",
}


def sentence_of(
    failed: Sequence[Check], suspects: Sequence[tuple[tuple[str, ...], float]], means: Means, facts: Facts
) -> str:
    """The worst of the failed checks, then the suspects with what to look at."""
    worst = max(failed, key=_excess)
    told = f"The power balance does not hold: {_contradiction(worst, means)}"
    ways = [_suspect(channels, ratio, facts) for channels, ratio in suspects]
    return f"{told}; the likely suspect is {', or '.join(ways)}."


def _excess(check: Check) -> float:
    """How far beyond its interval, in doubts, or in its own size where no doubt is stated."""
    beyond = max(check.low - check.value, check.value - check.high)
    return beyond / (check.doubt or abs(check.value) or 1.0)


def _contradiction(check: Check, means: Means) -> str:
    read = ", ".join(f"{name} {means[name]:.4g}" for name in sorted(check.channels))
    if check.low == check.high:
        return f"{check.name} differs by {check.value:.4g} {check.unit} ({read})"
    between = f"{check.low - check.doubt:.3g} to {check.high + check.doubt:.3g} {check.unit}"
    kind = "is lost" if " from " in check.name else "is found"
    return f"{check.name}, {check.value:.4g} {check.unit} {kind} where {between} is plausible ({read})"


def _suspect(channels: tuple[str, ...], ratio: float, facts: Facts) -> str:
    if len(channels) > 1:
        return (
            "the specimen itself, whose current makes no such torque: look for two exchanged "
            "phase leads, then at the commutation offset"
        )
    name = channels[0]
    if math.isnan(ratio):
        return f"{name}: look at {LOOK.get(name, name)}"
    if abs(ratio) < OPEN:
        return f"{name}, whose lead is open: look at {LOOK.get(name, name)}"
    if ratio == -1.0:
        return f"{name}, which is reversed: {REVERSED.get(name, f'look at {LOOK[name]}')}"
    pole_pairs = f" (it fits another number of pole pairs than {facts.pole_pairs})" if name == "motor_frequency" else ""
    return (
        f"{name}, which reads about {ratio:.3g} times what the others leave for it{pole_pairs}: "
        f"look at {LOOK.get(name, name)}"
    )
