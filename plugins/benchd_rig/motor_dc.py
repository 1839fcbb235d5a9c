"""A brushed DC motor's own laws: resistance and brush drop, at the temperatures it has.

    L · di/dt = v - (R(θ) + R_cable) · i - K · ω - v_brush(i)
    J · dω/dt = K · i - T_coulomb · sign(ω) - b · ω - c · ω³ - T_shaft

It holds no state and integrates nothing: `shaft` does.
"""

import math
from dataclasses import dataclass

from benchd_rig.specimen import DcMotor


@dataclass(frozen=True, slots=True, kw_only=True)
class BrushDrop:
    """The voltage across both brushes: level · tanh(current / scale)."""

    level_v: float
    scale_a: float

    def voltage_v(self, current_a: float) -> float:
        """The drop at this current, with the current's sign."""
        return self.level_v * math.tanh(current_a / self.scale_a)


def resistance_ohm(motor: DcMotor, *, winding_degc: float) -> float:
    """The winding's resistance at its temperature."""
    return motor.resistance_ohm * (1.0 + motor.resistance_per_k * (winding_degc - motor.reference_degc))


def brush_drop(motor: DcMotor, *, winding_degc: float) -> BrushDrop:
    """The brushes' law at the temperature of the winding beside them; the drop never turns negative."""
    change = motor.brush_drop_per_k * (winding_degc - motor.reference_degc)
    return BrushDrop(level_v=motor.brush_drop_v * max(0.0, 1.0 + change), scale_a=motor.brush_scale_a)
