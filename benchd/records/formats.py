"""The names, schema versions and column layout of a run folder's files. It reads and writes nothing."""

import re
from collections.abc import Mapping, Sequence

import pyarrow as pa

from benchd.records.errors import RecordsError, SchemaTooNewError

SCHEMA = 1  # of every file below; a reader accepts this and older ones

RUN = "run.json"
STREAM = "samples.arrows"
SIDECAR = "samples.crc"
PARQUET = "samples.parquet"
EVENTS = "events.jsonl"
ENDING = "ending.json"
FAULT = "fault.parquet"
WAVEFORMS = "waveforms"  # a folder
CSV = "samples.csv"
SUMS = "SHA256SUMS"
RESULTS = "results.json"
REPORT = "report.pdf"

NO_TEST = -1  # in the columns test and point: outside every test, outside every operating point

END_OF_STREAM = b"\xff\xff\xff\xff\x00\x00\x00\x00"  # Arrow columnar format, "IPC streaming format"

FIXED_COLUMNS = ("time_mono_s", "state", "test", "point")
AGE = ".age_s"
QUALITY = ".quality"

_CHANNEL_NAME = re.compile(r"[a-z][a-z0-9_]*")


def check_schema(found: object, *, where: str) -> None:
    """Accept a file of this or an older schema; raises `SchemaTooNewError`, or `RecordsError` for none."""
    if isinstance(found, bool) or not isinstance(found, int) or found < 1:
        raise RecordsError(f"{where} carries no schema version: it is damaged or was not written by benchd.")
    if found > SCHEMA:
        raise SchemaTooNewError(
            f"{where} has schema {found}, and this benchd reads up to {SCHEMA}: use a newer release of benchd."
        )


def sample_schema(channels: Sequence[tuple[str, str]]) -> pa.Schema:
    """The Arrow schema of the samples of (name, unit) channels; equal channels give equal bytes.

    time_mono_s is the event loop's time, state the number of the TR88 state, test and point are `NO_TEST` outside.
    Raises `RecordsError` for a name that appears twice or cannot be a column.
    """
    names = [name for name, _ in channels]
    for name in names:
        if not _CHANNEL_NAME.fullmatch(name) or name in FIXED_COLUMNS:
            raise RecordsError(
                f"The channel name {name!r} cannot be recorded: use small letters, digits and underscores, "
                f"and none of {', '.join(FIXED_COLUMNS)}."
            )
        if names.count(name) > 1:
            raise RecordsError(f"The channel name {name!r} appears twice: give each channel its own name.")
    fields = [
        pa.field("time_mono_s", pa.float64(), nullable=False, metadata={"unit": "s"}),
        pa.field("state", pa.int8(), nullable=False),
        pa.field("test", pa.int16(), nullable=False),
        pa.field("point", pa.int16(), nullable=False),
    ]
    for name, unit in channels:
        fields += [
            pa.field(name, pa.float64(), nullable=False, metadata={"unit": unit}),
            pa.field(name + AGE, pa.float32(), nullable=False, metadata={"unit": "s"}),
            pa.field(name + QUALITY, pa.uint8(), nullable=False),
        ]
    return pa.schema(fields, metadata={"schema": str(SCHEMA), "content": "benchd samples"})


def check_sample_schema(schema: pa.Schema, *, where: str) -> None:
    """Accept samples of this or an older schema; raises `RecordsError` otherwise."""
    text = (schema.metadata or {}).get(b"schema", b"").decode("ascii", "replace")
    check_schema(int(text) if text.isdigit() else None, where=where)


def units_of(schema: pa.Schema) -> Mapping[str, str]:
    """The unit of each channel in a schema made by `sample_schema`, in its order."""
    return {
        field.name: (field.metadata or {}).get(b"unit", b"1").decode()
        for field in schema
        if field.name not in FIXED_COLUMNS and "." not in field.name
    }
