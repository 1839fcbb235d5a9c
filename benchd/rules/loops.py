"""A loop of a bench: which channel is held through which role's set-point, and how. Pure values."""

import enum
from dataclasses import dataclass

from benchd.rules.moves import Role, Speed, Target, Torque, Voltage
from benchd.rules.regulator import Regulator
from benchd.rules.regulator_tuning import Plant


class Driven(enum.Enum):
    """What a role's set-point is while a loop trims it; the value is the set-point's unit."""

    TORQUE = "N·m"
    SPEED = "r/min"
    VOLTAGE = "V"

    def is_of(self, target: Target) -> bool:
        """Whether this target is such a set-point."""
        return isinstance(target, _KINDS[self])


_KINDS: dict[Driven, type[Target]] = {Driven.TORQUE: Torque, Driven.SPEED: Speed, Driven.VOLTAGE: Voltage}


@dataclass(frozen=True, slots=True, kw_only=True)
class Loop:
    """One outer loop: `channel` is held by what is added to the set-point of `role`.

    The regulator's bounds are those of the addition, so that a sensor that lies can move the set-point no further than
    that. `plant` is what the channel does after the set-point, as it was identified: the reference that the regulator
    sees is led through it first, so that a lag that is known is not taken for an error. The regulator's gains are in
    set-point units per channel unit.
    """

    role: Role
    driven: Driven
    channel: str  # such as "shaft_torque"
    plant: Plant
    regulator: Regulator
    dead_band: float = 0.0  # in the channel's unit: an error within it is none, as small as what the device resolves
    origin: str = ""  # the file that it was read from
