"""What bounds a run here: what devices, limits and specimen allow, with file and line. It judges nothing."""

import math
from collections.abc import Iterable
from typing import Any

from benchd.rules.demand import Capacity, Demanded
from benchd.rules.limits import Bound, Limit, Reaction
from benchd.settings.bench import Bench, Motor
from benchd.settings.limit_sources import LimitSource


def capacities_of(bench: Bench, motor: Motor, sources: Iterable[LimitSource]) -> Iterable[Capacity]:
    """Everything that bounds speed, torque, current, voltage or power of a test here."""
    bounded = {
        "shaft_speed": Demanded.SPEED,
        "shaft_torque": Demanded.TORQUE,
        "dc_current": Demanded.CURRENT,
        "dc_voltage": Demanded.VOLTAGE,
    }
    for source in sources:
        quantity = bounded.get(source.channel)
        if quantity is not None and source.kind == "high" and not source.warn:
            yield Capacity(quantity=quantity, value=source.value, origin=source.origin)
    yield Capacity(
        quantity=Demanded.SPEED,
        value=motor.settings.max_speed_rpm,
        origin=motor.document.origin(("max_speed_rpm",)),
    )
    supply = bench.roles["supply"][0].device
    volts, amperes = (setting_of(bench, supply, key) for key in ("max_voltage_v", "max_current_a"))
    for quantity, value, key in (
        (Demanded.VOLTAGE, volts, "max_voltage_v"),
        (Demanded.CURRENT, amperes, "max_current_a"),
        (Demanded.POWER, volts * amperes, "max_current_a"),
    ):
        yield Capacity(
            quantity=quantity,
            value=value,
            origin=bench.document.origin(("devices", supply, "settings", key)),
        )
    for role in ("load_drive", "motor_drive"):
        for address in bench.roles[role][:1]:
            for quantity, key in ((Demanded.TORQUE, "max_torque_nm"), (Demanded.SPEED, "max_speed_rpm")):
                yield Capacity(
                    quantity=quantity,
                    value=setting_of(bench, address.device, key),
                    origin=bench.document.origin(("devices", address.device, "settings", key)),
                )


def setting_of(bench: Bench, device: str, key: str) -> float:
    """A number of a device's settings, infinite where it has none of that name."""
    value: Any = getattr(bench.devices[device].settings, key, None)
    return math.inf if value is None else float(value)


def highest_of(limits: Iterable[Limit], channel: str) -> float:
    """The tightest upper bound: a supply knows its current's direction."""
    return min(
        (
            limit.value
            for limit in limits
            if (limit.channel, limit.bound) == (channel, Bound.HIGH) and limit.reaction is not Reaction.WARN
        ),
        default=math.inf,
    )


def magnitude_of(limits: Iterable[Limit], channel: str) -> float:
    """The magnitude that a device is told, which knows no direction: the wider of the two sides' tightest bounds.

    A specimen that may turn one way only has a low limit near zero; the limit monitor holds that one.
    """
    tightest = {Bound.LOW: math.inf, Bound.HIGH: math.inf}
    for limit in limits:
        if limit.channel == channel and limit.reaction is not Reaction.WARN and limit.bound is not Bound.STALE:
            tightest[limit.bound] = min(tightest[limit.bound], abs(limit.value))
    known = [value for value in tightest.values() if math.isfinite(value)]
    return max(known, default=math.inf)
