"""How warm the specimen gets: winding and housing, and a brushless rotor's magnets, heat capacities to the ambient air.

Exact for heat that is constant over the step, so a long rest is one step. It must never know where the heat is from.
"""

import numpy as np

from benchd_rig.exact_step import held_input_step
from benchd_rig.specimen import BrushlessMotor, DcMotor

Row = tuple[float, ...]
_MOST_KEPT = 64


class Thermal:
    """State: the temperature of winding and housing; and of the magnets, which in a brushed motor are its housing's."""

    def __init__(self, motor: DcMotor | BrushlessMotor, *, ambient_degc: float) -> None:
        self.winding_degc = ambient_degc
        self.housing_degc = ambient_degc
        self.magnet_degc = ambient_degc
        self._steps: dict[float, tuple[Row, Row, Row]] = {}
        between, out = 1.0 / motor.winding_to_housing_k_w, 1.0 / motor.housing_to_ambient_k_w
        capacities = [motor.winding_j_k, motor.housing_j_k, 1.0]
        rotor = 0.0
        self._has_rotor = isinstance(motor, BrushlessMotor)
        if isinstance(motor, BrushlessMotor):
            capacities[2], rotor = motor.magnet_j_k, 1.0 / motor.magnet_to_housing_k_w
        conductances = np.array(
            [[-between, between, 0.0], [between, -(between + out + rotor), rotor], [0.0, rotor, -rotor]]
        )
        self._state = conductances / np.array(capacities)[:, np.newaxis]
        self._input = np.diag(1.0 / np.array(capacities))

    def step(
        self, *, winding_w: float, housing_w: float, ambient_degc: float, step_s: float, magnet_w: float = 0.0
    ) -> None:
        """Let this heat into winding, housing and magnets act for a while."""
        rows = self._steps.get(step_s)
        if rows is None:
            whole = held_input_step(self._state, self._input, integrals_of=(), step_s=step_s).tolist()
            rows = tuple(whole[0]), tuple(whole[1]), tuple(whole[2])
            if len(self._steps) >= _MOST_KEPT:
                self._steps.clear()
            self._steps[step_s] = rows
        winding_k, housing_k = self.winding_degc - ambient_degc, self.housing_degc - ambient_degc
        magnet_k = self.magnet_degc - ambient_degc
        (a, b, c, d, e, f), (g, h, i, j, k, m), (n, o, p, q, r, s) = rows
        winding_degc = (
            ambient_degc + a * winding_k + b * housing_k + c * magnet_k + d * winding_w + e * housing_w + f * magnet_w
        )
        housing_degc = (
            ambient_degc + g * winding_k + h * housing_k + i * magnet_k + j * winding_w + k * housing_w + m * magnet_w
        )
        magnet_degc = (
            ambient_degc + n * winding_k + o * housing_k + p * magnet_k + q * winding_w + r * housing_w + s * magnet_w
        )
        self.winding_degc, self.housing_degc = winding_degc, housing_degc
        self.magnet_degc = magnet_degc if self._has_rotor else housing_degc
