"""How warm the specimen gets: winding and housing, two heat capacities in a row to the ambient air.

Exact for heat that is constant over the step, so a long rest is one step. It must never know where the heat is from.
"""

import numpy as np

from benchd_rig.exact_step import held_input_step
from benchd_rig.specimen import DcMotor

Row = tuple[float, float, float, float]
_MOST_KEPT = 64


class Thermal:
    """State: winding and housing temperature."""

    def __init__(self, motor: DcMotor, *, ambient_degc: float) -> None:
        self.winding_degc = ambient_degc
        self.housing_degc = ambient_degc
        self._steps: dict[float, tuple[Row, Row]] = {}
        between, out = 1.0 / motor.winding_to_housing_k_w, 1.0 / motor.housing_to_ambient_k_w
        winding, housing = motor.winding_j_k, motor.housing_j_k
        self._state = np.array(
            [[-between / winding, between / winding], [between / housing, -(between + out) / housing]]
        )
        self._input = np.array([[1.0 / winding, 0.0], [0.0, 1.0 / housing]])

    def step(self, *, winding_w: float, housing_w: float, ambient_degc: float, step_s: float) -> None:
        """Let this heat into winding and housing act for a while."""
        rows = self._steps.get(step_s)
        if rows is None:
            whole = held_input_step(self._state, self._input, integrals_of=(), step_s=step_s)
            rows = tuple(whole[0].tolist()), tuple(whole[1].tolist())
            if len(self._steps) >= _MOST_KEPT:
                self._steps.clear()
            self._steps[step_s] = rows
        winding_k, housing_k = self.winding_degc - ambient_degc, self.housing_degc - ambient_degc
        a, b, c, d = rows[0]
        self.winding_degc = ambient_degc + a * winding_k + b * housing_k + c * winding_w + d * housing_w
        a, b, c, d = rows[1]
        self.housing_degc = ambient_degc + a * winding_k + b * housing_k + c * winding_w + d * housing_w
