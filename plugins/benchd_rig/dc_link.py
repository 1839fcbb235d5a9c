"""The DC link: a capacitor between a supply that can only give, a sink that can only take, and the specimen's cable.

The link is stiff beside the step (milliohms and millifarads), so each step finds the link voltage at its end, and
with it the brush drop, implicitly: one monotone equation with one solution, whatever conducts or blocks. Charge
balances exactly. This file must never know more of the specimen than "so much current, and so much more per volt".
"""

import math

from benchd_rig.commands import SinkCommand, SupplyCommand
from benchd_rig.energy import EnergyAccount
from benchd_rig.motor_dc import BrushDrop
from benchd_rig.specimen import BenchModel

_REVERSE_DIODE_V = 0.6  # the supply's reverse diode: a specimen driven backwards cannot pull the link below it
_REVERSE_DIODE_OHM = 0.01
_TOLERANCE_V = 1e-10
_MOST_TRIES = 80
_LEAST_A = 1e-7  # a supply current below it is what the tolerance leaves


class DcLink:
    """State: the capacitor's voltage and the supply's source voltage; and the currents of the last step."""

    def __init__(self, bench: BenchModel, energy: EnergyAccount, *, step_s: float) -> None:
        self.link_v = 0.0
        self.source_v = 0.0  # what the supply's output stage is steering to; it lags the set-point
        self.supply_current_a = 0.0
        self.sink_current_a = 0.0
        self.extra_ohm = 0.0  # winding resistance that the shaft's matrices do not hold
        self._bench = bench
        self._energy = energy
        self._step_s = step_s
        self._per_step_s = bench.link.capacitance_f / step_s
        rise_s = bench.supply.rise_s
        self._rise = 1.0 if rise_s == 0.0 else -math.expm1(-step_s / rise_s)
        self._supply_s = 1.0 / bench.supply.output_resistance_ohm
        self._bleed_s = 1.0 / bench.link.bleed_ohm
        self._brush = BrushDrop(level_v=0.0, scale_a=1.0)
        self._drive_v = 0.0  # voltage across winding and cable without the brushes
        self._supply_limit_a = 0.0
        self._sink_s = 0.0
        self._sink_from_v = 0.0
        self._sink_limit_a = 0.0

    @property
    def stored_j(self) -> float:
        """Energy in the capacitor."""
        return 0.5 * self._bench.link.capacitance_f * self.link_v**2

    def warm(self, brush: BrushDrop, *, extra_ohm: float) -> None:
        """Take over the brushes' law and the winding's extra resistance at the present temperature."""
        self._brush = brush
        self.extra_ohm = extra_ohm

    def follow(self, supply: SupplyCommand, sink: SinkCommand, *, sink_dead: bool) -> None:
        """Take over the commands for the next step."""
        if supply.output_on:
            self.source_v += (max(supply.voltage_v, 0.0) - self.source_v) * self._rise
            self._supply_limit_a = max(supply.current_limit_a, 0.0)
        else:
            self.source_v = 0.0
            self._supply_limit_a = 0.0
        least_ohm = self._bench.sink.on_resistance_ohm
        self._sink_s, self._sink_from_v = 1.0 / least_ohm, 0.0
        limit_a = max(sink.current_limit_a, 0.0) if sink.input_on and not sink_dead else 0.0
        level = max(sink.level, 0.0)
        if sink.mode == "voltage":
            self._sink_from_v = level
        elif sink.mode == "current":
            limit_a = min(limit_a, level)
        elif sink.mode == "resistance":
            self._sink_s = 1.0 / max(level, least_ohm)
        elif self.link_v > 0.0:
            limit_a = min(limit_a, level / self.link_v)  # a real one's power loop lags a little too
        self._sink_limit_a = limit_a

    def settle(self, free_a: float, volt_a: float, mean_a: float, volt_mean_a: float) -> float:
        """The voltage across winding and cable over this step; arguments as `shaft.Settle`. Takes the step's currents.

        Newton's method on a rising function with kinks, kept inside the bracket that the signs have shown so far.
        """
        before_v, per_step_s, bleed_s, brush_v = self.link_v, self._per_step_s, self._bleed_s, self._brush_v
        supply_s, limit_a, source_v, from_v = self._supply_s, self._supply_limit_a, self.source_v, self._sink_from_v
        bare = self._brush.level_v == 0.0 and self.extra_ohm == 0.0
        low_v, high_v = -math.inf, math.inf
        drive_v, drop_v, drop_ohm = self._drive_v, 0.0, 0.0
        for _ in range(_MOST_TRIES):
            if not bare:
                drop_v, drop_ohm = brush_v(free_a + volt_a * drive_v)
            link_v = drive_v + drop_v
            # what supply, sink and diode together take at this link voltage, and how it rises with it
            conducted_a = conductance_s = 0.0
            given_a = (source_v - link_v) * supply_s
            if given_a >= limit_a:
                conducted_a = -limit_a
            elif given_a > 0.0:
                conducted_a = -given_a
                conductance_s = supply_s
            if link_v > from_v or link_v < -_REVERSE_DIODE_V:
                conducted_a, conductance_s = self._beside(link_v, conducted_a, conductance_s)
            excess_a = per_step_s * (link_v - before_v) + bleed_s * link_v + mean_a + volt_mean_a * drive_v
            excess_a += conducted_a
            if excess_a > 0.0:
                high_v = drive_v
            else:
                low_v = drive_v
            slope = (per_step_s + bleed_s + conductance_s) * (1.0 + drop_ohm * volt_a) + volt_mean_a
            change_v = -excess_a / slope
            drive_v += change_v
            if -_TOLERANCE_V < change_v < _TOLERANCE_V:
                break
            if not low_v < drive_v < high_v:
                drive_v = 0.5 * (low_v + high_v)
        self._drive_v = drive_v
        self._take(drive_v, current_a=free_a + volt_a * drive_v, mean_a=mean_a + volt_mean_a * drive_v)
        return drive_v

    def _brush_v(self, current_a: float) -> tuple[float, float]:
        """Voltage beside winding and cable at this current, and how it rises with it: brushes and extra resistance."""
        level_v = self._brush.level_v
        if level_v == 0.0:
            return self.extra_ohm * current_a, self.extra_ohm
        scale_a = self._brush.scale_a
        share = math.tanh(current_a / scale_a)
        return (
            level_v * share + self.extra_ohm * current_a,
            level_v * (1.0 - share * share) / scale_a + self.extra_ohm,
        )

    def _beside(self, link_v: float, conducted_a: float, slope_s: float) -> tuple[float, float]:
        """What the supply takes and how it rises with the voltage, with reverse diode and sink beside it."""
        if link_v < -_REVERSE_DIODE_V:
            conducted_a += (link_v + _REVERSE_DIODE_V) / _REVERSE_DIODE_OHM
            slope_s += 1.0 / _REVERSE_DIODE_OHM
        sink_a = (link_v - self._sink_from_v) * self._sink_s
        if sink_a >= self._sink_limit_a:
            conducted_a += self._sink_limit_a
        elif sink_a > 0.0:
            conducted_a += sink_a
            slope_s += self._sink_s
        return conducted_a, slope_s

    def _take(self, drive_v: float, *, current_a: float, mean_a: float) -> None:
        """Take over the solution. The supply's current follows from the charge, so that the books close exactly."""
        brush_v = self._brush.voltage_v(current_a) if self._brush.level_v else 0.0
        before_v, link_v = self.link_v, drive_v + brush_v + self.extra_ohm * current_a
        bleed_a = self._bleed_s * link_v
        sink_a = 0.0
        if link_v > self._sink_from_v:
            sink_a = min((link_v - self._sink_from_v) * self._sink_s, self._sink_limit_a)
        given_a = self._per_step_s * (link_v - before_v) + bleed_a + mean_a + sink_a
        self.link_v, self.sink_current_a = link_v, sink_a
        self.supply_current_a = given_a if given_a > _LEAST_A else 0.0
        energy, step_s = self._energy, self._step_s
        energy.supply_j += given_a * link_v * step_s
        energy.sink_j += sink_a * link_v * step_s
        energy.bleed_j += bleed_a * link_v * step_s
        energy.brush_j += brush_v * mean_a * step_s

    def empty(self) -> None:
        """Make a link that is as good as discharged exactly empty."""
        self.link_v = self._drive_v = self.supply_current_a = self.sink_current_a = 0.0
