"""Whether the powers along a loaded bench agree: DC, converter, motor, shaft, load drive. Pure; it takes nothing away.

Every comparison of two places is a `Check`: an interval that must hold within the doubts of its channels, all losses
positive and plausible. Where one fails, the suspect is the channel without which all others hold; what its value would
have to be tells how it is wrong (sign, ratio, scale). Checks and intervals are made in `balance_checks`.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchd.rules.balance_checks import Check, Facts, Means, checks
from benchd.rules.balance_words import OPEN, sentence_of
from benchd.rules.limits import Reaction

COMMON = (-1.0, 2.0, 0.5, 0.8, 1.25, -2.0, -0.5)  # signs, ratios and turns, pole pairs of 4 and 5
SCALES = tuple(math.exp(0.02 * step) for step in range(-60, 61))  # 0.3 to 3.3 by 2 %
ELECTRICAL = ("motor_drive_torque", "motor_current")
TORQUES = ("shaft_torque", "drive_torque", "motor_drive_torque")
PEERS: Mapping[str, tuple[str, ...]] = {
    "dc_voltage": ("link_voltage", "supply_voltage"),
    "link_voltage": ("dc_voltage", "supply_voltage"),
    "dc_current": ("supply_current",),
    "shaft_torque": ("drive_torque", "motor_drive_torque"),
    "shaft_speed": ("drive_speed", "motor_drive_speed"),
    "drive_speed": ("shaft_speed", "motor_drive_speed"),
    "motor_drive_speed": ("shaft_speed", "drive_speed"),
}
TRUSTED = (
    *("dc_current", "dc_voltage", "shaft_torque", "motor_drive_speed", "motor_frequency", "drive_speed"),
    *("shaft_speed", "motor_power", "motor_current", "drive_torque", "motor_drive_torque", "motor_voltage"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class BalancePlan:
    """When a run's balance is looked at, and what becomes of one that does not hold."""

    facts: Facts
    load_share: float  # of rated torque and of rated power, from which on a bench is loaded
    settle_s: float  # nothing is asked anew for so long before the means are taken
    reaction: Reaction


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """Channels that are likely wrong together, and what their first one reads over what it should (NaN: not known)."""

    channels: tuple[str, ...]
    ratio: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What the balance says: the powers in W that are known, the checks that fail, the likely suspects, a sentence."""

    powers_w: Mapping[str, float]
    failed: tuple[Check, ...]
    suspects: tuple[Suspect, ...]
    sentence: str

    @property
    def holds(self) -> bool:
        """Whether nothing contradicts."""
        return not self.failed


def verdict(means: Means, facts: Facts) -> Verdict:
    """Judge the channels' means over settled load; a channel that is absent or not a number is left out."""
    known = {name: value for name, value in means.items() if math.isfinite(value)}
    found = checks(known, facts)
    failed = tuple(check for check in found if not check.holds)
    suspects = _suspects(found, failed, known, facts) if failed else ()
    return Verdict(
        powers_w=powers_w(known),
        failed=failed,
        suspects=suspects,
        sentence=sentence_of(failed, [(one.channels, one.ratio) for one in suspects], known, facts) if failed else "",
    )


def loaded(means: Means, facts: Facts, *, share: float) -> bool:
    """Whether torque and power are above this share of the rated ones at any place, whoever may be wrong."""
    torques = [abs(means[name]) for name in TORQUES if math.isfinite(means.get(name, math.nan))]
    powers = [abs(power_w) for power_w in powers_w(means).values() if math.isfinite(power_w)]
    return (
        max(torques, default=0.0) >= share * facts.rated_torque_nm
        and max(powers, default=0.0) >= share * facts.rated_power_w
    )


def powers_w(means: Means) -> Mapping[str, float]:
    """The power at each place of the chain as far as its channels are known, W; positive towards the load drive."""
    rad_s = math.pi / 30.0
    products = {
        "supply": ("supply_voltage", "supply_current", 1.0),
        "dc": ("dc_voltage", "dc_current", 1.0),
        "shaft": ("shaft_torque", "shaft_speed", rad_s),
        "load_drive": ("drive_torque", "drive_speed", rad_s),
    }
    found = {
        place: factor * means[one] * means[other]
        for place, (one, other, factor) in products.items()
        if one in means and other in means
    }
    return found | ({"motor": means["motor_power"]} if "motor_power" in means else {})


def _suspects(found: Sequence[Check], failed: Sequence[Check], means: Means, facts: Facts) -> tuple[Suspect, ...]:
    """The channels that explain everything by one wrong value, those first whose error is of a common kind.

    Where torque and current of the converter contradict both mechanical torques, the winding makes no torque of its
    current. Without anything that explains all, the channel in most failed checks is named.
    """
    involved = sorted({name for check in failed for name in check.channels})
    ratios = {name: _ratio(name, found, means, facts) for name in involved}
    able = [name for name in involved if not math.isnan(ratios[name])]
    if able:
        common = [name for name in able if ratios[name] in COMMON or abs(ratios[name]) < OPEN]
        ranked = sorted(common or able, key=_trust)
        return tuple(Suspect(channels=(name,), ratio=ratios[name]) for name in ranked[:2])
    if all(name in means for name in ELECTRICAL) and _others_hold(frozenset(ELECTRICAL), found):
        return (Suspect(channels=ELECTRICAL, ratio=math.nan),)
    often = max(involved, key=lambda name: sum(name in check.channels for check in failed))
    return (Suspect(channels=(often,), ratio=math.nan),)


def _others_hold(names: frozenset[str], found: Sequence[Check]) -> bool:
    """Whether every check that does without these channels holds, and some check is left to say so."""
    left = [check for check in found if not check.channels & names]
    return bool(left) and all(check.holds for check in left)


def _ratio(name: str, found: Sequence[Check], means: Means, facts: Facts) -> float:
    """What the channel reads over a value with which every check holds; NaN where there is none.

    Common errors are tried first; of the others the middle one counts. A lead that is open reads next to nothing: what
    its peers read is tried for it.
    """
    if not _others_hold(frozenset({name}), found):
        return math.nan

    beside = {"sink_current", *(other for check in found if name in check.channels for other in check.channels)}
    near = {other: value for other, value in means.items() if other in beside}  # a trial need not compute the rest

    def fits(value: float) -> bool:
        return all(check.holds for check in checks({**near, name: value}, facts) if name in check.channels)

    for peer in PEERS.get(name, ()):
        if peer in means and abs(means[name]) < OPEN * abs(means[peer]) and fits(means[peer]):
            return means[name] / means[peer]
    if means[name] == 0.0:
        return math.nan
    for ratio in COMMON:
        if fits(means[name] / ratio):
            return ratio
    scales = [ratio for ratio in SCALES if fits(means[name] / ratio)]
    return scales[len(scales) // 2] if scales else math.nan


def _trust(name: str) -> int:
    """Which channel is suspected first where two explain the same: leads before instruments before the supply's own."""
    return TRUSTED.index(name) if name in TRUSTED else len(TRUSTED)
