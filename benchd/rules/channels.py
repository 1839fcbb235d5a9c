"""Channels: one named physical quantity each, with unit, range, source and calibration. Pure; it reads no device."""

import enum
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from benchd.rules.derivations import Derivation


class Quality(enum.IntEnum):
    """How far a sample may be believed; the number is what the journal stores."""

    GOOD = 0
    STALE = 1  # older than the channel's age limit
    NOT_A_NUMBER = 2  # open sensor, saturated input, the instrument's own "not a number"
    OVER_RANGE = 3  # beyond the sensor's full scale
    MISSING = 4  # nothing arrived yet

    __hash__ = int.__hash__  # an enumeration's own is a call into Python, on the way of every reading


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """One contribution to a sensor's type B uncertainty (JCGM 100, 4.3).

    `size` is a standard uncertainty for `normal`, a half width for `rectangular`; it is a ratio of the reading, a ratio
    of full scale, or a number in the channel's unit, by `relative_to`. `effect` says how the error acts within one run:
    a `gain` error scales every sample alike, an `offset` error shifts every sample alike (both the same throughout a
    run), and `independent` is drawn anew at each operating point.
    """

    name: str
    size: float
    distribution: Literal["normal", "rectangular"]
    relative_to: Literal["reading", "full_scale", "unit"]
    effect: Literal["gain", "offset", "independent"]
    degrees_of_freedom: float = math.inf

    def standard_uncertainty(self, *, reading: float, full_scale: float) -> float:
        """The standard uncertainty at this reading, in the channel's unit (rectangular: half width / √3, GUM 4.3.7)."""
        standard = self.size / math.sqrt(3.0) if self.distribution == "rectangular" else self.size
        scale = {"reading": abs(reading), "full_scale": full_scale, "unit": 1.0}[self.relative_to]
        return standard * scale


@dataclass(frozen=True, slots=True, kw_only=True)
class Coefficients:
    """The straight line of one direction: value = gain · raw + offset."""

    gain: float
    offset: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """A sensor's calibration in one range: value = gain · raw + offset, from `input_unit` to `output_unit`.

    Where the certificate gives the negative direction a line of its own, `negative` holds it; it counts where the
    positive direction's line gives a negative value.
    """

    sensor: str
    serial: str
    certificate: str
    calibrated_on: str  # ISO 8601 date
    due_on: str  # ISO 8601 date
    input_unit: str
    output_unit: str
    gain: float
    offset: float
    full_scale: float  # magnitude, in output_unit; beyond it the sample is OVER_RANGE
    contributions: Sequence[Contribution]
    negative: Coefficients | None = None

    def value(self, raw: float) -> float:
        """The calibrated value in `output_unit`."""
        value = self.gain * raw + self.offset
        if value < 0.0 and self.negative is not None:
            return self.negative.gain * raw + self.negative.offset
        return value


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """Where a channel's numbers come from and how old they may get.

    `device`, `port` and `signal` name the source; `sign` is +1 or -1 and maps the wiring onto the house signs. A
    derived channel has no device: `derivation` says how it follows from others, and `device` is then `DERIVED`.
    """

    name: str
    unit: str
    device: str
    port: str
    signal: str
    age_limit_s: float
    sign: float = 1.0
    zeroed: bool = False  # the zero measured at standstill before a run is taken off
    calibration: Calibration | None = None
    derivation: Derivation | None = None
