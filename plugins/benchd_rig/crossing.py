"""Notes when a true value of the plant first crosses a bound, and how far it goes: how late somebody reacts.

Its one job is to look at every millisecond of plant time and to stamp with the machine's monotonic clock. It changes
nothing on the bench.
"""

import math
from collections.abc import Callable, Mapping

from benchd_rig.plant import Plant

TOLD: Mapping[str, Callable[[Plant], float]] = {
    "motor_speed_rpm": lambda plant: abs(plant.motor_speed_rpm),
    "load_speed_rpm": lambda plant: abs(plant.load_speed_rpm),
    "shaft_torque_nm": lambda plant: abs(plant.truth().shaft_torque_nm),
    "link_v": lambda plant: plant.link_v,
}


class Crossing:
    """One watch over a magnitude, from `arm` on. `mono_s` turns plant time into the machine's clock."""

    def __init__(self, plant: Plant, mono_s: Callable[[float], float]) -> None:
        self._mono_s = mono_s
        self._look: Callable[[Plant], float] | None = None
        self._bound = math.inf
        self.crossed_mono_s: float | None = None  # within a millisecond
        self.furthest = 0.0  # since then
        plant.on_step.append(self._step)

    def arm(self, name: str, *, above: float) -> None:
        """Look for the first crossing from now on. Raises `ValueError` in a sentence for what is not told."""
        if name not in TOLD:
            raise ValueError(f"Nothing is told of {name!r}: choose {', '.join(TOLD)}.")
        self._look, self._bound = TOLD[name], above
        self.crossed_mono_s, self.furthest = None, 0.0

    def _step(self, plant: Plant) -> None:
        if self._look is None:
            return
        value = self._look(plant)
        if self.crossed_mono_s is None and value > self._bound:
            self.crossed_mono_s = self._mono_s(plant.time_s)
        if self.crossed_mono_s is not None:
            self.furthest = max(self.furthest, value)
