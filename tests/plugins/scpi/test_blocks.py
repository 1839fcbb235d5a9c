"""The stream's answers as bytes: what comes next is said before it comes, and nothing is guessed."""

import struct

import pytest

from benchd_scpi.blocks import Samples, sample_block
from benchd_scpi.message import Garbled

HEAD = b"000000000120,000003,"


def parsed(answer: bytes, *, sample_bytes: int = 4, longest_bytes: int = 1000) -> Samples:
    parts = sample_block(sample_bytes=sample_bytes, longest_bytes=longest_bytes)
    wanted = next(parts)
    try:
        while True:
            part, answer = answer[:wanted], answer[wanted:]
            assert len(part) == wanted, "asked for more than there is"
            wanted = parts.send(part)
    except StopIteration as end:
        assert answer == b""
        return end.value


def test_a_block_of_float32_is_read_as_the_standard_writes_it():
    # IEEE 488.2, 8.7.9; bytes computed with pyvisa 1.16.2: 1.0 and -2.5 as little-endian float32
    found = parsed(HEAD + b"#18" + bytes.fromhex("0000803F000020C0") + b"\n")
    assert found == Samples(first_index=120, lost=3, data=struct.pack("<2f", 1.0, -2.5))


def test_a_length_may_have_more_digits_than_it_needs():
    # IEEE 488.2, 8.7.9: #3000 is an empty block, pyvisa 1.16.2 reads it so too
    assert parsed(HEAD + b"#3000\n").data == b""
    assert parsed(HEAD + b"#10\n").data == b""


def test_line_ends_and_headers_inside_a_block_are_samples():
    data = b"\n#18\n\r\n;,\x00\xff\n"
    assert parsed(HEAD + b"#212" + data + b"\n").data == data


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (b"0,0,#18" + bytes(20), "a sample number"),
        (b"000000000120;000003,#18" + bytes(9), "a sample number"),
        (b"-00000000120,000003,#18" + bytes(9), "a sample number"),
        (HEAD + b"#x8" + bytes(9), "a sample number"),
        (HEAD + b"#0" + bytes(9), "indefinite"),
        (HEAD + b"#2+8" + bytes(9), "length of a block"),
        (HEAD + b"#17" + bytes(7) + b"\n", "whole samples"),
        (HEAD + b"#41004" + bytes(1004) + b"\n", "at most 1000 bytes"),
        (HEAD + b"#18" + bytes(8) + b";", "a line end after 8 bytes"),
        (HEAD + b"#18" + bytes(9), "a line end after 8 bytes"),
    ],
)
def test_whatever_is_no_block_is_garbled(answer: bytes, words: str):
    with pytest.raises(Garbled, match=words):
        parsed(answer)


def test_a_block_that_announces_too_much_is_given_up_before_it_is_read():
    parts = sample_block(sample_bytes=4, longest_bytes=1000)
    assert next(parts) == len(HEAD) + 2
    assert parts.send(HEAD + b"#9") == 9
    with pytest.raises(Garbled, match="999999996"):
        parts.send(b"999999996")
