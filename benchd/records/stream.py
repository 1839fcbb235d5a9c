"""Reads the sample stream by its sidecar: only messages whose checksum fits. It writes nothing."""

import os
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import pyarrow as pa

from benchd.records.errors import RecordsError
from benchd.records.formats import END_OF_STREAM, RUN, SIDECAR, STREAM, check_sample_schema, sample_schema
from benchd.records.plain import read_page
from benchd.records.sidecar import Piece, parse


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """What a look at stream and sidecar found: the proven batches, and sentences about everything else."""

    path: Path
    schema: pa.Schema | None  # None: nothing can be read
    proven: Sequence[Piece]
    missing: Sequence[str]
    ended: bool  # the writer closed the stream
    proven_by_checksum: bool = True

    @property
    def rows(self) -> int:
        """How many rows can be read."""
        return sum(piece.rows for piece in self.proven)


def scan(folder: Path) -> Scan:
    """Check every message of the stream against its checksum; never raises for damage.

    Raises `RecordsError` for a missing stream and for a newer schema.
    """
    path = folder / STREAM
    try:
        file = path.open("rb")
    except OSError as error:
        raise RecordsError(f"{path} cannot be read ({error.strerror}): there are no samples.") from None
    with file:
        try:
            sidecar = parse((folder / SIDECAR).read_bytes())
        except FileNotFoundError:
            return _scan_without_sidecar(path)
        size = os.fstat(file.fileno()).st_size
        sound, missing = _sound(file, sidecar.pieces, size)
        missing = [*sidecar.damage, *missing]
        if sidecar.pieces and sidecar.pieces[-1].dropped:
            missing.append(f"{sidecar.pieces[-1].dropped} rows were never written: the disk did not take them.")
        schema = _schema_of(file, sound)
        if schema is None:
            schema = _schema_from_description(folder, file, sidecar.pieces)
            missing.append(
                f"The column names of {STREAM} cannot be proven: no sample can be read."
                if schema is None
                else f"The column names of {STREAM} are not proven by {SIDECAR}; those of {RUN} fit and are used."
            )
    if schema is not None:
        check_sample_schema(schema, where=str(path))
    return Scan(
        path=path,
        schema=schema,
        proven=[piece for piece in sound if piece.kind == "batch"],
        missing=missing,
        ended=any(piece.kind == "end" for piece in sound),
    )


def _sound(file: BinaryIO, pieces: Sequence[Piece], size: int) -> tuple[list[Piece], list[str]]:
    """The pieces whose bytes fit their checksum, and sentences about all other bytes and pieces."""
    sound: list[Piece] = []
    missing: list[str] = []
    expected = 0
    for piece in pieces:
        if piece.offset != expected:
            missing.append(f"Bytes {expected} to {piece.offset} of {STREAM} have no checksum and are left out.")
        expected = piece.end
        if piece.end > size:
            continue  # one sentence for all of them below
        if zlib.crc32(_bytes_of(file, piece)) == piece.crc:
            sound.append(piece)
        else:
            missing.append(_damage_of(piece))
    missing += _cut_off(pieces, size)
    if size > expected:
        missing.append(f"The last {size - expected} bytes of {STREAM} have no checksum yet and are left out.")
    return sound, missing


def _bytes_of(file: BinaryIO, piece: Piece) -> bytes:
    file.seek(piece.offset)
    return file.read(piece.length)


def _schema_of(file: BinaryIO, sound: Sequence[Piece]) -> pa.Schema | None:
    piece = next((piece for piece in sound if piece.kind == "schema"), None)
    return None if piece is None else pa.ipc.read_schema(pa.py_buffer(_bytes_of(file, piece)))


def _damage_of(piece: Piece) -> str:
    if piece.kind == "batch":
        last = piece.first_row + piece.rows - 1
        return f"Rows {piece.first_row} to {last} of {STREAM} fail their checksum and are left out."
    return f"The {piece.kind} message of {STREAM} fails its checksum."


def _cut_off(pieces: Sequence[Piece], size: int) -> list[str]:
    gone = [piece for piece in pieces if piece.end > size]
    batches = [piece for piece in gone if piece.kind == "batch"]
    if not gone:
        return []
    if not batches:
        return [f"{STREAM} is cut off at byte {size}; no row is missing."]
    last = batches[-1].first_row + batches[-1].rows - 1
    return [f"{STREAM} is cut off at byte {size}: rows {batches[0].first_row} to {last} are missing."]


def _schema_from_description(folder: Path, file: BinaryIO, pieces: Sequence[Piece]) -> pa.Schema | None:
    """The schema that `run.json` implies, when its bytes stand in the stream or have the checksum of the sidecar."""
    try:
        channels = [(c["name"], c["unit"]) for c in read_page(folder / RUN)["channels"]]
        schema = sample_schema(channels)
    except (RecordsError, KeyError, TypeError):
        return None
    message = schema.serialize().to_pybytes()
    file.seek(0)
    expected = next((piece.crc for piece in pieces if piece.kind == "schema"), None)
    return schema if zlib.crc32(message) == expected or file.read(len(message)) == message else None


def _scan_without_sidecar(path: Path) -> Scan:
    """Every whole message from the start; nothing proves them, and the sentence says so."""
    missing = [f"{SIDECAR} is missing: nothing proves that the samples in {STREAM} are undamaged."]
    proven: list[Piece] = []
    schema: pa.Schema | None = None
    ended = False
    try:
        with pa.ipc.open_stream(pa.memory_map(str(path))) as reader:
            schema = reader.schema
            row = 0
            for number, batch in enumerate(reader):
                batch.validate(full=True)
                proven.append(
                    Piece(
                        kind="batch",
                        offset=number,
                        length=0,
                        crc=0,
                        first_row=row,
                        rows=batch.num_rows,
                        dropped=0,
                    )
                )
                row += batch.num_rows
        with path.open("rb") as file:
            file.seek(-len(END_OF_STREAM), os.SEEK_END)
            ended = file.read() == END_OF_STREAM
    except (pa.ArrowInvalid, pa.ArrowTypeError, OSError) as error:
        missing.append(f"{STREAM} breaks off after {len(proven)} batches ({type(error).__name__}).")
    if schema is not None:
        check_sample_schema(schema, where=str(path))
    return Scan(path=path, schema=schema, proven=proven, missing=missing, ended=ended, proven_by_checksum=False)


def batches(found: Scan) -> Iterator[pa.RecordBatch]:
    """The readable batches one after the other, in the order in which they were written."""
    if found.schema is None:
        return
    if not found.proven_by_checksum:
        with pa.ipc.open_stream(pa.memory_map(str(found.path))) as reader:
            for _ in found.proven:
                yield reader.read_next_batch()
        return
    with found.path.open("rb") as file:
        for piece in found.proven:
            yield pa.ipc.read_record_batch(pa.py_buffer(_bytes_of(file, piece)), found.schema)
