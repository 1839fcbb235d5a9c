"""Parses the sample stream's answer, part by part, as its header announces it.

Bytes only: this file must never open, wait, or look for a line end inside a block. It says how many bytes must come
next and is handed exactly these; whatever it cannot understand raises `Garbled`.

Source: IEEE 488.2, 8.7.9 (definite-length arbitrary block response data).
"""

import re
from collections.abc import Generator
from dataclasses import dataclass

from benchd_scpi.message import Garbled

SAMPLE_BYTES = 4  # IEEE 754 binary32, as of FORMat REAL,32

_HEAD = re.compile(rb"([0-9]{12}),([0-9]{6}),#([0-9])")
_HEAD_BYTES = 12 + 1 + 6 + 1 + 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples:
    """One answer: the first sample's number, how many the unit has dropped, and the block's own bytes."""

    first_index: int
    lost: int
    data: bytes


def sample_block(*, sample_bytes: int, longest_bytes: int) -> Generator[int, bytes, Samples]:
    """Yields how many bytes come next, is sent exactly these, and returns what they say.

    `sample_bytes` is one sample of all channels: a block holds whole ones. Raises `Garbled`, also for a block that
    announces more than `longest_bytes`, before any of it is read.
    """
    head = yield _HEAD_BYTES
    found = _HEAD.fullmatch(head)
    if found is None:
        raise Garbled("expected a sample number, a number of lost samples and a block")
    digits = int(found[3])
    if digits == 0:
        raise Garbled("expected a block of definite length, got one of indefinite length")
    announced = yield digits
    if not announced.isdigit():
        raise Garbled(f"expected the length of a block, got {announced!r}")
    length = int(announced)
    if length % sample_bytes:
        raise Garbled(f"expected whole samples of {sample_bytes} bytes, got a block of {length}")
    if length > longest_bytes:
        raise Garbled(f"expected a block of at most {longest_bytes} bytes, got one of {length}")
    data = (yield length) if length else b""
    end = yield 1
    if end != b"\n":
        raise Garbled(f"expected a line end after {length} bytes of samples, got {end!r}")
    return Samples(first_index=int(found[1]), lost=int(found[2]), data=data)
