"""Writes and reads the fault record: every reading about a trip as it arrived. It must never thin or fill anything.

`fault.parquet` has a row for each moment at which something was read or happened, several where more came at once. A
channel's cell is empty where nothing of it arrived just then; a set-point's (`set_point.<role>.<name>`) where it did
not change; its value is NaN from where none is in force. The file is written anew whenever more is known, and each time
wholly or not at all.
"""

import contextlib
import io
import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from benchd.records.durable import write_whole
from benchd.records.errors import RecordsError, SchemaTooNewError
from benchd.records.formats import FAULT, QUALITY, SCHEMA, check_schema
from benchd.records.plain import line
from benchd.records.sums import fits_its_sum

SET_POINT = "set_point."
_CONTENT = "benchd fault record"
_FIXED = ("time_mono_s", "state", "event")


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """One channel's own readings, or one set-point's changes: arrays (n,) in the unit."""

    unit: str
    time_mono_s: npt.NDArray[np.float64]
    value: npt.NDArray[np.float64]
    quality: npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultReadings:
    """What was read between two times: arrays (n,), `series` counting channels first, then set-points."""

    time_mono_s: npt.NDArray[np.float64]
    series: npt.NDArray[np.uint16]
    value: npt.NDArray[np.float64]
    quality: npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultRecord:
    """A fault record as it was read; `cause` is that of the event `tripped`, with the limit where one was crossed.

    `whole` says whether its time was over when it was written. `damage` says in one sentence why there is nothing else,
    "" where the record can be read.
    """

    cause: Mapping[str, Any] = field(default_factory=dict)
    trip_mono_s: float = float("nan")
    from_mono_s: float = float("nan")
    until_mono_s: float = float("nan")
    whole: bool = False
    channels: Mapping[str, Series] = field(default_factory=dict)
    set_points: Mapping[str, Series] = field(default_factory=dict)
    events: Sequence[Mapping[str, Any]] = ()  # with `time_mono_s`
    states: Sequence[tuple[float, int]] = ()  # since when, and the number of the TR88 state
    damage: str = ""


def write_fault(
    folder: str | os.PathLike[str],
    *,
    cause: Mapping[str, object],
    trip_mono_s: float,
    from_mono_s: float,
    until_mono_s: float,
    whole: bool,
    channels: Sequence[tuple[str, str]],
    set_points: Sequence[tuple[str, str]],
    readings: FaultReadings,
    events: Sequence[tuple[str, float, Mapping[str, object]]] = (),
    states: Sequence[tuple[float, int]] = (),
) -> Path:
    """Write `fault.parquet` in place of an older one; for an executor thread, before the folder is finished.

    Channels and set-points are (name, unit). What lies outside of `from_mono_s` to `until_mono_s` is left out, but for
    the set-points and the state that were in force at its start. Raises `RecordsError`; an older file is untouched.
    """
    path = Path(folder) / FAULT
    told = [event for event in events if from_mono_s <= event[1] <= until_mono_s]
    kept = _kept(readings, count=len(channels), from_mono_s=from_mono_s, until_mono_s=until_mono_s)
    places, place_of = np.unique(
        np.stack([kept.time_mono_s, _repeats(kept)], axis=1), axis=0, return_inverse=True
    )  # by time, and by how often a series had been read at this very moment
    moments = places[:, 0]
    times = np.concatenate([moments, np.array([at for _, at, _ in told], np.float64)])
    order = np.argsort(times, kind="stable")
    row_of = np.empty(order.size, np.intp)
    row_of[order] = np.arange(order.size)
    lines: list[str | None] = [None] * order.size
    for number, (name, _, fields) in enumerate(told, start=moments.size):
        lines[row_of[number]] = line({"event": name, **fields}).decode()
    said = {
        "schema": str(SCHEMA),
        "content": _CONTENT,
        "cause": line(cause).decode(),
        "trip_mono_s": repr(float(trip_mono_s)),
        "from_mono_s": repr(float(from_mono_s)),
        "until_mono_s": repr(float(until_mono_s)),
        "whole": "yes" if whole else "no",
    }
    columns_of = [
        pa.field("time_mono_s", pa.float64(), nullable=False, metadata={"unit": "s"}),
        pa.field("state", pa.int8()),
        pa.field("event", pa.string()),
    ]
    columns = [pa.array(times[order]), _states(times[order], states), pa.array(lines, pa.string())]
    at = row_of[place_of.reshape(-1)]
    named = [*channels, *((f"{SET_POINT}{name}", unit) for name, unit in set_points)]
    for number, (name, unit) in enumerate(named):
        rows = np.flatnonzero(kept.series == number)
        empty = np.ones(order.size, bool)
        values, quality = np.zeros(order.size), np.zeros(order.size, np.uint8)
        empty[at[rows]], values[at[rows]], quality[at[rows]] = False, kept.value[rows], kept.quality[rows]
        columns_of += [
            pa.field(name, pa.float64(), metadata={"unit": unit}),
            pa.field(name + QUALITY, pa.uint8()),
        ]
        columns += [pa.array(values, mask=empty, from_pandas=False), pa.array(quality, mask=empty)]
    sink = io.BytesIO()
    table = pa.table(columns, schema=pa.schema(columns_of, metadata=said))
    pq.write_table(table, sink, compression="snappy", write_page_checksum=True)
    write_whole(path, sink.getvalue())
    return path


def _kept(readings: FaultReadings, *, count: int, from_mono_s: float, until_mono_s: float) -> FaultReadings:
    """What belongs into the record, and the last of each set-point before it, as if it had been told at its start."""
    time = readings.time_mono_s.copy()
    keep = (time >= from_mono_s) & (time <= until_mono_s)
    for number in np.unique(readings.series[readings.series >= count]):
        earlier = np.flatnonzero((readings.series == number) & (time < from_mono_s))
        if earlier.size:
            keep[earlier[-1]] = True
            time[earlier[-1]] = from_mono_s
    return FaultReadings(
        time_mono_s=time[keep],
        series=readings.series[keep],
        value=readings.value[keep],
        quality=readings.quality[keep],
    )


def _repeats(kept: FaultReadings) -> npt.NDArray[np.float64]:
    """How many earlier readings of the same series carry the same time: a computed channel may have several."""
    order = np.lexsort((kept.time_mono_s, kept.series))  # stable: in the order of arrival
    time, series = kept.time_mono_s[order], kept.series[order]
    new = np.ones(order.size, bool)
    new[1:] = (np.diff(time) != 0.0) | (np.diff(series.astype(np.int64)) != 0)
    first = np.maximum.accumulate(np.where(new, np.arange(order.size), 0))
    repeats = np.empty(order.size, np.float64)
    repeats[order] = np.arange(order.size) - first
    return repeats


def _states(times: npt.NDArray[np.float64], states: Sequence[tuple[float, int]]) -> pa.Array:
    since = np.array([at for at, _ in states], np.float64)
    numbers = np.array([number for _, number in states], np.int8)
    at = np.searchsorted(since, times, side="right") - 1
    known = at >= 0
    found = numbers[np.maximum(at, 0)] if numbers.size else np.zeros(times.size, np.int8)
    return pa.array(found, mask=~known)


def read_fault(folder: str | os.PathLike[str]) -> FaultRecord | None:
    """The fault record of a run; None where there is none: nothing tripped, or the folder is an older one.

    Never raises for damage, `damage` says it. Raises `SchemaTooNewError` for a record of a newer release.
    """
    path = Path(folder) / FAULT
    if not path.exists():
        return None
    if fits_its_sum(path) is False:
        return FaultRecord(damage=f"{FAULT} differs from its sum: it is damaged or was changed.")
    try:
        with pq.ParquetFile(path, page_checksum_verification=True) as file:
            schema = file.schema_arrow
            said = {key.decode(): value.decode() for key, value in (schema.metadata or {}).items()}
            check_schema(int(said["schema"]), where=str(path))
            table = file.read()
        return _record_of(table, said)
    except SchemaTooNewError:
        raise
    except (pa.ArrowException, RecordsError, OSError, ValueError, KeyError, TypeError, RecursionError):
        return FaultRecord(damage=f"{FAULT} is damaged and cannot be read.")


def check_fault(folder: Path) -> list[str]:
    """A sentence where the fault record is damaged; what differs from its sum is told by the sums."""
    found = None if fits_its_sum(folder / FAULT) is False else read_fault(folder)
    return [found.damage] if found is not None and found.damage else []


def _record_of(table: pa.Table, said: Mapping[str, str]) -> FaultRecord:
    times: npt.NDArray[np.float64] = table.column("time_mono_s").to_numpy()
    channels: dict[str, Series] = {}
    set_points: dict[str, Series] = {}
    for one in table.schema:
        name = one.name
        if name in _FIXED or name.endswith(QUALITY):
            continue
        known = table.column(name).is_valid().to_numpy()
        quality = table.column(name + QUALITY).drop_null().to_numpy()
        series = Series(
            unit=(one.metadata or {}).get(b"unit", b"1").decode(),
            time_mono_s=times[known],
            value=table.column(name).drop_null().to_numpy(),
            quality=quality.astype(np.uint8),
        )
        if name.startswith(SET_POINT):
            set_points[name.removeprefix(SET_POINT)] = series
        else:
            channels[name] = series
    told = table.column("event").to_pylist()
    state = table.column("state").to_pylist()
    changes = [
        row for row in range(len(state)) if state[row] is not None and (row == 0 or state[row] != state[row - 1])
    ]
    return FaultRecord(
        cause=json.loads(said["cause"]),
        trip_mono_s=float(said["trip_mono_s"]),
        from_mono_s=float(said["from_mono_s"]),
        until_mono_s=float(said["until_mono_s"]),
        whole=said["whole"] == "yes",
        channels=channels,
        set_points=set_points,
        events=[
            {**json.loads(text), "time_mono_s": float(at)}
            for at, text in zip(times, told, strict=True)
            if text is not None
        ],
        states=[(float(times[row]), int(state[row])) for row in changes],
    )


def warm_up() -> None:
    """Parquet's first writing takes longer, some of it with the interpreter held: in Starting, not beside a tick."""
    with contextlib.suppress(pa.ArrowException):
        pq.write_table(pa.table([pa.array(np.zeros(1))], names=["x"]), io.BytesIO(), write_page_checksum=True)
