"""Nothing that was put into the spool is lost, whatever is killed, torn or full; where it must be, it is counted."""

import asyncio
import contextlib
import errno
import itertools
import resource
import shutil
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchd.outside import spool as spool_module
from benchd.outside.spool import IN_MEMORY, Spool
from benchd.outside.spool_files import SpoolFiles

from .spooling import as_a_kill_leaves_it, spooling


def ids(first: int, last: int) -> list[str]:
    return [f"e{number}" for number in range(first, last + 1)]


def size_of(place: Path) -> int:
    return sum(one.stat().st_size for one in place.glob("*.spool"))


@pytest.fixture
def place(tmp_path: Path) -> Path:
    return tmp_path / "outside" / "spool"


async def test_messages_come_out_in_the_order_they_went_in(place: Path) -> None:
    async with spooling(place) as sender:
        sender.put(*ids(1, 1500))
        assert await sender.take(1500) == ids(1, 1500)
        assert sender.spool.waiting == 0
        assert sender.spool.forgotten == 1500


@pytest.fixture
def gate() -> Iterator[threading.Event]:
    """Shut until it is set; opened by itself after a while, so that a failing test ends."""
    made = threading.Event()
    opening = threading.Timer(5.0, made.set)
    opening.start()
    yield made
    opening.cancel()
    opening.join()


async def test_nothing_is_sent_before_it_is_on_the_disk(place: Path, gate: threading.Event) -> None:
    async with spooling(place, before=lambda: gate.wait() and None) as sender:
        sender.put("e1")
        await asyncio.sleep(0.05)
        assert sender.spool.head is None
        gate.set()
        assert await sender.take(1) == ["e1"]


async def test_the_head_stays_the_head_until_it_is_forgotten(place: Path) -> None:
    async with spooling(place) as sender:
        sender.put("e1", "e2")
        await sender.on_disk()
        head = sender.spool.head
        assert head is not None
        assert sender.spool.head is head
        sender.spool.forget(head)
        sender.spool.forget(head)  # a second acknowledgement takes nothing else along
        assert await sender.everything() == ["e2"]


async def test_after_a_restart_the_rest_goes_first_and_the_taken_ones_do_not_come_back(place: Path) -> None:
    async with spooling(place) as sender:
        sender.put(*ids(1, 10))
        await sender.take(4)
    async with spooling(place) as sender:
        sender.put(*ids(11, 12))
        assert await sender.take(8) == ids(5, 12)
    async with spooling(place) as sender:
        sender.put("e13")
        assert await sender.take(1) == ["e13"]
        await sender.on_disk()
        assert size_of(place) == 0


async def test_what_was_put_last_reaches_the_disk_on_leaving(place: Path) -> None:
    async with spooling(place) as sender:
        sender.put("e1")
        await sender.on_disk()
        sender.put(*ids(2, 500))
    async with spooling(place) as sender:
        assert await sender.take(500) == ids(1, 500)


async def test_what_was_put_before_the_files_were_even_open_reaches_the_disk_on_leaving(place: Path) -> None:
    async with spooling(place) as sender:
        sender.put(*ids(1, 3))
    async with spooling(place) as sender:
        assert await sender.take(3) == ids(1, 3)


async def test_a_kill_loses_nothing_that_was_on_the_disk_and_brings_nothing_back(place: Path) -> None:
    async with spooling(place) as sender:
        sender.put(*ids(1, 10))
        await sender.take(3)
        await sender.on_disk()
        found = as_a_kill_leaves_it(place)
    async with spooling(found) as sender:
        assert await sender.take(7) == ids(4, 10)


async def test_a_file_cut_anywhere_gives_the_messages_before_the_cut_and_goes_on(place: Path) -> None:
    async with spooling(place) as sender:
        sender.put(*ids(1, 4))
        await sender.on_disk()
        found = as_a_kill_leaves_it(place)
    (segment,) = found.glob("*.spool")
    whole = segment.read_bytes()
    ends = list(itertools.accumulate(len(line) for line in whole.splitlines(keepends=True)))
    for cut in range(len(whole) + 1):
        segment.write_bytes(whole[:cut])
        files = SpoolFiles(found, at_most_bytes=2**20)
        _, waiting = files.open()
        sound = sum(end <= cut for end in ends)
        assert waiting == sound
        # the torn rest is written over, and nothing of it comes back
        files.close()
        assert (segment.stat().st_size if segment.exists() else 0) == (ends[sound - 1] if sound else 0)
    segment.write_bytes(whole[:-3])
    async with spooling(found) as sender:
        sender.put("new")
        assert await sender.take(4) == [*ids(1, 3), "new"]


async def test_a_damaged_line_is_left_out_and_the_others_go(place: Path) -> None:
    async with spooling(place) as sender:
        sender.put(*ids(1, 5))
        await sender.on_disk()
        found = as_a_kill_leaves_it(place)
    (segment,) = found.glob("*.spool")
    content = bytearray(segment.read_bytes())
    content[content.index(b"e3") + 1] ^= 1
    segment.write_bytes(content)
    async with spooling(found) as sender:
        assert await sender.take(4) == ["e1", "e2", "e4", "e5"]


async def test_an_unreadable_cursor_sends_again_rather_than_losing(place: Path) -> None:
    async with spooling(place) as sender:
        sender.put(*ids(1, 5))
        await sender.take(2)
    for content in (b"", b"99999999999999999999 00000000\n", b"\xff" * 40):
        (place / "cursor").write_bytes(content)
        found = as_a_kill_leaves_it(place)
        async with spooling(found) as sender:
            assert await sender.take(5) == ids(1, 5)
        shutil.rmtree(found)


async def test_the_disk_never_holds_more_than_allowed_and_the_oldest_go_counted(place: Path) -> None:
    async with spooling(place, at_most_bytes=80_000) as sender:
        for first in range(1, 20_000, 400):
            sender.put(*ids(first, first + 399))
            await sender.on_disk()
            assert size_of(place) <= 80_000
        dropped = sender.spool.dropped
        assert dropped > 10_000
        rest = await sender.everything()
        assert len(rest) == 20_000 - dropped
        assert rest == sorted(rest, key=lambda one: int(one[1:]))
        assert rest[-1] == "e20000"
        assert sender.spool.dropped == dropped


async def test_a_stuck_disk_costs_a_bounded_memory_and_no_waiting(place: Path, gate: threading.Event) -> None:
    async with spooling(place, before=lambda: gate.wait() and None) as sender:
        sender.put(*ids(1, 3 * IN_MEMORY))
        await asyncio.sleep(0.02)
        sender.put("last")
        assert sender.spool.waiting <= IN_MEMORY + 1
        assert sender.spool.dropped == 2 * IN_MEMORY + 1
        gate.set()
        assert (await sender.everything())[-1] == "last"


async def test_a_message_beyond_all_measure_is_counted_and_kept_out(place: Path) -> None:
    async with spooling(place) as sender:
        sender.spool.put("t", "big", b"x" * 300_000)
        sender.put("e1")
        assert await sender.take(1) == ["e1"]
        assert sender.spool.oversized == sender.spool.dropped == 1


@pytest.fixture
def quick_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spool_module, "_DISK_AGAIN_S", 0.02)


async def test_without_a_directory_messages_go_from_memory_and_one_sentence_tells(tmp_path: Path, quick_again: None):
    (tmp_path / "in_the_way").write_text("a file where the directory should be")
    async with spooling(tmp_path / "in_the_way") as sender:
        for number in range(5):
            sender.put(f"e{number}")
            assert await sender.take(1) == [f"e{number}"]
            await asyncio.sleep(0.03)
        assert sender.told == [False]
        assert sender.spool.dropped == 0
        (tmp_path / "in_the_way").unlink()
        sender.put("later")
        assert await sender.take(1) == ["later"]
        async with asyncio.timeout(2.0):
            while sender.told != [False, True]:
                await asyncio.sleep(0.01)
        sender.put("on the disk")
        await sender.on_disk()
        assert size_of(tmp_path / "in_the_way") > 0


@contextlib.contextmanager
def files_no_longer_than(size_bytes: int) -> Iterator[None]:
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size_bytes, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


async def test_a_full_disk_keeps_order_tells_once_and_is_used_again_when_there_is_room(
    place: Path, quick_again: None
) -> None:
    async with spooling(place) as sender:
        sender.put(*ids(1, 700))  # more than are held ready: some are on the disk only
        await sender.on_disk()
        with files_no_longer_than(size_of(place) + 50):
            sender.put(*ids(701, 710))
            await asyncio.sleep(0.1)
            assert sender.told == [False]
            sender.put(*ids(711, 720))
            assert await sender.take(720) == ids(1, 720)
        await asyncio.sleep(0.1)
        sender.put("e721")
        assert await sender.take(1) == ["e721"]
        assert sender.told == [False, True]
        assert sender.spool.dropped == 0


async def test_a_half_written_batch_is_taken_back(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    files = SpoolFiles(place, at_most_bytes=2**20)
    files.open()
    files.write([spool_module.Kept(number=1, topic="t", id="e1", payload=b"1")], spared_to=0)
    size = size_of(place)

    def nothing_more(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("benchd.outside.spool_files.os.fdatasync", nothing_more)
        with pytest.raises(OSError, match="No space"):
            files.write([spool_module.Kept(number=2, topic="t", id="e2", payload=b"2")], spared_to=0)
    assert size_of(place) == size
    files.write([spool_module.Kept(number=3, topic="t", id="e3", payload=b"3")], spared_to=0)
    assert [one.id for one in files.read_after(0, at_most=9, at_most_bytes=999)] == ["e1", "e3"]
    files.close()


async def test_a_directory_that_somebody_removes_is_made_again(place: Path) -> None:
    async with spooling(place) as sender:
        sender.put("e1", "e2")
        await sender.take(1)
        await sender.on_disk()
        shutil.rmtree(place)
        sender.put("e3")
        await sender.on_disk()
        found = as_a_kill_leaves_it(place)
        assert await sender.take(2) == ["e2", "e3"]
    async with spooling(found) as sender:
        await sender.opened()
        assert await sender.everything() == ["e3"]


def test_any_payload_survives_the_disk(tmp_path: Path) -> None:
    payloads = [b"", b"\x00\xff\xfe", "N·m\u2028\n".encode(), b'{"a":"\\n"}', bytes(range(256))]
    files = SpoolFiles(tmp_path, at_most_bytes=2**20)
    files.open()
    kept = [
        spool_module.Kept(number=at, topic="t/ü", id=f"{at}", payload=one) for at, one in enumerate(payloads, start=1)
    ]
    files.write(kept, spared_to=0)
    assert [one.payload for one in files.read_after(0, at_most=9, at_most_bytes=9999)] == payloads
    files.close()


STEP = st.one_of(
    st.tuples(st.just("put"), st.integers(1, 400)),
    st.tuples(st.just("take"), st.integers(1, 400)),
    st.tuples(st.sampled_from(["leave", "kill", "settle"]), st.just(0)),
)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=st.lists(STEP, min_size=1, max_size=12))
def test_whatever_happens_each_is_delivered_in_order_and_none_is_missed(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[str, int]]
) -> None:
    """The oracle is a list: what is delivered first, each id once, is what was put, in that order."""
    place = tmp_path_factory.mktemp("spool") / "spool"
    delivered: list[str] = []
    put = 0

    async def life(place: Path, rest: Iterator[tuple[str, int]]) -> tuple[Path, bool]:
        nonlocal put
        async with spooling(place) as sender:
            for what, count in rest:
                if what == "put":
                    sender.put(*ids(put + 1, put + count))
                    put += count
                elif what == "take":
                    await sender.opened()
                    delivered.extend(await sender.take(min(count, sender.spool.waiting)))
                elif what == "leave":
                    return place, True
                else:
                    await sender.on_disk()
                    if what == "kill":
                        return as_a_kill_leaves_it(place), True
            await sender.on_disk()
            delivered.extend(await sender.everything())
            return place, False

    rest = iter(steps)
    more = True
    while more:
        place, more = asyncio.run(life(place, rest))
    first_time = list(dict.fromkeys(delivered))
    assert first_time == ids(1, put)


def test_a_spool_that_never_ran_takes_messages_and_costs_little(tmp_path: Path) -> None:
    async def nowhere(_: object) -> object:
        raise AssertionError

    spool = Spool(tmp_path, offload=nowhere)
    for number in range(5 * IN_MEMORY):
        spool.put("t", str(number), b"x")
    assert spool.waiting == IN_MEMORY
    assert spool.head is None
