"""Evaluate the back-EMF test: voltage constant, torque constant, flux and drag of a driven machine without current.

It must never use a loaded point. The converter modulates to zero current, so that the fundamental line voltage is the
machine's own; in a sine-fed machine T = √3·Ke·I with Ke in V·s/rad line to line (rms) and I in A (rms).
"""

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.brushless_no_load import without_efficiencies
from benchd.analysis.curves import distinct_levels
from benchd.analysis.dc_machine import RAD_S_PER_RPM
from benchd.analysis.direct import FUNDAMENTAL, MOTOR_CURRENT, TEMPERATURES, DirectPoints
from benchd.analysis.fits import least_squares
from benchd.analysis.headline import HEADLINES
from benchd.analysis.joint import excess_scatter
from benchd.analysis.monte_carlo import propagate_both
from benchd.analysis.plausibility import plausibility_notes
from benchd.analysis.point_results import UNITS, gathered, spread
from benchd.analysis.propagation import Output, Source
from benchd.analysis.record import Record, RecordedTest
from benchd.analysis.results import TestResults, Wanted, collect
from benchd.analysis.torque import SPEED

Floats = NDArray[np.float64]

VOLTAGE_LINE, DRAG_LINE = "voltage over speed", "drag over speed"
RPM_PER_KRPM = 1000.0
CURRENT_SHARE = 0.05  # of the rated phase current: with more the voltage is not the machine's own
SHEET_SHARE = 0.1  # away from the data sheet
NOT_HERE = ("input_power", "losses", "converter_efficiency", "converter_losses", "power_factor", "shaft_power")
DRAG = ("drag_torque_coulomb", "drag_coefficient_viscous")


class _BackEmf:
    """The points that have speed and fundamental voltage."""

    def __init__(self, record: Record, test: RecordedTest) -> None:
        self.points = DirectPoints(record, test, models=(VOLTAGE_LINE, DRAG_LINE))
        self.record = record
        table = self.points.table
        self.which = (
            np.flatnonzero(table.complete([FUNDAMENTAL])) if FUNDAMENTAL in table.mean else np.zeros(0, np.intp)
        )
        self.dragged = np.flatnonzero(self.points.shaft.usable)
        speeds = np.abs(table.mean[SPEED]) if SPEED in table.mean else np.zeros(0)
        self.has_drag_line = distinct_levels(speeds[self.dragged]) >= 3
        pairs = record.motor.get("pole_pairs")
        self.pole_pairs = pairs if isinstance(pairs, int) and not isinstance(pairs, bool) and pairs > 0 else None
        self.rated_rpm = record.rated("speed_rpm")
        self.names = [n for n in self.columns(self.points.nominal) if n != "drag_torque"] if table.size else []
        if "torque" in self.names:
            self.names.append("drag_torque")

    def columns(self, x: Floats) -> dict[str, Floats]:
        columns = {n: v for n, v in without_efficiencies(self.points.columns(x)).items() if n not in NOT_HERE}
        if "torque" in columns:
            columns["drag_torque"] = -columns["torque"]
        return columns

    def constant(self, x: Floats, columns: Mapping[str, Floats]) -> Floats:
        """Ke (b,) in V·s/rad line to line, rms: the line through the origin."""
        omega = columns["speed"][:, self.which] * RAD_S_PER_RPM
        volts = columns[FUNDAMENTAL][:, self.which] + self.points.inputs.deviation(x, VOLTAGE_LINE)[:, self.which]
        return np.asarray((omega * volts).sum(axis=1) / (omega * omega).sum(axis=1))

    def drag_line(self, x: Floats, columns: Mapping[str, Floats]) -> tuple[Floats, Floats]:
        """(N·m, N·m·s/rad), each (b,), of drag over speed."""
        omega = columns["speed"][:, self.dragged] * RAD_S_PER_RPM
        drag = columns["drag_torque"][:, self.dragged] + self.points.inputs.deviation(x, DRAG_LINE)[:, self.dragged]
        fit = least_squares(np.stack([np.ones_like(omega), omega], axis=-1), drag)
        return fit[:, 0], fit[:, 1]

    def outputs(self, x: Floats) -> Mapping[str, Floats]:
        columns = self.columns(x)
        table = self.points.table
        found = spread(table.asked, columns, range(table.size))
        found |= {c: columns[c].mean(axis=1) for c in TEMPERATURES if c in columns and table.complete([c]).all()}
        if self.which.size:
            ke = self.constant(x, columns)
            found["voltage_constant"] = ke * RPM_PER_KRPM * RAD_S_PER_RPM
            found["voltage_constant_si"] = ke
            found["torque_constant"] = math.sqrt(3.0) * ke
            if self.pole_pairs is not None:
                found["flux_linkage"] = ke * math.sqrt(2.0 / 3.0) / self.pole_pairs
        if self.has_drag_line:
            coulomb, viscous = self.drag_line(x, columns)
            found |= dict(zip(DRAG, (coulomb, viscous), strict=True))
            if self.rated_rpm is not None:
                found["drag_torque_at_rated_speed"] = coulomb + viscous * self.rated_rpm * RAD_S_PER_RPM
        return found

    def sources(self) -> list[Source]:
        """Those of the points, and how far they lie off their lines beyond their own doubts."""
        points, inputs = self.points, self.points.inputs
        x, sources = points.nominal, list(points.sources)
        columns = self.columns(x)
        if self.which.size > 1:
            omega = columns["speed"][0, self.which] * RAD_S_PER_RPM
            ke = float(self.constant(x, columns)[0])
            left = columns[FUNDAMENTAL][0, self.which] - ke * omega
            own = inputs.independent[FUNDAMENTAL] ** 2 + (ke * RAD_S_PER_RPM * inputs.independent[SPEED]) ** 2
            size, degrees = excess_scatter(left, omega, 1, own[self.which])
            # every point's error counts by its speed, as in the line through the origin
            sources += self._off(
                VOLTAGE_LINE, f"{FUNDAMENTAL}, deviation from its line over speed", self.which, size, degrees
            )
        if self.has_drag_line:
            coulomb, viscous = self.drag_line(x, columns)
            omega = columns["speed"][0, self.dragged] * RAD_S_PER_RPM
            left = columns["drag_torque"][0, self.dragged] - coulomb[0] - viscous[0] * omega
            own = points.shaft.independent(inputs)[self.dragged] ** 2
            size, degrees = excess_scatter(left, omega, 2, own)
            sources += self._off(DRAG_LINE, "shaft_torque, deviation from the drag's line", self.dragged, size, degrees)
        return sources

    def _off(self, model: str, name: str, which: NDArray[np.intp], size: float, degrees: float) -> list[Source]:
        sizes = np.zeros(self.points.table.size)
        sizes[which] = size
        return self.points.inputs.model_sources(model, name, sizes, degrees)

    def notes(self, outputs: Mapping[str, Output]) -> list[str]:
        """What contradicts the test's own terms or the motor file."""
        notes = []
        table, rated_a = self.points.table, self.record.rated("phase_current_a")
        if (
            rated_a
            and MOTOR_CURRENT in table.mean
            and np.nanmax(table.mean[MOTOR_CURRENT], initial=0.0) > CURRENT_SHARE * rated_a
        ):
            notes.append(
                f"Up to {np.nanmax(table.mean[MOTOR_CURRENT]):.3g} A flowed in the phases: the converter did not bring "
                "the current to zero, and the voltage is not the machine's own alone."
            )
        sheet, found = self.record.data_sheet("voltage_constant_v_per_krpm"), outputs.get("voltage_constant")
        if sheet and found is not None and abs(found.value / sheet - 1.0) > SHEET_SHARE:
            notes.append(
                f"The voltage constant is {found.value:.4g} V per 1000 r/min where the data sheet says {sheet:.4g}: an "
                "open or shorted phase, a demagnetised rotor, a lead of the analyser that is off, or a sheet in other "
                "units (peak, or phase to star) are the likely suspects."
            )
        if self.which.size == 1:
            notes.append("One speed alone cannot show whether the voltage follows a line through the origin.")
        return notes


def evaluate_back_emf(record: Record, test: RecordedTest) -> TestResults:
    """Voltage constant (line to line, rms), torque constant, flux linkage, and what the specimen drags."""
    emf = _BackEmf(record, test)
    points = emf.points
    outputs = (
        propagate_both(emf.outputs, points.inputs.nominal, emf.sources(), headlines=HEADLINES["back_emf"])
        if emf.names
        else {}
    )
    return TestResults(
        kind=test.kind,
        index=test.index,
        quantities=collect(_wanted(), outputs, _reasons(emf)),
        notes=(*plausibility_notes(points, outputs), *emf.notes(outputs)),
        points=gathered(points.table.asked, outputs, emf.names),
        units={name: UNITS[name] for name in emf.names},
    )


def _reasons(emf: _BackEmf) -> dict[str, str]:
    voltage = emf.points.why_missing("speed", FUNDAMENTAL) or "no settled point has a usable voltage and speed"
    torque = emf.points.why_missing("torque") or "drag over speed needs three speeds that differ"
    reasons = dict.fromkeys(("voltage_constant", "voltage_constant_si", "torque_constant", "flux_linkage"), voltage)
    if emf.which.size:
        reasons["flux_linkage"] = "the motor file gives no pole_pairs"
    reasons |= dict.fromkeys((*DRAG, "drag_torque_at_rated_speed"), torque)
    if emf.has_drag_line:
        reasons["drag_torque_at_rated_speed"] = "the motor file gives no rated speed_rpm"
    return reasons | {c: f"there is no usable {c} at every point" for c in TEMPERATURES}


def _wanted() -> list[Wanted]:
    ke = "Ke = Σ(ω·U)/Σ(ω²), the line through the origin of motor_voltage_fundamental over shaft_speed"
    drag = "-shaft_torque over speed, the line Td = T0 + b·ω through the points"
    return [
        Wanted(name="voltage_constant", unit="V/(1000 r/min)", how=f"{ke}, times 1000·π/30: line to line, rms."),
        Wanted(name="voltage_constant_si", unit="V·s/rad", how=f"{ke}: line to line, rms."),
        Wanted(name="torque_constant", unit="N·m/A", how=f"Kt = √3·Ke, torque by phase current (rms), with {ke}."),
        Wanted(name="flux_linkage", unit="V·s", how=f"ψ = Ke·√(2/3)/p, peak of a phase, p pole pairs, with {ke}."),
        Wanted(
            name="drag_torque_at_rated_speed",
            unit="N·m",
            how=f"What the driven specimen brakes, {drag}, at rated speed.",
        ),
        Wanted(name="drag_torque_coulomb", unit="N·m", how=f"What the driven specimen brakes, {drag}: T0."),
        Wanted(name="drag_coefficient_viscous", unit="N·m·s/rad", how=f"What the driven specimen brakes, {drag}: b."),
        *(Wanted(name=c, unit="°C", how=f"Mean of {c} over the test's points.") for c in TEMPERATURES),
    ]
