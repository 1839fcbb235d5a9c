"""Evaluate the load test: efficiency, constants, characteristic points, hysteresis. It must never drive a bench.

Efficiency is by direct input-output measurement: shaft torque times speed by the mean voltage times the mean current at
the terminals (a DC supply; ripple power is not in it).
"""

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.dc_machine import RAD_S_PER_RPM, characteristic_points
from benchd.analysis.fits import levels_near, local_line
from benchd.analysis.headline import HEADLINES
from benchd.analysis.joint import VOLTAGE, WINDING, Constants, JointModel
from benchd.analysis.load_quantities import HYSTERESIS, wanted_of_load
from benchd.analysis.monte_carlo import propagate_both
from benchd.analysis.point_results import UNITS, gathered, named
from benchd.analysis.propagation import Addition, Output, coverage_factor
from benchd.analysis.record import Record, RecordedTest
from benchd.analysis.results import TestResults, collect
from benchd.analysis.temperature import COPPER_CONSTANT_DEGC, resistance_at

Floats = NDArray[np.float64]

_AT_RATED = (
    "speed_at_rated_torque",
    "current_at_rated_torque",
    "input_power_at_rated_torque",
    "output_power_at_rated_torque",
    "efficiency_at_rated_torque",
    "friction_torque_at_rated_torque",
)
_CHARACTERISTIC = (
    "stall_torque",
    "stall_current",
    "no_load_speed_extrapolated",
    "no_load_current_extrapolated",
    "maximum_output_power",
    "maximum_efficiency",
    "current_at_maximum_efficiency",
    "speed_at_maximum_efficiency",
    "torque_at_maximum_efficiency",
)
_TABLE = {
    "speed": "speed",
    "torque": "torque",
    "dc_voltage": "voltage",
    "dc_current": "current",
    "input_power": "input_power",
    "shaft_power": "output_power",
    "efficiency": "efficiency",
}
"""Columns of the point table by the names that the propagation gives them."""
_OF_TORQUE = ("torque", "shaft_power", "efficiency")
VOLTAGE_FAR_SHARE = 0.1  # further from rated voltage than this, the rated point is not carried there
_NEEDS_TORQUE = "there is no usable shaft_torque"


class _LoadTest:
    """One load test's points within the joint model, and what can be asked of them."""

    def __init__(self, record: Record, test: RecordedTest, joint: JointModel) -> None:
        self.joint = joint
        table = joint.table
        mine = table.of_test(test.index)
        self.which = np.flatnonzero(mine)
        self.up = np.flatnonzero(mine & table.going("up"))
        self.down = np.flatnonzero(mine & table.going("down"))
        rated_v = record.rated("voltage_v")
        self.voltage_v = float(np.abs(table.mean[VOLTAGE][self.which]).mean()) if rated_v is None else rated_v
        self.voltage_is_rated = rated_v is not None
        self.rated_nm = record.rated("torque_nm")
        self.line = joint.has_torque and self._has_torque_line()
        self.voltage_far = False
        self.near_rated = self._near_rated()
        self.pair = self._widest_gap()
        self.reasons = self._reasons_for_constants() | self._reasons_for_lines() | self._reasons_for_readings()

    def _has_torque_line(self) -> bool:
        torque = np.abs(self._torque(self.joint.load))
        return torque.size >= 3 and float(np.ptp(torque)) > 0.2 * float(torque.max())

    def _torque(self, which: NDArray[np.intp]) -> Floats:
        return np.asarray(self.joint.torque(self.joint.nominal)[0, which], dtype=np.float64)

    def _near_rated(self) -> NDArray[np.intp] | None:
        if not self.joint.has_torque or self.rated_nm is None:
            return None
        near = levels_near(self._torque(self.which), self.rated_nm)
        if near is None:
            return None
        voltages = np.abs(self.joint.table.mean[VOLTAGE][self.which[near]])
        self.voltage_far = bool(np.max(np.abs(voltages - self.voltage_v)) > VOLTAGE_FAR_SHARE * self.voltage_v)
        return None if self.voltage_far else np.asarray(self.which[near])

    def _widest_gap(self) -> tuple[int, NDArray[np.intp]] | None:
        """The point on the way up whose current differs most from the way down, and the points down beside it."""
        if not self.joint.has_torque or self.up.size == 0 or self.down.size < 2:
            return None
        current = self.joint.electrical(self.joint.nominal).i[0]
        widest: tuple[int, NDArray[np.intp]] | None = None
        gap = -1.0
        down_torque = self._torque(self.down)
        for i in self.up.tolist():
            target = float(self._torque(np.array([i]))[0])
            near = levels_near(down_torque, target)
            if near is None:
                continue
            beside = self.down[near]
            there = local_line(self._torque(beside)[None, :], current[None, beside], target)[0]
            if abs(there - current[i]) > gap:
                widest, gap = (i, beside), abs(there - current[i])
        return widest

    def _reasons_for_constants(self) -> dict[str, str]:
        joint, reasons = self.joint, self.joint.no_thermometer()
        if not joint.has_winding:
            reasons["winding_resistance_20"] = reasons[WINDING]
        if not joint.free_r:
            text = "the torque steps do not spread the current enough (factor 1.5 over three points) to show it"
            reasons.update(dict.fromkeys(("winding_resistance", "winding_resistance_20"), text))
        if not joint.free_ub:
            reasons["brush_drop"] = (
                "it shows only where voltage is varied as well (no-load test with voltage steps) and the points "
                "scatter little; it is assumed within bounds in all that depends on it"
            )
        return reasons

    def _reasons_for_lines(self) -> dict[str, str]:
        reasons = {"maximum_efficiency": "the torque line shows no friction"}
        if not self.joint.free_r:
            reasons.update(dict.fromkeys(_CHARACTERISTIC, "the winding resistance is not determined"))
        if not self.line:
            text = "three or more torque steps are needed" if self.joint.has_torque else _NEEDS_TORQUE
            reasons.update(dict.fromkeys(("torque_constant", *_CHARACTERISTIC), text))
        return reasons

    def _reasons_for_readings(self) -> dict[str, str]:
        reasons = {}
        if self.pair is None:
            reasons.update(dict.fromkeys(HYSTERESIS, "torque was not taken both up and down over the same range"))
        if self.near_rated is None:
            if self.rated_nm is None:
                text = "the motor file gives no rated torque_nm"
            elif self.voltage_far:
                text = f"the points about rated torque were not taken near rated voltage ({self.voltage_v:g} V)"
            elif self.joint.has_torque:
                text = f"the settled points do not reach rated torque ({self.rated_nm:g} N·m) on both sides"
            else:
                text = _NEEDS_TORQUE
            reasons.update(dict.fromkeys(_AT_RATED, text))
        return reasons

    # ---- outputs under the errors of x (b, m)

    def outputs(self, x: Floats) -> Mapping[str, Floats]:
        joint = self.joint
        c = joint.constants(x)
        found = {"voltage_constant": c.k, "voltage_constant_per_1000_rpm": c.k * 1000.0 * RAD_S_PER_RPM}
        if joint.free_ub:
            found["brush_drop"] = c.ub
        found |= joint.conditions(x, self.which)
        if joint.free_r:
            found["winding_resistance"] = c.r
            if joint.has_winding:
                at_20 = resistance_at(c.r, from_degc=joint.winding_degc(x), to_degc=20.0)
                found["winding_resistance_20"] = np.asarray(at_20, dtype=np.float64)
        if self.line:
            found |= self._lines(x, c)
        found |= self._points(x)
        if self.near_rated is not None and self.rated_nm is not None:
            found |= self._at_torque(x, c, self.near_rated, self.rated_nm)
        if self.pair is not None:
            found |= self._hysteresis(x, *self.pair)
        return found

    def _lines(self, x: Floats, c: Constants) -> dict[str, Floats]:
        joint = self.joint
        slope, lost = joint.torque_line(x)
        kt, standstill_nm = joint.torque_equation(x, c)
        found = {"torque_constant": kt, "constants_apart": kt - c.k}
        if not joint.free_r:
            return found
        points = characteristic_points(
            voltage_v=self.voltage_v,
            resistance_ohm=c.r,
            constant_vs=c.k,
            brush_drop_v=c.ub,
            torque_per_ampere=slope,
            lost_torque_nm=lost,
        )
        stall_nm = kt * points.stall_current_a - standstill_nm  # of all points, the line is of those near rated load
        named = {
            "stall_torque": stall_nm,
            "stall_current": points.stall_current_a,
            "no_load_speed_extrapolated": points.no_load_speed_rad_s / RAD_S_PER_RPM,
            "no_load_current_extrapolated": points.no_load_current_a,
            "maximum_output_power": points.no_load_speed_rad_s * stall_nm / 4.0,
            "maximum_efficiency": points.maximum_efficiency,
            "current_at_maximum_efficiency": points.current_at_maximum_efficiency_a,
            "speed_at_maximum_efficiency": points.speed_at_maximum_efficiency_rad_s / RAD_S_PER_RPM,
            "torque_at_maximum_efficiency": points.torque_at_maximum_efficiency_nm,
        }
        return found | {name: np.asarray(value, dtype=np.float64) for name, value in named.items()}

    def _viscous(self, x: Floats, c: Constants) -> Floats:
        joint = self.joint
        return joint.friction_line(x, c.k)[1] if joint.has_friction_line else np.zeros_like(c.k)

    def _points(self, x: Floats) -> dict[str, Floats]:
        e = self.joint.electrical(x)
        columns = {"voltage": e.u, "current": e.i, "speed": e.w / RAD_S_PER_RPM, "input_power": e.u * e.i}
        if self.joint.has_torque:
            torque = self.joint.torque(x)
            columns |= {"torque": torque, "output_power": torque * e.w, "efficiency": torque * e.w / (e.u * e.i)}
        columns |= {c: self.joint.inputs.channel(x, c) for c in self.joint.thermometers}
        return {
            named(self.joint.table.asked[i].point, name): values[:, i]
            for i in self.which.tolist()
            for name, values in columns.items()
        }

    def _at_torque(self, x: Floats, c: Constants, near: NDArray[np.intp], torque_nm: float) -> dict[str, Floats]:
        e, torque = self.joint.electrical(x), self.joint.torque(x)[:, near]
        u, i, w = (local_line(torque, column[:, near], torque_nm) for column in (e.u, e.i, e.w))
        u, i, w = self._at_voltage(x, c, u, i, w)
        return {
            "speed_at_rated_torque": w / RAD_S_PER_RPM,
            "current_at_rated_torque": i,
            "input_power_at_rated_torque": u * i,
            "output_power_at_rated_torque": torque_nm * w,
            "efficiency_at_rated_torque": torque_nm * w / (u * i),
            "friction_torque_at_rated_torque": c.k * i - torque_nm,
        }

    def _at_voltage(self, x: Floats, c: Constants, u: Floats, i: Floats, w: Floats) -> tuple[Floats, Floats, Floats]:
        """The state at equal torque, carried along the motor's own equations from the measured to rated voltage."""
        viscous = self._viscous(x, c)
        more_speed = (self.voltage_v - u) / (c.k + c.r * viscous / c.k)
        return np.full_like(u, self.voltage_v), i + viscous / c.k * more_speed, w + more_speed

    def _hysteresis(self, x: Floats, at: int, beside: NDArray[np.intp]) -> dict[str, Floats]:
        e, torque = self.joint.electrical(x), self.joint.torque(x)
        there = torque[:, beside]
        current = local_line(there, e.i[:, beside], torque[:, at]) - e.i[:, at]
        speed = local_line(there, e.w[:, beside], torque[:, at]) - e.w[:, at]
        return {
            "hysteresis_current": current,
            "hysteresis_speed": speed / RAD_S_PER_RPM,
            "hysteresis_at_torque": torque[:, at],
        }

    def additions(self) -> dict[str, list[Addition]]:
        """Half the distance between the branches at rated torque, a rectangular contribution to what is read there."""
        if self.rated_nm is None or self.near_rated is None:
            return {}
        x, branches = self.joint.nominal, []
        c = self.joint.constants(x)
        for direction in (self.up, self.down):
            near = levels_near(self._torque(direction), self.rated_nm)
            if near is None:
                return {}
            branches.append(self._at_torque(x, c, np.asarray(direction[near]), self.rated_nm))
        up, down = branches
        return {
            name: [
                Addition(
                    name="shaft_torque, difference between up and down",
                    standard_uncertainty=0.5 * abs(float(up[name][0] - down[name][0])) / math.sqrt(3.0),
                    distribution="rectangular",
                )
            ]
            for name in up
        }


def evaluate_load(record: Record, test: RecordedTest, joint: JointModel) -> TestResults:
    """Efficiency by point, constants, rated and characteristic points, hysteresis, each with its uncertainty."""
    load = _LoadTest(record, test, joint)
    sources = list(joint.sources)
    if load.line:
        sources += [*joint.torque_line_sources(), *joint.torque_equation_sources()]
    if joint.has_friction_line:
        sources += joint.friction_sources()
    outputs = propagate_both(load.outputs, joint.inputs.nominal, sources, load.additions(), headlines=HEADLINES["load"])
    state = _winding_state(joint)
    wanted = wanted_of_load(joint, load.which, voltage_v=load.voltage_v, winding=state)
    table = {name: known for name, known in _TABLE.items() if joint.has_torque or name not in _OF_TORQUE}
    table |= {c: c for c in joint.thermometers}
    return TestResults(
        kind=test.kind,
        index=test.index,
        quantities=collect(wanted, outputs, load.reasons),
        notes=tuple(_notes(load, outputs)),
        points=gathered([joint.table.asked[i] for i in load.which.tolist()], outputs, table),
        units={name: UNITS[name] for name in table},
    )


def _winding_state(joint: JointModel) -> str:
    if not joint.has_winding:
        return "at the winding's unknown temperature during the test"
    winding_degc = float(joint.winding_degc(joint.nominal)[0])
    return f"with the winding at {winding_degc:.1f} °C (copper, k = {COPPER_CONSTANT_DEGC:g})"


def _notes(load: _LoadTest, outputs: Mapping[str, Output]) -> list[str]:
    notes = []
    if not load.voltage_is_rated:
        notes.append(
            f"The motor file gives no rated voltage_v: the characteristic is stated at the mean voltage "
            f"of the points, {load.voltage_v:.4g} V."
        )
    apart, k = outputs.get("constants_apart"), outputs["voltage_constant"]
    if apart is not None:
        limit = coverage_factor(apart.degrees_of_freedom) * apart.standard_uncertainty
        share, bound = 100.0 * apart.value / k.value, 100.0 * limit / k.value
        verdict = (
            "they agree"
            if abs(apart.value) <= limit
            else "they disagree, look at the calibrations of torque, current, voltage and speed"
        )
        notes.append(
            f"Torque constant and voltage constant, in SI units one number, differ by {abs(share):.2f} % where their "
            f"uncertainties allow {bound:.2f} %: {verdict}."
        )
    for i in load.which.tolist():
        number = load.joint.table.asked[i].point
        efficiency = outputs.get(named(number, "efficiency"))
        if efficiency is not None and efficiency.value >= 1.0:
            notes.append(
                f"Point {number} gives more power than it takes: look at the signs and scales of the channels."
            )
    return notes
