"""The comparisons along a loaded bench, each an interval that physics and data sheets allow. Pure; it suspects nobody.

Losses are bounded by the winding's resistance from cold to hot, by what the bench file allows for converter, iron and
friction, and never negative, in both directions of power. Doubts are the most that a reading may be off.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

Means = Mapping[str, float]

COLD, HOT = 0.85, 1.6  # of the resistance at 20 °C: -18 and 173 °C by IEC 60034-1's constant of copper
LEAST_CONSTANT, MOST_CONSTANT = 0.3, 1.5  # of the data sheet's torque per ampere: weakened field, reluctance
CURRENT_MARGIN = 1.6  # of the current that a torque needs by the data sheet, for the loss bound of the whole
CABLE_MARGIN = 1.5
RAD_S_PER_RPM = math.pi / 30.0


@dataclass(frozen=True, slots=True)
class Doubt:
    """The most that a channel may be off: a share of its reading, and a number in its unit."""

    ratio: float = 0.0
    absolute: float = 0.0

    def of(self, value: float) -> float:
        """The most that this reading may be off."""
        return self.ratio * abs(value) + self.absolute


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What data sheet, set-up and bench file say; `pole_pairs` is 0 for a brushed specimen.

    `resistance_ohm` is a phase's, or that between a brushed one's terminals; `torque_per_a` belongs to the rms current
    of a phase, or to direct current.
    """

    pole_pairs: int
    resistance_ohm: float
    torque_per_a: float
    rated_torque_nm: float
    rated_power_w: float
    cable_ohm: float
    diode_v: float
    converter_loss_ratio: float
    converter_idle_w: float
    motor_loss_ratio: float
    load_loss_nm: float
    doubts: Mapping[str, Doubt]

    @property
    def brushed(self) -> bool:
        """Whether the supply itself feeds the specimen."""
        return self.pole_pairs == 0

    @property
    def motor_loss_nm(self) -> float:
        """Friction and iron of the specimen as a torque, at most."""
        return self.motor_loss_ratio * self.rated_torque_nm


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One comparison: what was found, where it must lie, and the most that its channels' doubts make of it."""

    name: str
    channels: frozenset[str]
    value: float
    low: float
    high: float
    doubt: float
    unit: str

    @property
    def holds(self) -> bool:
        """Whether the value lies within its interval, doubt added on both sides."""
        return self.low - self.doubt <= self.value <= self.high + self.doubt


def checks(means: Means, facts: Facts) -> tuple[Check, ...]:
    """Every comparison whose channels are all there."""
    return (
        *_direct_current(means, facts),
        *_powers(means, facts),
        *_torques(means, facts),
        *_speeds(means, facts),
        *([] if facts.brushed else _phases(means, facts)),
    )


def _doubt(name: str, means: Means, facts: Facts) -> float:
    doubt = facts.doubts.get(name)
    return 0.0 if doubt is None else doubt.of(means[name])


def _product_doubt(one: str, other: str, means: Means, facts: Facts) -> float:
    return abs(means[other]) * _doubt(one, means, facts) + abs(means[one]) * _doubt(other, means, facts)


def _has(means: Means, *names: str) -> bool:
    return all(name in means for name in names)


def _direct_current(means: Means, facts: Facts) -> Iterator[Check]:
    """Supply against measuring unit."""
    flows_a = max((abs(means[name]) for name in ("supply_current", "dc_current") if name in means), default=0.0)
    drop_v = CABLE_MARGIN * facts.cable_ohm * flows_a
    for first, second, most_v in (
        ("supply_voltage", "dc_voltage", drop_v + facts.diode_v),
        ("supply_voltage", "link_voltage", facts.diode_v),
        ("link_voltage", "dc_voltage", drop_v),
    ):
        if _has(means, first, second):
            lifted = means.get("sink_current", 0.0) > 0.0 and first == "supply_voltage"  # the link stands above it
            yield Check(
                name=f"voltage from {first} to {second}",
                channels=frozenset({first, second}),
                value=means[first] - means[second],
                low=-math.inf if lifted and means[second] > 0.0 else -drop_v,
                high=most_v,
                doubt=_doubt(first, means, facts) + _doubt(second, means, facts),
                unit="V",
            )
    if _has(means, "supply_current", "dc_current"):
        yield Check(
            name="current from supply to dc_current",
            channels=frozenset({"supply_current", "dc_current"}),
            value=means["supply_current"] - means.get("sink_current", 0.0) - means["dc_current"],
            low=0.0,
            high=0.0,
            doubt=sum(_doubt(n, means, facts) for n in ("supply_current", "dc_current", "sink_current") if n in means),
            unit="A",
        )


def _powers(means: Means, facts: Facts) -> Iterator[Check]:
    """Every power against the next one, and around an instrument that may be the one that is wrong."""
    sources: dict[str, tuple[float, float, tuple[str, str]]] = {}
    if _has(means, "dc_voltage", "dc_current"):
        pair = ("dc_voltage", "dc_current")
        sources["DC input"] = (means[pair[0]] * means[pair[1]], _product_doubt(*pair, means, facts), pair)
    if _has(means, "supply_voltage", "supply_current") and not means.get("sink_current", 0.0) > 0.0:
        pair = ("supply_voltage", "supply_current")
        sources["supply"] = (means[pair[0]] * means[pair[1]], _product_doubt(*pair, means, facts), pair)
    shaft = None
    if _has(means, "shaft_torque", "shaft_speed"):
        pair = ("shaft_torque", "shaft_speed")
        shaft = (
            RAD_S_PER_RPM * means[pair[0]] * means[pair[1]],
            RAD_S_PER_RPM * _product_doubt(*pair, means, facts),
        )
    iron_w = facts.motor_loss_ratio * facts.rated_power_w
    for place, (power_w, doubt_w, pair) in sources.items():
        lead_w = 0.0
        if place == "supply":
            lead_w = abs(means["supply_current"]) * (
                CABLE_MARGIN * facts.cable_ohm * abs(means["supply_current"]) + facts.diode_v
            )
        converter_w = 0.0 if facts.brushed else facts.converter_loss_ratio * abs(power_w) + facts.converter_idle_w
        if "motor_power" in means:
            yield Check(
                name=f"power from {place} to motor",
                channels=frozenset({*pair, "motor_power"}),
                value=power_w - means["motor_power"],
                low=0.0,
                high=converter_w + lead_w,
                doubt=doubt_w + _doubt("motor_power", means, facts),
                unit="W",
            )
        if shaft is not None:
            current = pair[1] if facts.brushed else "motor_current" if "motor_current" in means else ""
            low_w, copper_w = _copper(means, facts, current)
            yield Check(
                name=f"power from {place} to shaft",
                channels=frozenset({*pair, "shaft_torque", "shaft_speed", *([current] if current else [])}),
                value=power_w - shaft[0],
                low=low_w,
                high=converter_w + lead_w + copper_w + iron_w,
                doubt=doubt_w + shaft[1],
                unit="W",
            )
    if shaft is not None and _has(means, "motor_power", "motor_current"):
        ideal_w = 3.0 * facts.resistance_ohm * means["motor_current"] ** 2
        yield Check(
            name="power from motor to shaft",
            channels=frozenset({"motor_power", "motor_current", "shaft_torque", "shaft_speed"}),
            value=means["motor_power"] - shaft[0],
            low=COLD * ideal_w,
            high=HOT * ideal_w + iron_w,
            doubt=_doubt("motor_power", means, facts)
            + shaft[1]
            + 6.0 * facts.resistance_ohm * abs(means["motor_current"]) * _doubt("motor_current", means, facts),
            unit="W",
        )


def _copper(means: Means, facts: Facts, current: str) -> tuple[float, float]:
    """The least and most that the winding loses: by its direct current, or by the torque where no current is named."""
    if current:
        phases = 1.0 if facts.brushed else 3.0
        ideal_w = phases * facts.resistance_ohm * means[current] ** 2
        return COLD * ideal_w, HOT * ideal_w
    flows_a = CURRENT_MARGIN * (abs(means["shaft_torque"]) + facts.motor_loss_nm) / facts.torque_per_a
    return 0.0, HOT * 3.0 * facts.resistance_ohm * flows_a**2


def _torques(means: Means, facts: Facts) -> Iterator[Check]:
    """Transducer against both drives' own torques: friction and iron lie between, in either direction."""
    for first, second, loss_nm in (
        ("shaft_torque", "drive_torque", facts.load_loss_nm),
        ("motor_drive_torque", "shaft_torque", facts.motor_loss_nm),
        ("motor_drive_torque", "drive_torque", facts.motor_loss_nm + facts.load_loss_nm),
    ):
        if _has(means, first, second):
            yield Check(
                name=f"torque from {first} to {second}",
                channels=frozenset({first, second}),
                value=means[first] - means[second],
                low=-loss_nm,
                high=loss_nm,
                doubt=_doubt(first, means, facts) + _doubt(second, means, facts),
                unit="N·m",
            )
    current = "dc_current" if facts.brushed else "motor_current"
    for torque in ("shaft_torque", "drive_torque"):
        if _has(means, current, torque):
            flows_nm = facts.torque_per_a * abs(means[current])
            yield Check(
                name=f"{torque} by {current}",
                channels=frozenset({current, torque}),
                value=abs(means[torque]),
                low=LEAST_CONSTANT * flows_nm - facts.motor_loss_nm - facts.load_loss_nm,
                high=MOST_CONSTANT * flows_nm + facts.motor_loss_nm + facts.load_loss_nm,
                doubt=_doubt(torque, means, facts) + facts.torque_per_a * _doubt(current, means, facts),
                unit="N·m",
            )


def _speeds(means: Means, facts: Facts) -> Iterator[Check]:
    """All ends of one shaft, and the electrical frequency by the pole pairs."""
    pairs = [
        ("shaft_speed", "drive_speed", 1.0),
        ("shaft_speed", "motor_drive_speed", 1.0),
        ("drive_speed", "motor_drive_speed", 1.0),
    ]
    if not facts.brushed:
        per_hz = 60.0 / facts.pole_pairs
        pairs += [("shaft_speed", "motor_frequency", per_hz), ("drive_speed", "motor_frequency", per_hz)]
    for first, second, scale in pairs:
        if _has(means, first, second):
            by_frequency = second == "motor_frequency"  # which has no sign
            yield Check(
                name=f"speed from {first} to {second}",
                channels=frozenset({first, second}),
                value=(abs(means[first]) if by_frequency else means[first]) - scale * means[second],
                low=0.0,
                high=0.0,
                doubt=_doubt(first, means, facts) + scale * _doubt(second, means, facts),
                unit="r/min",
            )


def _phases(means: Means, facts: Facts) -> Iterator[Check]:
    """No more true power than apparent power."""
    if _has(means, "motor_voltage", "motor_current", "motor_power"):
        apparent_va = math.sqrt(3.0) * means["motor_voltage"] * means["motor_current"]
        yield Check(
            name="motor_power by apparent power",
            channels=frozenset({"motor_voltage", "motor_current", "motor_power"}),
            value=abs(means["motor_power"]),
            low=0.0,
            high=apparent_va,
            doubt=_doubt("motor_power", means, facts)
            + math.sqrt(3.0) * _product_doubt("motor_voltage", "motor_current", means, facts),
            unit="W",
        )
