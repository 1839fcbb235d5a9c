"""What an evaluator is handed: one run as arrays and plain values. It must never read a file or evaluate."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchd.rules.channels import Calibration

Kind = Literal["brushed_dc", "brushless"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Zero:
    """The zero of one channel, measured at standstill before the run and already taken off its values.

    `value` and `standard_uncertainty` in the channel's unit.
    """

    value: float
    standard_uncertainty: float
    degrees_of_freedom: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedPoint:
    """One operating point that a test asked for; `asked` carries numbers with the unit in the name (`torque_nm`)."""

    point: int
    direction: Literal["up", "down", ""] = ""
    asked: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedTest:
    """One test of a run: its place in the programme, its kind (`no_load`, `load`), settings and operating points."""

    index: int
    kind: str
    settings: Mapping[str, object] = field(default_factory=dict)
    points: Sequence[RecordedPoint] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CapturedWaveform:
    """The waveforms kept at one point of one test: each array (n,) calibrated, sampled together at `rate_hz`.

    `lossy` says in words what is missing in it, "" where nothing is.
    """

    test: int
    point: int
    rate_hz: float
    values: Mapping[str, NDArray[np.float64]]
    lossy: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """One run of one specimen: n rows of held samples, and what is known about motor, set-up and sensors.

    Rows are ticks: a channel holds its latest sample, so a slow channel's sample stands in several rows; the sample was
    taken at `time_mono_s` - `ages_s`. `test` and `point` say which settled averaging window a row belongs to (`point`
    is -1 outside of one). `quality` holds the numbers of `benchd.rules.channels.Quality`. Values are calibrated, in
    the units of `units`. `motor` is the motor file as a mapping, with its tables `rated` (`voltage_v`,
    `torque_nm`, `current_a`) and `data_sheet` (`resistance_ohm`); a brushless motor's `voltage_v` is the DC link's, and
    its `resistance_ohm` lies between two terminals. `setup` holds the table `coupling` (`inertia_kgm2`, or
    `specimen_side_inertia_kgm2` where only a part of it is on the specimen's side of the transducer). What is
    missing makes the quantities that need it "not determined".
    """

    time_mono_s: NDArray[np.float64]
    test: NDArray[np.integer]
    point: NDArray[np.integer]
    values: Mapping[str, NDArray[np.float64]]
    ages_s: Mapping[str, NDArray[np.float64]]
    quality: Mapping[str, NDArray[np.uint8]]
    units: Mapping[str, str]
    calibrations: Mapping[str, Calibration | None]
    zeros: Mapping[str, Zero]
    tests: Sequence[RecordedTest]
    motor: Mapping[str, object]
    setup: Mapping[str, object]
    waveforms: Sequence[CapturedWaveform] = ()
    # means that one evaluator has made and the next needs again; a record changed by `replace` begins with none
    kept: dict[object, object] = field(init=False, repr=False, compare=False, default_factory=dict)

    @property
    def kind(self) -> Kind:
        """What kind of motor this is; a motor file that does not say is of a brushed one."""
        return "brushless" if self.motor.get("kind") == "brushless" else "brushed_dc"

    @property
    def inertia_kgm2(self) -> float | None:
        """Rotor and coupling on the specimen's side of the transducer; None where either is not given."""
        rotor, table = self.data_sheet("inertia_kgm2"), self.setup.get("coupling")
        coupling = _number(table, "specimen_side_inertia_kgm2")
        if coupling is None:  # all of it stands between specimen and transducer
            coupling = _number(table, "inertia_kgm2")
        return None if rotor is None or coupling is None else rotor + coupling

    def rated(self, name: str) -> float | None:
        """A number of the rating plate by its name with unit, such as `voltage_v`; None where it is not given."""
        return _number(self.motor.get("rated"), name)

    def data_sheet(self, name: str) -> float | None:
        """A number of the motor's data sheet, such as `resistance_ohm`; None where it is not given."""
        return _number(self.motor.get("data_sheet"), name)


def _number(table: object, name: str) -> float | None:
    number = table.get(name) if isinstance(table, Mapping) else None
    if isinstance(number, bool) or not isinstance(number, int | float) or not math.isfinite(number):
        return None
    return float(number)
