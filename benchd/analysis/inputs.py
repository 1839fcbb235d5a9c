"""Everything that may be wrong with a table of points, as one flat vector. It must never evaluate.

For each channel a gain error, an offset error and one deviation a point; beside them scalars (an assumed value) and
per-point deviations of a model. A gain error is one number for all points of a run, so its effect on different
quantities and points is correlated as it is in reality.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.points import PointTable
from benchd.analysis.propagation import Distribution, Source
from benchd.analysis.record import Record
from benchd.rules.channels import Calibration

Floats = NDArray[np.float64]

THERMOMETER_HALF_WIDTH_K = 2.0  # assumed for a thermometer without a calibration; common practice for workshop sensors


@dataclass(frozen=True, slots=True, kw_only=True)
class Scalar:
    """A number that the data do not give: assumed or taken from the rating plate, with its standard uncertainty."""

    name: str
    value: float
    standard_uncertainty: float
    source: str  # its name in the budget
    degrees_of_freedom: float = math.inf
    distribution: Distribution = "normal"


class Inputs:
    """The flat vector (m,) of errors about a `PointTable`, and how it acts on the channels.

    `models` name equations whose points may deviate from the model; their deviations start at zero with no doubt, and
    `Inputs.model_sources` says how large they are once a fit has shown it.
    """

    def __init__(
        self,
        *,
        record: Record,
        table: PointTable,
        channels: Sequence[str],
        models: Sequence[str] = (),
        scalars: Sequence[Scalar] = (),
    ) -> None:
        self.table = table
        self.channels = tuple(channels)
        n = table.size
        self._gain = {c: i for i, c in enumerate(self.channels)}
        self._offset = {c: len(channels) + i for i, c in enumerate(self.channels)}
        start = 2 * len(channels)
        self._deviation = {}
        for name in (*self.channels, *models):
            self._deviation[name] = slice(start, start + n)
            start += n
        self._scalar = {s.name: start + i for i, s in enumerate(scalars)}
        self.nominal: Floats = np.zeros(start + len(scalars))
        self.sources: list[Source] = []
        self.independent: dict[str, Floats] = {}  # by channel: standard uncertainty (n,) that no other point shares
        for scalar in scalars:
            index = self._scalar[scalar.name]
            self.nominal[index] = scalar.value
            self.sources.append(
                Source(
                    name=scalar.source,
                    input=index,
                    standard_uncertainty=scalar.standard_uncertainty,
                    degrees_of_freedom=scalar.degrees_of_freedom,
                    distribution=scalar.distribution,
                )
            )
        for channel in self.channels:
            self._add_channel(record, channel)

    def _add_channel(self, record: Record, channel: str) -> None:
        table = self.table
        first = self._deviation[channel].start
        variance = np.zeros(table.size)
        for i in range(table.size):
            scatter, drift = float(table.scatter[channel][i]), float(table.drift[channel][i])
            degrees = float(table.degrees_of_freedom[channel][i])
            # every point's scatter is an estimate of its own: no group
            self._add(f"{channel}, scatter of the means", first + i, scatter, degrees, group="")
            name = f"{channel}, drift within the windows"
            self._add(name, first + i, drift, math.inf, group=name, distribution="rectangular")
            variance[i] = scatter**2 + drift**2
        calibration = record.calibrations.get(channel)
        zero = record.zeros.get(channel)
        if zero is not None:
            name = f"{channel}, measured zero"
            self._add(name, self._offset[channel], zero.standard_uncertainty, zero.degrees_of_freedom, group=name)
        if calibration is not None:
            variance += self._add_calibration(channel, calibration, zeroed=zero is not None)
        elif record.units.get(channel) == "°C":
            half = THERMOMETER_HALF_WIDTH_K / math.sqrt(3.0)
            name = f"{channel}, assumed thermometer error"
            self._add(name, self._offset[channel], half, math.inf, group=name, distribution="rectangular")
        self.independent[channel] = np.sqrt(variance)

    def _add_calibration(self, channel: str, calibration: Calibration, *, zeroed: bool) -> Floats:
        """Returns the variance (n,) of the contributions that are drawn anew at each point."""
        readings = self.table.mean[channel]
        full_scale = calibration.full_scale
        variance = np.zeros(self.table.size)
        for contribution in calibration.contributions:
            name, degrees = f"{channel}, {contribution.name}", contribution.degrees_of_freedom
            drawn_from = contribution.distribution
            if contribution.effect == "gain":
                at_full_scale = contribution.standard_uncertainty(reading=full_scale, full_scale=full_scale)
                self._add(
                    name, self._gain[channel], at_full_scale / full_scale, degrees, group=name, distribution=drawn_from
                )
            elif contribution.effect == "offset":
                if zeroed:  # the zero measured through the same sensor took this error off with it
                    continue
                largest = float(np.nanmax(np.abs(readings)))
                size = contribution.standard_uncertainty(reading=largest, full_scale=full_scale)
                self._add(name, self._offset[channel], size, degrees, group=name, distribution=drawn_from)
            else:
                for i, reading in enumerate(readings.tolist()):
                    size = contribution.standard_uncertainty(reading=reading, full_scale=full_scale)
                    self._add(
                        name, self._deviation[channel].start + i, size, degrees, group=name, distribution=drawn_from
                    )
                    variance[i] += size**2
        return variance

    def _add(
        self,
        name: str,
        index: int,
        size: float,
        degrees: float,
        *,
        group: str,
        distribution: Distribution = "normal",
    ) -> None:
        """One more source; a `group` of several points shares one estimate of its size and its degrees of freedom."""
        if size > 0.0:
            self.sources.append(
                Source(
                    name=name,
                    input=index,
                    standard_uncertainty=size,
                    degrees_of_freedom=degrees,
                    group=group,
                    distribution=distribution,
                )
            )

    def channel(self, inputs: Floats, name: str) -> Floats:
        """The channel's means (b, n) under the errors in `inputs` (b, m)."""
        gain = inputs[:, self._gain[name], None]
        offset = inputs[:, self._offset[name], None]
        shown = self.table.mean[name] * (1.0 + gain)
        shown += offset  # in place: this is most of what a propagation of distributions costs
        shown += inputs[:, self._deviation[name]]
        return np.asarray(shown, dtype=np.float64)

    def deviation(self, inputs: Floats, model: str) -> Floats:
        """The deviations (b, n) of a model's points."""
        return inputs[:, self._deviation[model]]

    def scalar(self, inputs: Floats, name: str) -> Floats:
        """A scalar (b,)."""
        return inputs[:, self._scalar[name]]

    def model_sources(self, model: str, name: str, sizes: Floats, degrees: float) -> list[Source]:
        """Sources for a model's imperfection: a standard deviation (n,) a point, estimated together."""
        first = self._deviation[model].start
        return [
            Source(name=name, input=first + i, standard_uncertainty=s, degrees_of_freedom=degrees, group=model)
            for i, s in enumerate(sizes.tolist())
            if s > 0.0
        ]


def calibration_notes(record: Record, channels: Sequence[str]) -> list[str]:
    """Sentences about channels whose part of the uncertainty rests on nothing or on an assumption."""
    notes = []
    for channel in channels:
        if channel not in record.values or record.calibrations.get(channel) is not None:
            continue
        if record.units.get(channel) == "°C":
            notes.append(
                f"{channel} has no calibration: an error of up to {THERMOMETER_HALF_WIDTH_K:g} K is assumed for it."
            )
        else:
            notes.append(
                f"{channel} has no calibration: its uncertainty holds the scatter of the samples alone, "
                "so every uncertainty that depends on it is too small."
            )
    return notes
