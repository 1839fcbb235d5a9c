"""The motor's constants from all settled points of a run together. It must never write a report.

U = K·ω + R·I + Ub: the no-load test's voltage steps separate K from the brush drop, the load test's torque steps bring
out R. T = Kt·I - friction: the no-load test's speeds separate the friction that grows with speed from the torque
constant. Whatever a run lacks for one of them is assumed within bounds that the uncertainty carries.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.averages import effective_number
from benchd.analysis.dc_machine import RAD_S_PER_RPM
from benchd.analysis.fits import least_squares
from benchd.analysis.inputs import Inputs, Scalar
from benchd.analysis.points import PointTable
from benchd.analysis.propagation import Output, Source, propagate
from benchd.analysis.record import Record
from benchd.analysis.temperature import COPPER_CONSTANT_DEGC, resistance_at
from benchd.analysis.torque import ACCELERATION, SPEED, ShaftTorque

Floats = NDArray[np.float64]

VOLTAGE, CURRENT = "dc_voltage", "dc_current"
WINDING, HOUSING, AMBIENT = "winding_temperature", "housing_temperature", "ambient_temperature"
TEMPERATURES = (WINDING, HOUSING, AMBIENT)
ELECTRICAL = (VOLTAGE, CURRENT, SPEED)
VOLTAGE_MODEL, TORQUE_MODEL = "voltage equation", "torque equation"
FRICTION_LINE, TORQUE_LINE = "friction line", "torque line"
MODELS = (VOLTAGE_MODEL, TORQUE_MODEL, FRICTION_LINE, TORQUE_LINE, ACCELERATION)

VOLTAGE_RATIO_NEEDED = 1.3  # greatest by least voltage, for the brush drop to show
CURRENT_RATIO_NEEDED = 1.5  # greatest by least current, for the resistance to show
BRUSH_DROP_LIMIT_SHARE = 0.02  # of the voltage: with more doubt than this the brush drop counts as not determined
BRUSH_DROP_BOUND_V = 2.0  # two sliding contacts of about a volt each (common practice)
BRUSH_DROP_BOUND_SHARE = 0.1
SHEET_RESISTANCE_HALF_WIDTH_SHARE = 0.2
BRUSH_WARMING = Scalar(
    name="brush_warming",
    value=0.0,
    standard_uncertainty=0.002 / math.sqrt(3.0),  # of the drop a kelvin (common practice)
    distribution="rectangular",
    source="brush drop's change with temperature, assumed within 0.2 % a kelvin",
)
VISCOUS_SHARE = Scalar(
    name="viscous_share",
    value=0.5,
    standard_uncertainty=0.5 / math.sqrt(3.0),
    distribution="rectangular",
    source="friction, assumed between constant and proportional to speed",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Constants:
    """K in V·s/rad, R in Ω at the reference winding temperature, Ub in V; each (b,)."""

    k: Floats
    r: Floats
    ub: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Electrical:
    """Voltage V, current A, speed rad/s of n points, positive in the direction the motor turned; each (b, n)."""

    u: Floats
    i: Floats
    w: Floats


def excess_scatter(residuals: Floats, order: Floats, parameters: int, known_variance: Floats) -> tuple[float, float]:
    """(standard deviation a point, degrees of freedom) of a model's imperfection beyond what the points explain.

    `residuals`, `order` and `known_variance` are (n,); `order` is what the points are sorted by to see whether
    residuals follow each other (a bent curve), in which case they count by their effective number.
    """
    n = residuals.size
    if n <= parameters:
        return 0.0, math.inf
    observed = float(residuals @ residuals) / (n - parameters)
    excess = observed - float(known_variance.mean())
    if excess <= 0.0:
        return 0.0, math.inf
    inflation = n / effective_number(residuals[np.argsort(order, kind="stable")])
    return math.sqrt(excess * inflation), float(n - parameters)


class JointModel:
    """All usable points of a run's no-load and load tests, and the constants that they share."""

    def __init__(
        self, *, record: Record, table: PointTable, scalars: Sequence[Scalar], free_r: bool, free_ub: bool
    ) -> None:
        self.record = record
        self.table = table
        self.free_r, self.free_ub = free_r, free_ub
        self.shaft = ShaftTorque(record, table)
        self.has_torque = bool(self.shaft.usable.all())
        self.thermometers = tuple(c for c in TEMPERATURES if bool(table.complete([c]).all()))
        self.has_winding = WINDING in self.thermometers
        channels = [*ELECTRICAL, *self.shaft.channels, *self.thermometers]
        scalars = [*scalars, *self.shaft.scalars, *([BRUSH_WARMING] if self.has_winding else [])]
        self.inputs = Inputs(record=record, table=table, channels=channels, models=MODELS, scalars=scalars)
        self.no_load = np.flatnonzero(table.of_kind("no_load"))
        self.load = np.flatnonzero(table.of_kind("load"))
        self._electric_sign = np.sign(table.mean[VOLTAGE])
        self._shaft_sign = np.sign(table.mean[SPEED])
        self.held_speed = bool(self.load.size) and all("speed_rpm" in table.asked[i].asked for i in self.load)
        self.sources: list[Source] = [
            *self.inputs.sources,
            *self.shaft.sources(self.inputs),
            *self._voltage_model_sources(),
        ]

    # ---- the points under the errors of `x` (b, m)

    def electrical(self, x: Floats) -> Electrical:
        """Voltage, current and speed of all points."""
        return Electrical(
            u=self._electric_sign * self.inputs.channel(x, VOLTAGE),
            i=self._electric_sign * self.inputs.channel(x, CURRENT),
            w=self._shaft_sign * self.inputs.channel(x, SPEED) * RAD_S_PER_RPM,
        )

    def torque(self, x: Floats) -> Floats:
        """Shaft torque of all points, N·m (b, n), positive when the specimen drives."""
        return self._shaft_sign * self.shaft.at(self.inputs, x)

    def winding_degc(self, x: Floats) -> Floats:
        """The winding's mean temperature (b,) over the load points (without any: over all), the reference of R."""
        which = self.load if self.load.size else np.arange(self.table.size)
        return np.asarray(self.inputs.channel(x, WINDING)[:, which].mean(axis=1))

    def conditions(self, x: Floats, which: NDArray[np.intp]) -> dict[str, Floats]:
        """The temperatures at some of the points, °C, each (b,)."""
        return {c: np.asarray(self.inputs.channel(x, c)[:, which].mean(axis=1)) for c in self.thermometers}

    def no_thermometer(self) -> dict[str, str]:
        """Reasons for the temperatures that the run does not have."""
        return {c: f"there is no usable {c} at every point" for c in TEMPERATURES if c not in self.thermometers}

    def resistance_at_points(self, x: Floats, which: NDArray[np.intp], r: Floats) -> Floats:
        """The resistance r (b,) carried from the reference to the winding's mean temperature at some of the points."""
        if not self.has_winding:
            return r
        there = self.inputs.channel(x, WINDING)[:, which].mean(axis=1)
        return np.asarray(resistance_at(r, from_degc=self.winding_degc(x), to_degc=there), dtype=np.float64)

    @property
    def nominal(self) -> Floats:
        """The measured points without any error, as a batch of one (1, m)."""
        return self.inputs.nominal[None, :]

    # ---- the equations

    def constants(self, x: Floats) -> Constants:
        """K, R and Ub by least squares over all points; what is not free is taken from its scalar."""
        e = self.electrical(x)
        heated = self._heated_current(x, e)
        brushes = self._warmed_brushes(x, e)
        columns, y = [e.w], e.u + self.inputs.deviation(x, VOLTAGE_MODEL)
        if self.free_r:
            columns.append(heated)
        else:
            y = y - self.inputs.scalar(x, "resistance")[:, None] * heated
        if self.free_ub:
            columns.append(brushes)
        else:
            y = y - self.inputs.scalar(x, "brush_drop")[:, None] * brushes
        solution = least_squares(np.stack(columns, axis=-1), y)
        return Constants(
            k=solution[:, 0],
            r=solution[:, 1] if self.free_r else self.inputs.scalar(x, "resistance"),
            ub=solution[:, -1] if self.free_ub else self.inputs.scalar(x, "brush_drop"),
        )

    def _heated_current(self, x: Floats, e: Electrical) -> Floats:
        """Current times the winding's resistance at each point by that at the reference temperature."""
        if not self.has_winding:
            return e.i
        theta = COPPER_CONSTANT_DEGC + self.inputs.channel(x, WINDING)
        reference = COPPER_CONSTANT_DEGC + self.winding_degc(x)
        return np.asarray(e.i * theta / reference[:, None])

    def _warmed_brushes(self, x: Floats, e: Electrical) -> Floats:
        """The brush drop at each point by that at the reference temperature; they warm with the winding beside them."""
        if not self.has_winding:
            return np.ones_like(e.u)
        above = self.inputs.channel(x, WINDING) - self.winding_degc(x)[:, None]
        return np.asarray(1.0 + self.inputs.scalar(x, BRUSH_WARMING.name)[:, None] * above)

    def friction_nm(self, x: Floats, k: Floats) -> Floats:
        """The specimen's own friction (and iron-loss) torque K·I - T at all points, N·m (b, n)."""
        return np.asarray(k[:, None] * self.electrical(x).i - self.torque(x))

    def friction_line(self, x: Floats, k: Floats) -> tuple[Floats, Floats]:
        """(Coulomb N·m, viscous N·m·s/rad), each (b,), over the no-load points."""
        w = self.electrical(x).w[:, self.no_load]
        y = (self.friction_nm(x, k) + self.inputs.deviation(x, FRICTION_LINE))[:, self.no_load]
        solution = least_squares(np.stack([np.ones_like(w), w], axis=-1), y)
        return solution[:, 0], solution[:, 1]

    def torque_line(self, x: Floats) -> tuple[Floats, Floats]:
        """(N·m/A, N·m), each (b,): shaft torque = first · current - second, over the load points."""
        i = self.electrical(x).i[:, self.load]
        y = (self.torque(x) + self.inputs.deviation(x, TORQUE_LINE))[:, self.load]
        solution = least_squares(np.stack([i, -np.ones_like(i)], axis=-1), y)
        return solution[:, 0], solution[:, 1]

    def torque_equation(self, x: Floats, c: Constants) -> tuple[Floats, Floats]:
        """(torque constant N·m/A, friction at standstill N·m), each (b,): shaft torque = Kt·I - (T0 + b·ω + c·ω²).

        Friction falls as the load slows the shaft down, so shaft torque rises by more than Kt an ampere. Without
        no-load points that show by how much, the friction's share that is proportional to speed is the scalar's.
        """
        if not self.has_friction_line:
            slope, lost = self.torque_line(x)
            if self.held_speed:  # friction is the same at all of them
                return slope, lost
            viscous_nm = self.inputs.scalar(x, "viscous_share") * lost
            ideal_speed = (np.abs(self.electrical(x).u[:, self.load]).mean(axis=1) - c.ub) / c.k
            return slope - viscous_nm / ideal_speed * c.r / c.k, lost - viscous_nm
        columns = self._torque_columns(self.electrical(x))
        solution = least_squares(columns, self.torque(x) + self.inputs.deviation(x, TORQUE_MODEL))
        return solution[:, 0], solution[:, 1]

    @staticmethod
    def _torque_columns(e: Electrical) -> Floats:
        return np.stack([e.i, -np.ones_like(e.w), -e.w, -(e.w**2)], axis=-1)

    @property
    def has_friction_line(self) -> bool:
        """Whether the no-load points tell Coulomb from viscous friction."""
        speeds = np.abs(self.table.mean[SPEED][self.no_load])
        return self.has_torque and speeds.size >= 3 and float(speeds.max()) > 1.3 * float(speeds.min())

    # ---- how far the points deviate from the equations

    def _spread(self, model: str, name: str, which: NDArray[np.intp], size: float, degrees: float) -> list[Source]:
        sizes = np.zeros(self.table.size)
        sizes[which] = size
        return self.inputs.model_sources(model, name, sizes, degrees)

    def _voltage_model_sources(self) -> list[Source]:
        x = self.nominal
        c, e = self.constants(x), self.electrical(x)
        residual = (e.u - c.k[:, None] * e.w - c.r[:, None] * self._heated_current(x, e) - c.ub[:, None])[0]
        known = (
            self.inputs.independent[VOLTAGE] ** 2
            + (c.k[0] * RAD_S_PER_RPM * self.inputs.independent[SPEED]) ** 2
            + (c.r[0] * self.inputs.independent[CURRENT]) ** 2
        )
        size, degrees = excess_scatter(residual, e.i[0], 1 + self.free_r + self.free_ub, known)
        every = np.arange(self.table.size)
        return self._spread(VOLTAGE_MODEL, "dc_voltage, deviation from the voltage equation", every, size, degrees)

    def friction_sources(self) -> list[Source]:
        """Sources for the scatter of the no-load points about the friction line."""
        x, n = self.nominal, self.no_load
        k = self.constants(x).k
        coulomb, viscous = self.friction_line(x, k)
        w = self.electrical(x).w[0, n]
        residual = self.friction_nm(x, k)[0, n] - coulomb[0] - viscous[0] * w
        known = ((k[0] * self.inputs.independent[CURRENT]) ** 2 + self.shaft.independent(self.inputs) ** 2)[n]
        size, degrees = excess_scatter(residual, w, 2, known)
        return self._spread(FRICTION_LINE, "shaft_torque, deviation from the friction line", n, size, degrees)

    def friction_bend_nm(self) -> float:
        """How far a parabola through the no-load points puts friction at standstill from where the line puts it, N·m.

        Only what the points' own doubts do not explain: a line through bent friction meets standstill in the wrong
        place however many points there are.
        """
        x, n = self.nominal, self.no_load
        k = self.constants(x).k
        w = self.electrical(x).w[0, n]
        own = ((k[0] * self.inputs.independent[CURRENT]) ** 2 + self.shaft.independent(self.inputs) ** 2)[n]
        scaled = w / np.abs(w).max()
        bent, straight = (np.linalg.pinv(np.vander(scaled, order, increasing=True))[0] for order in (3, 2))
        apart = bent - straight
        return math.sqrt(max(0.0, float((apart @ self.friction_nm(x, k)[0, n]) ** 2 - (apart**2) @ own)))

    def torque_line_sources(self) -> list[Source]:
        """Sources for the scatter of the load points about the torque line."""
        x, n = self.nominal, self.load
        slope, lost = self.torque_line(x)
        i = self.electrical(x).i[0, n]
        residual = self.torque(x)[0, n] - slope[0] * i + lost[0]
        known = ((slope[0] * self.inputs.independent[CURRENT]) ** 2 + self.shaft.independent(self.inputs) ** 2)[n]
        size, degrees = excess_scatter(residual, i, 2, known)
        return self._spread(TORQUE_LINE, "shaft_torque, deviation from the torque line", n, size, degrees)

    def torque_equation_sources(self) -> list[Source]:
        """Sources for the scatter of all points about the torque equation; none where friction is assumed."""
        if not self.has_friction_line:
            return []
        x = self.nominal
        e, torque = self.electrical(x), self.torque(x)
        columns = self._torque_columns(e)
        solution = least_squares(columns, torque)
        residual = torque[0] - columns[0] @ solution[0]
        known = (solution[0, 0] * self.inputs.independent[CURRENT]) ** 2 + self.shaft.independent(self.inputs) ** 2
        size, degrees = excess_scatter(residual, e.i[0], columns.shape[-1], known)
        every = np.arange(self.table.size)
        return self._spread(TORQUE_MODEL, "shaft_torque, deviation from the torque equation", every, size, degrees)

    def outputs_of_constants(self) -> dict[str, Output]:
        """K, R, Ub with their uncertainties, by "k", "r", "ub"."""
        return propagate(lambda x: vars_of(self.constants(x)), self.inputs.nominal, self.sources)


def vars_of(constants: Constants) -> dict[str, Floats]:
    """The constants as named outputs."""
    return {"k": constants.k, "r": constants.r, "ub": constants.ub}


def joint_model(record: Record, table: PointTable) -> JointModel | str:
    """The joint model of these points, or the sentence that says why there is none."""
    if table.size == 0:
        return "no settled point has usable voltage, current and speed"
    if not bool(np.all(np.abs(table.mean[SPEED]) > 0.0)):
        return "the shaft stood still at one of the points"
    current = np.abs(table.mean[CURRENT])
    voltage = np.abs(table.mean[VOLTAGE])
    free_r = bool(table.of_kind("load").sum() >= 3 and current.max() > CURRENT_RATIO_NEEDED * current.min())
    steps = bool(table.size >= 4 and voltage.max() > VOLTAGE_RATIO_NEEDED * voltage.min())
    scalars: list[Scalar] = [VISCOUS_SHARE]
    if not free_r:
        resistance = _assumed_resistance(record)
        if resistance is None:
            return (
                "without torque steps the winding resistance stays unknown, and the motor file gives neither a data "
                "sheet resistance_ohm nor rated voltage and current: run a load test or complete the motor file"
            )
        scalars.append(resistance)
    if steps:
        joint = JointModel(record=record, table=table, scalars=scalars, free_r=free_r, free_ub=True)
        doubt = joint.outputs_of_constants()["ub"].standard_uncertainty
        if doubt <= 0.5 * BRUSH_DROP_LIMIT_SHARE * float(voltage.max()):
            return joint
    scalars.append(_assumed_brush_drop(float(voltage.max())))
    return JointModel(record=record, table=table, scalars=scalars, free_r=free_r, free_ub=False)


def _assumed_brush_drop(voltage_v: float) -> Scalar:
    half = 0.5 * min(BRUSH_DROP_BOUND_V, BRUSH_DROP_BOUND_SHARE * voltage_v)
    return Scalar(
        name="brush_drop",
        value=half,
        standard_uncertainty=half / math.sqrt(3.0),
        distribution="rectangular",
        source=f"brush drop, assumed between 0 and {2.0 * half:.3g} V",
    )


def _assumed_resistance(record: Record) -> Scalar | None:
    sheet = record.data_sheet("resistance_ohm")
    if sheet is not None and sheet > 0.0:
        return Scalar(
            name="resistance",
            value=sheet,
            standard_uncertainty=sheet * SHEET_RESISTANCE_HALF_WIDTH_SHARE / math.sqrt(3.0),
            distribution="rectangular",
            source="winding resistance, assumed within 20 % of the data sheet",
        )
    voltage, current = record.rated("voltage_v"), record.rated("current_a")
    if voltage is None or current is None or current <= 0.0:
        return None
    half = 0.25 * voltage / current  # more than half of the power lost in the winding would be no motor
    return Scalar(
        name="resistance",
        value=half,
        standard_uncertainty=half / math.sqrt(3.0),
        distribution="rectangular",
        source="winding resistance, assumed below half of rated voltage by current",
    )
