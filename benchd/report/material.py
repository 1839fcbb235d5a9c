"""What a report is made from: plain values out of a run folder. It reads no file and must never judge a value."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples:
    """The recorded frames: one entry a row, times on the clock of `run.json`, values by channel name."""

    time_mono_s: Numbers
    test: npt.NDArray[np.int16]
    point: npt.NDArray[np.int16]
    values: Mapping[str, Numbers]
    good: Mapping[str, npt.NDArray[np.bool_]]  # rows whose value may be believed
    units: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """One captured window of waveforms: evenly spaced samples by name, from the point where it was taken."""

    test: int
    point: int
    rate_hz: float
    values: Mapping[str, Numbers]
    units: Mapping[str, str]
    lost: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultSeries:
    """One channel's own readings about a trip; `good` are those that may be believed."""

    unit: str
    time_s: Numbers  # after the first cause
    value: Numbers
    good: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """The fault record: times in s after the first cause, which came at `trip_mono_s` on the clock of `run.json`."""

    cause: Mapping[str, Any]  # as the event `tripped`, with channel, bound and limit where one was crossed
    trip_mono_s: float
    from_s: float
    until_s: float
    whole: bool  # nothing more was to come
    channels: Mapping[str, FaultSeries]
    states: Sequence[tuple[float, int]] = ()  # since when, and the state's number


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """Everything that is known of a run. What could not be read is empty or None and named in `missing`."""

    folder: str  # the folder's own name
    description: Mapping[str, Any]  # content of run.json
    ending: Mapping[str, Any] | None
    events: Sequence[Mapping[str, Any]]
    results: Mapping[str, Any] | None
    samples: Samples | None
    windows: Sequence[Window] = ()
    fault: Fault | None = None
    sums: Mapping[str, str] = field(default_factory=dict)  # SHA-256 by file name
    missing: Sequence[str] = ()  # sentences
    withheld: str = ""  # why the verdict in the results must not be believed now, half a sentence; "" where it may
    against: "Material | None" = None  # the rehearsal that the run is held against
