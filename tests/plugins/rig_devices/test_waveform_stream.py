import math
import struct

import numpy as np
import pytest

from benchd_rig.scpi_parameters import ScpiRefusal
from benchd_rig.waveform_stream import Block, WaveformStream
from benchd_rig.wire_faults import WireFaults


class Ramps:
    """Eight inputs, each of which tells its own number and the sample's; only the last 2 s can be asked for."""

    def __init__(self) -> None:
        self.sampled = 1000

    def sample(self, first: int, count: int) -> np.ndarray:
        assert first >= max(0, self.sampled - 40_000)
        assert count >= 1
        assert first + count <= self.sampled
        rows = np.arange(first, first + count, dtype=np.float32)[:, None]
        return rows + np.arange(8, dtype=np.float32) * 100_000


@pytest.fixture
def ramps() -> Ramps:
    return Ramps()


@pytest.fixture
def faults() -> WireFaults:
    return WireFaults(device="measuring_unit", wire="scpi")


@pytest.fixture
def stream(ramps: Ramps, faults: WireFaults) -> WaveformStream:
    made = WaveformStream(sampler=ramps, faults=faults)
    made.byte_order = "little"
    return made


def numbers(block: Block) -> list[float]:
    return [value for (value,) in struct.iter_unpack("<f", block.payload)]


def test_blocks_follow_each_other_without_gap_or_overlap_from_index_0(stream, ramps):
    stream.select((12,))
    stream.start()
    seen = []
    for more in (5, 0, 1, 300):
        ramps.sampled += more
        block = stream.take()
        assert block.first_index == len(seen)
        assert block.lost == 0
        seen += numbers(block)
    assert seen == [100_000 + n for n in range(1000, 1306)]


def test_the_channels_stand_side_by_side_in_the_order_asked(stream, ramps):
    stream.select((17, 11))
    stream.start()
    ramps.sampled += 2
    assert numbers(stream.take()) == [601_000, 1000, 601_001, 1001]


def test_both_byte_orders_are_the_same_numbers(stream, ramps):
    stream.select((11,))
    stream.start()
    ramps.sampled += 1
    little = stream.take().payload
    stream.byte_order = "big"
    ramps.sampled += 1
    big = stream.take().payload
    assert struct.unpack("<f", little) == (1000.0,)
    assert struct.unpack(">f", big) == (1001.0,)


@pytest.mark.parametrize(("asked", "in_force"), [(20_000, 20_000), (10_000, 10_000), (5001, 5000), (3000, 20_000 / 7)])
def test_the_rate_is_the_nearest_that_divides_20_khz(stream, asked, in_force):
    stream.set_rate(asked)
    assert stream.rate_hz == pytest.approx(in_force)


@pytest.mark.parametrize("pieces", [[1] * 12, [3, 4, 5], [12], [0, 11, 1]])
def test_a_slower_stream_takes_every_nth_sample_however_it_is_read(stream, ramps, pieces):
    stream.select((11,))
    stream.set_rate(5000)
    stream.start()
    seen = []
    for more in pieces:
        ramps.sampled += more
        block = stream.take()
        assert block.first_index == len(seen)
        seen += numbers(block)
    assert seen == [1000, 1004, 1008]


def test_what_falls_out_of_the_buffer_is_lost_and_counted_in_index_and_number(stream, ramps):
    stream.select((11,))
    stream.start()
    ramps.sampled += 100
    stream.take()
    ramps.sampled += 40_123
    block = stream.take()
    assert (block.first_index, block.lost) == (223, 123)
    assert len(block.payload) == 40_000 * 4
    assert numbers(block)[0] == 1223
    ramps.sampled += 50_000
    assert (stream.take().lost, len(stream.take().payload)) == (10_123, 0)


def test_a_slow_stream_loses_whole_samples_of_its_own(stream, ramps):
    stream.select((11,))
    stream.set_rate(2000)
    stream.start()
    ramps.sampled += 40_001
    block = stream.take()
    assert (block.first_index, block.lost) == (1, 1)
    assert numbers(block)[:2] == [1010, 1020]


def test_the_number_of_lost_samples_stays_within_its_six_digits(stream, ramps):
    stream.start()
    ramps.sampled += 3_000_000
    assert stream.take().lost == 999_999


def test_starting_anew_counts_from_0_and_forgets_what_was_lost(stream, ramps):
    stream.select((11,))
    stream.start()
    ramps.sampled += 60_000
    assert stream.take().lost
    ramps.sampled += 7
    stream.start()
    ramps.sampled += 1
    block = stream.take()
    assert (block.first_index, block.lost, numbers(block)) == (0, 0, [61_007.0])


def test_a_stream_that_does_not_run_gives_nothing(stream, ramps):
    with pytest.raises(ScpiRefusal, match="-221"):
        stream.take()
    stream.start()
    stream.stop()
    stream.stop()
    with pytest.raises(ScpiRefusal, match="-221"):
        stream.take()


def test_channels_and_rate_stay_as_they_are_while_it_runs(stream):
    stream.start()
    with pytest.raises(ScpiRefusal, match="-221"):
        stream.select((11,))
    with pytest.raises(ScpiRefusal, match="-221"):
        stream.set_rate(1000)


def test_an_input_named_twice_is_an_illegal_value(stream):
    with pytest.raises(ScpiRefusal, match="-224"):
        stream.select((11, 12, 11))


@pytest.mark.parametrize(("told", "lost"), [(1.0, 40), (0.0, 0)])
def test_a_dropped_run_shows_in_the_index_and_in_the_count_only_where_the_unit_tells(stream, ramps, faults, told, lost):
    stream.select((11,))
    stream.start()
    ramps.sampled += 100
    stream.take()
    faults.switch("lost_samples", on=True, times=1, parameters={"samples": 40, "told": told})
    ramps.sampled += 100
    block = stream.take()
    assert (block.first_index, block.lost, len(block.payload)) == (140, lost, 240)
    ramps.sampled += 100
    assert stream.take().first_index == 200


def test_a_run_longer_than_what_is_there_drops_what_is_there(stream, ramps, faults):
    stream.start()
    faults.switch("lost_samples", on=True, parameters={"samples": 4000})
    ramps.sampled += 10
    block = stream.take()
    assert (block.first_index, block.lost, block.payload) == (10, 10, b"")


def test_measured_values_that_are_no_numbers_are_none_in_the_stream(stream, ramps, faults):
    stream.start()
    faults.switch("nan", on=True)
    ramps.sampled += 3
    values = numbers(stream.take())
    assert len(values) == 24
    assert all(math.isnan(value) for value in values)
