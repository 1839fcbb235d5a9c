"""Whether directions, signs and ratios are right, by a shaft that is turned slowly and pushed lightly. Pure.

Each step of a jog hands in the means of its channels; what contradicts comes back as one sentence with the one lead or
setting to look at. Torques are judged by what a push changes: friction and zeros are in both means and cancel. A
channel that gives nothing is not judged. Nothing here moves a shaft.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

SPEED_RATIO = 0.1  # of the speed asked for; pole pairs or lines that were entered wrongly are off by more
SPEED_RPM = 5.0
STANDING_RATIO = 0.3  # of the speed asked for, below which an end of the shaft stands
LEAST, MOST = 0.6, 1.6  # of the torque or current that is expected: a light push tells ratios of 2 to 1, no percents
VOLT_RATIO = 0.05
VOLT = 0.5  # contacts, brushes' contact and cable at the jog's small current

Means = Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Jog:
    """How a shaft is tried before the first test: small against every rating of bench and specimen.

    `current_a` bounds the supply; it makes the torque where the supply itself feeds the specimen (`brushed`).
    """

    speed_rpm: float
    torque_nm: float
    holding_torque_nm: float  # bound of the drive that holds the speed
    voltage_v: float
    current_a: float
    least_current_a: float  # below it two readings of a current are not compared
    time_limit_s: float
    brushed: bool

    @property
    def window_s(self) -> float:
        """One revolution, so that cogging and eccentricity cancel; never longer than a second."""
        return min(60.0 / self.speed_rpm, 1.0)


def wrong_speeds(means: Means, jog: Jog, names: Mapping[str, str], *, holds: str) -> str | None:
    """What contradicts while the drive of this speed channel holds `jog.speed_rpm`; `names` are the channels' devices.

    `holds` is "drive_speed" or "motor_drive_speed".
    """
    asked = jog.speed_rpm
    drive = names[holds]
    seen = {name: means.get(name, math.nan) for name in ("shaft_speed", "drive_speed", "motor_drive_speed")}
    seen = {name: value for name, value in seen.items() if math.isfinite(value)}
    others = {name: value for name, value in seen.items() if name != holds}
    own = seen.get(holds, asked)
    if not _near(own, asked):
        look = (
            "look at its phase order, commutation, torque limit and the load drive's direction"
            if holds == "motor_drive_speed"
            else "look at its phase order, its torque limit, and whether the shaft is free"
        )
        return f"{drive} shall hold {asked:g} r/min and reads {own:.0f} r/min: {look}."
    if others and all(_near(-value, asked) for value in others.values()) and len(others) > 1:
        told = " and ".join(f"{name} reads {value:.0f} r/min" for name, value in others.items())
        return (
            f"{told} while {drive} turns {own:.0f} r/min: {drive} turns the shaft the other way, look at its phase "
            "order and its setting for the direction of rotation."
        )
    standing = [name for name, value in others.items() if abs(value) < STANDING_RATIO * asked]
    if others and len(standing) == len(others):
        return f"{' and '.join(standing)} read standstill while {drive} turns {own:.0f} r/min: look at the coupling" + (
            ", then at the encoder's lead." if standing == ["shaft_speed"] else "."
        )
    for name, value in others.items():
        if not _near(value, asked):
            return f"{name} reads {value:.0f} r/min while {drive} turns {own:.0f} r/min: {_one_speed(name, value, jog)}"
    return None


def _one_speed(name: str, value: float, jog: Jog) -> str:
    """What to look at where one speed alone contradicts the drive that turns the shaft."""
    if name == "shaft_speed":
        if abs(value) < STANDING_RATIO * jog.speed_rpm:
            return "look at the encoder's lead."
        if _near(-value, jog.speed_rpm):
            unless = (
                ", or the load drive's direction where the shaft really turned anticlockwise" if jog.brushed else ""
            )
            return f"swap the encoder's A and B{unless}."
        return "look at the number of lines that the measuring unit has for the encoder."
    if name == "motor_drive_speed":
        if _near(-value, jog.speed_rpm):
            return "look at the motor drive's encoder or its phase order: it counts the other way."
        return "look at the pole pairs and at the encoder's lines in the motor drive."
    return "look at the coupling, and at the encoder's lines in the load drive."


def wrong_push(before: Means, after: Means, jog: Jog, names: Mapping[str, str]) -> str | None:
    """What contradicts when the specimen pushes with `jog.torque_nm` while the load drive holds the speed."""
    shaft, load = (_change(before, after, name) for name in ("shaft_torque", "drive_torque"))
    told = _told(shaft, load, names)
    who = "the specimen" if jog.brushed else names["motor_drive_torque"]
    pushes = f"when {who} pushes forwards with {jog.torque_nm:.3g} N·m"
    shaft_is, load_is = _kind(shaft, jog), _kind(load, jog)
    known = {kind for kind in (shaft_is, load_is) if kind}
    if not known or known == {"right"}:
        return None
    if known == {"backwards"}:
        look = (
            "its two power leads are exchanged, or the load drive turns the other way"
            if jog.brushed
            else "its commutation is off by about 180 electrical degrees, look at the rotor position's offset, then "
            "at the phase leads"
        )
        return f"{told} {pushes}: {look}."
    if known == {"weak"}:
        current_a = after.get("motor_current", math.nan)
        flows = f" although {current_a:.2g} A flow in each phase" if current_a > 0.0 and not jog.brushed else ""
        look = (
            "look at its power leads, brushes and the supply's current limit"
            if jog.brushed
            else "look for two exchanged phase leads, then at the commutation offset, and whether the converter "
            f"locks out at {jog.voltage_v:g} V (link_voltage_v in [jog])"
        )
        return f"{told} {pushes}{flows}: {look}."
    if known == {"strong"}:
        return f"{told} {pushes}: look at the current scale and the motor data of {who}."
    if shaft_is != "right" and load_is != "backwards":
        look = {
            "backwards": "swap the transducer's signal leads, or write sign = -1 in its channel",
            "weak": "look at the transducer's lead and its range",
            "strong": "look at the transducer's sensitivity and its range",
        }[shaft_is]
        return f"{told} {pushes}: {look}."
    look = (
        f"look at torque_sign of {names['drive_torque']} in the bench file"
        if load_is == "backwards"
        else f"look at the rated torque that {names['drive_torque']} counts with"
    )
    return f"{told} {pushes}: {look}."


def wrong_brake(before: Means, after: Means, jog: Jog, names: Mapping[str, str]) -> str | None:
    """What contradicts when the load drive brakes with `jog.torque_nm` while the motor drive holds the speed."""
    shaft = _change(before, after, "shaft_torque")
    motor = _change(before, after, "motor_drive_torque")
    drive = names["drive_torque"]
    told = _told(shaft, motor, names, other="motor_drive_torque")
    kinds = {kind for kind in (_kind(shaft, jog), _kind(motor, jog)) if kind}
    if not kinds or "right" in kinds:  # the push has told of the other one
        return None
    if kinds == {"backwards"}:
        look = f"it drives where it should brake, look at torque_sign of {drive} in the bench file"
    else:
        look = f"look at the rated torque that {drive} counts with and at its mode for torque"
    return f"{told} when {drive} brakes with {jog.torque_nm:.3g} N·m: {look}."


def wrong_supply(means: Means, jog: Jog) -> str | None:
    """Where supply and measuring unit do not agree on voltage and current, in one sentence."""
    supply_v = means.get("supply_voltage", math.nan)
    for name, lead in (("dc_voltage", "sense lead of dc_voltage"), ("link_voltage", "sense lead of link_voltage")):
        value = means.get(name, math.nan)
        if not abs(value - supply_v) > VOLT_RATIO * abs(supply_v) + VOLT:
            continue
        near_v = VOLT_RATIO * abs(supply_v) + VOLT
        if abs(value + supply_v) < near_v:
            look = f"the {lead} is reversed, exchange its two wires"
        elif abs(value) < near_v:
            look = f"the {lead} is open or shorted, look at its two wires"
        else:
            look = f"look at the {lead} and its divider's ratio"
        return f"{name} reads {value:.3g} V while the supply gives {supply_v:.3g} V: {look}."
    supply_a, dc_a = means.get("supply_current", math.nan), means.get("dc_current", math.nan)
    supply_a -= means.get("sink_current", 0.0)
    if not supply_a > jog.least_current_a or math.isnan(dc_a) or LEAST <= dc_a / supply_a <= MOST:
        return None
    if dc_a < -LEAST * supply_a:
        look = "the current sensor is reversed, turn it round or write sign = -1 in its channel"
    elif dc_a < (1.0 - LEAST) * supply_a:
        look = "look at the current sensor's lead and that the conductor goes through it"
    else:
        look = "look at the current sensor's ratio and the turns of the conductor through it"
    return f"dc_current reads {dc_a:.3g} A while the supply gives {supply_a:.3g} A: {look}."


def _near(value: float, asked: float) -> bool:
    return abs(value - asked) <= SPEED_RATIO * abs(asked) + SPEED_RPM


def _change(before: Means, after: Means, name: str) -> float:
    return after.get(name, math.nan) - before.get(name, math.nan)


def _kind(change_nm: float, jog: Jog) -> str:
    """What a change of torque is against the push: right, weak, strong, backwards, or "" where it is not read."""
    if math.isnan(change_nm):
        return ""
    ratio = change_nm / jog.torque_nm
    if ratio < -(1.0 - LEAST):
        return "backwards"
    if ratio < LEAST:
        return "weak"
    return "right" if ratio <= MOST else "strong"


def _told(shaft_nm: float, other_nm: float, names: Mapping[str, str], *, other: str = "drive_torque") -> str:
    parts = [f"shaft_torque changes by {shaft_nm:+.3g} N·m"] if math.isfinite(shaft_nm) else []
    if math.isfinite(other_nm):
        parts.append(f"{other} of {names[other]} by {other_nm:+.3g} N·m")
    return " and ".join(parts)
