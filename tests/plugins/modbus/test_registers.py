"""Numbers in registers, against `struct` as an oracle; and which registers go into one request."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd_modbus.registers import MappedObject, decode, encode, spans

FORMATS = {"u16": ">H", "i16": ">h", "u32": ">I", "i32": ">i", "f32": ">f"}
NUMBERS = {
    "u16": st.integers(0, 2**16 - 1),
    "i16": st.integers(-(2**15), 2**15 - 1),
    "u32": st.integers(0, 2**32 - 1),
    "i32": st.integers(-(2**31), 2**31 - 1),
    "f32": st.floats(width=32, allow_nan=False, allow_infinity=False),
}


def words_by_struct(number, number_type):
    packed = struct.pack(FORMATS[number_type], number)
    return struct.unpack(f">{len(packed) // 2}H", packed)


@pytest.mark.parametrize("number_type", FORMATS)
@given(data=st.data())
def test_encoding_is_what_struct_packs(number_type, data):
    number = data.draw(NUMBERS[number_type])
    words = words_by_struct(number, number_type)
    assert encode(number, number_type=number_type) == words
    assert encode(number, number_type=number_type, word_order="low_first") == words[::-1]


@pytest.mark.parametrize("number_type", FORMATS)
@given(data=st.data())
def test_decoding_is_what_struct_unpacks(number_type, data):
    number = data.draw(NUMBERS[number_type])
    words = words_by_struct(number, number_type)
    assert decode(words, number_type=number_type) == number
    assert decode(words[::-1], number_type=number_type, word_order="low_first") == number


@pytest.mark.parametrize(
    ("number", "number_type"),
    [(-1, "u16"), (65536, "u16"), (32768, "i16"), (-32769, "i16"), (2**32, "u32"), (2**31, "i32"), (0.5, "i16")]
    + [(float("nan"), kind) for kind in FORMATS]
    + [(float("inf"), kind) for kind in FORMATS],
)
def test_a_number_that_does_not_fit_is_refused(number, number_type):
    with pytest.raises(ValueError, match="does not fit"):
        encode(number, number_type=number_type)


def held(name, address, number_type="u16", *, table="holding", scale=1.0):
    return MappedObject(
        name=name,
        address=address,
        table=table,
        number_type=number_type,
        word_order="high_first",
        scale=scale,
        unit="1",
        missing=None,
    )


@given(
    number_type=st.sampled_from(sorted(FORMATS)),
    magnitude=st.floats(0, 1e6),
    scale=st.sampled_from([1.0, 0.1, 0.001, 2.5]),
)
def test_a_bound_is_never_more_than_was_asked(number_type, magnitude, scale):
    one = held("bound", 0, number_type, scale=scale)
    raw = one.at_most(magnitude)
    one.encode(raw)
    assert raw * scale <= magnitude * (1 + 1e-6) + 1e-8


def test_a_bound_that_is_a_whole_number_of_steps_loses_none():
    one = held("bound", 0, scale=0.1)
    assert [one.at_most(step / 10) for step in range(2000)] == list(range(2000))


def test_one_request_runs_through_gaps_only_where_the_map_allows_it():
    objects = [held("a", 0), held("b", 2, "u32"), held("c", 4)]
    (one,) = spans(objects, through_gaps=True, longest=125)
    assert (one.address, one.count) == (0, 5)
    assert [(each.address, each.count) for each in spans(objects, through_gaps=False, longest=125)] == [
        (0, 1),
        (2, 3),
    ]


def test_requests_stay_within_the_longest_and_within_one_table():
    objects = [held("a", 0), held("b", 124, "u32"), held("c", 5, table="input")]
    found = {(each.table, each.address, each.count) for each in spans(objects, through_gaps=True, longest=125)}
    assert found == {("holding", 0, 1), ("holding", 124, 2), ("input", 5, 1)}


def test_separate_writes_keep_the_order_in_which_they_are_asked_for():
    objects = [held("bound", 20), held("target", 3), held("mode", 10)]
    order = [each.places[0][0].name for each in spans(objects, through_gaps=False, longest=123)]
    assert order == ["bound", "target", "mode"]


def test_a_span_encodes_what_it_decodes_and_zeroes_its_gaps():
    (one,) = spans([held("a", 7, "i16"), held("b", 9, "i32")], through_gaps=True, longest=123)
    words = one.encode({"a": -2, "b": -70000})
    assert words == [0xFFFE, 0, 0xFFFE, 0xEE90]
    assert one.decode(words) == {"a": -2, "b": -70000}
