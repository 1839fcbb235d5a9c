"""What a test will ask of the bench, and whether the bench has it. Pure comparison."""

import enum
from collections.abc import Iterable, Sequence
from dataclasses import dataclass


class Demanded(enum.Enum):
    """The quantities a demand is stated in; the value is the unit."""

    SPEED = "r/min"
    TORQUE = "N·m"
    POWER = "W"
    VOLTAGE = "V"
    CURRENT = "A"
    DURATION = "s"

    @property
    def title(self) -> str:
        """The quantity's name in a sentence."""
        return self.name.lower()


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """The greatest magnitudes a test will ask for, and how long it takes."""

    speed_rpm: float
    torque_nm: float
    power_w: float
    voltage_v: float
    current_a: float
    duration_s: float

    def amounts(self) -> Sequence[tuple[Demanded, float]]:
        """Each quantity with its amount, in the unit of `Demanded`."""
        return (
            (Demanded.SPEED, self.speed_rpm),
            (Demanded.TORQUE, self.torque_nm),
            (Demanded.POWER, self.power_w),
            (Demanded.VOLTAGE, self.voltage_v),
            (Demanded.CURRENT, self.current_a),
            (Demanded.DURATION, self.duration_s),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Capacity:
    """One thing that bounds a quantity: bench, set-up, sensor range, device or specimen, with file and line."""

    quantity: Demanded
    value: float
    origin: str


def misfits(demand: Demand, capacities: Iterable[Capacity], *, who: str) -> list[str]:
    """One sentence for each quantity of which `who` asks more than the tightest capacity allows."""
    tightest: dict[Demanded, Capacity] = {}
    for capacity in capacities:
        known = tightest.get(capacity.quantity)
        if known is None or capacity.value < known.value:
            tightest[capacity.quantity] = capacity
    return [
        f"{who} asks for {quantity.title} {amount:.4g} {quantity.value}, but {allowed.origin} "
        f"allows {allowed.value:.4g} {quantity.value}; ask for less or change what bounds it."
        for quantity, amount in demand.amounts()
        if (allowed := tightest.get(quantity)) is not None and not amount <= allowed.value
    ]
