"""Where a machine's power goes. Pure arithmetic on powers; it must never see a record.

Losses of a specimen on this bench are the rest between input and shaft, with the winding's part taken out; a line-fed
induction machine's are segregated after IEC 60034-2-1, with the additional load loss from the residual regression.
BLDC and PMSM on converters are judged by direct input and output (IEC 60034-2-3); the regression refuses them as it
refuses every residual that does not follow torque squared.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.fits import straight_line

Floats = NDArray[np.float64]
Number = float | Floats

LEAST_CORRELATION = 0.95  # IEC 60034-2-1: below it the measurement is to be repeated (value from memory)


@dataclass(frozen=True, slots=True, kw_only=True)
class WindingAndRest:
    """Losses W of a directly measured machine: in the winding, in sliding contacts, and all else (iron, friction)."""

    winding_w: Number
    contacts_w: Number
    rest_w: Number
    converted_w: Number  # input less winding and contacts: what the air gap turns into torque times speed
    efficiency: Number


def brushed_losses(
    *, voltage_v: Number, current_a: Number, resistance_ohm: Number, shaft_w: Number, brush_drop_v: Number = 0.0
) -> WindingAndRest:
    """The losses of a DC machine with brushes, motoring or generating (powers positive while it motors)."""
    input_w = voltage_v * current_a
    winding_w = resistance_ohm * current_a * current_a
    contacts_w = brush_drop_v * np.abs(current_a)
    return _rest(input_w, winding_w, contacts_w, shaft_w)


def winding_loss_w(*, current_a: Number, terminal_ohm: Number) -> Number:
    """The copper loss of a three-phase winding, star or delta: 1.5·R·I², R between two terminals, I rms of a lead."""
    return 1.5 * terminal_ohm * current_a * current_a


def three_phase_losses(*, input_w: Number, current_a: Number, terminal_ohm: Number, shaft_w: Number) -> WindingAndRest:
    """The losses of a brushless machine at its terminals (powers positive while it motors)."""
    return _rest(input_w, winding_loss_w(current_a=current_a, terminal_ohm=terminal_ohm), 0.0, shaft_w)


def _rest(input_w: Number, winding_w: Number, contacts_w: Number, shaft_w: Number) -> WindingAndRest:
    converted_w = input_w - winding_w - contacts_w
    motoring = np.asarray(input_w) > 0.0
    with np.errstate(divide="ignore", invalid="ignore"):
        efficiency = np.where(motoring, np.divide(shaft_w, input_w), np.divide(input_w, shaft_w))
    return WindingAndRest(
        winding_w=winding_w,
        contacts_w=contacts_w,
        rest_w=converted_w - shaft_w,
        converted_w=converted_w,
        efficiency=float(efficiency) if efficiency.ndim == 0 else efficiency,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SegregatedLosses:
    """Losses of a line-fed induction machine, W, with their sum, the shaft power and the efficiency they leave."""

    stator_w: Number
    core_w: Number
    rotor_w: Number
    additional_w: Number
    friction_w: Number
    sum_w: Number
    output_w: Number
    efficiency: Number


def segregated_losses(
    *, input_w: Number, stator_w: Number, core_w: Number, slip: Number, additional_w: Number, friction_w: Number
) -> SegregatedLosses:
    """Summation of losses (IEC 60034-2-1, 6.1.3): the rotor takes slip times what crosses the air gap."""
    rotor_w = slip * (input_w - stator_w - core_w)
    sum_w = stator_w + core_w + rotor_w + additional_w + friction_w
    output_w = input_w - sum_w
    return SegregatedLosses(
        stator_w=stator_w,
        core_w=core_w,
        rotor_w=rotor_w,
        additional_w=additional_w,
        friction_w=friction_w,
        sum_w=sum_w,
        output_w=output_w,
        efficiency=output_w / input_w,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ResidualLine:
    """Residual loss = `slope`·T² + `intercept`, W over (N·m)², with its correlation coefficient `gamma`.

    `accepted`, or the sentence in `complaint`: then the slope must not be used.
    """

    slope: float
    slope_uncertainty: float
    intercept: float
    gamma: float
    complaint: str = ""

    @property
    def accepted(self) -> bool:
        """Whether the additional load loss may be taken from the slope."""
        return not self.complaint

    def additional_w(self, torque_nm: Number) -> Number:
        """The additional load loss at a torque, slope·T². Raises `ValueError` where the line was refused."""
        if self.complaint:
            raise ValueError(self.complaint)
        return self.slope * torque_nm * torque_nm


def residual_line(torque_nm: Floats, residual_w: Floats) -> ResidualLine:
    """The residual-loss regression of IEC 60034-2-1 over n > 2 points: refused below a correlation of 0.95.

    A falling line is refused as well: an additional loss that gets less with load is none.
    """
    square = torque_nm * torque_nm
    line = straight_line(square, residual_w)
    # for a line through points the correlation coefficient follows from the slope and the spreads
    spread = float(np.std(residual_w))
    gamma = line.slope * float(np.std(square)) / spread if spread > 0.0 else math.nan
    complaint = ""
    if not gamma >= LEAST_CORRELATION:
        complaint = (
            f"the residual loss follows torque squared with a correlation of only {gamma:.3f}, {LEAST_CORRELATION:g} "
            "is needed: measure again, or determine the efficiency directly"
        )
    return ResidualLine(
        slope=line.slope,
        slope_uncertainty=line.slope_uncertainty,
        intercept=line.intercept,
        gamma=gamma,
        complaint=complaint,
    )
