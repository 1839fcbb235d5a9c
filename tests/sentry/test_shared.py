"""The shared file: each side sees what the other wrote, whole or not at all."""

import multiprocessing
import os
import struct
import subprocess
import sys
from pathlib import Path

import pytest

from benchd.sentry.shared import NoSigns, SharedFile, born


@pytest.fixture
def shared(tmp_path: Path):
    with SharedFile(tmp_path / "signs") as one:
        yield one


def shown(shared: SharedFile, *, ticks: int = 7) -> None:
    shared.show_daemon(pid=42, born=43, ticks=ticks, tick_mono_ns=5_000_000_000, beats=9, energised=True)


def test_before_anything_was_written_there_are_no_signs(shared: SharedFile) -> None:
    with pytest.raises(NoSigns):
        shared.daemon()
    with pytest.raises(NoSigns):
        shared.sentry()


def test_each_side_reads_what_the_other_wrote(shared: SharedFile) -> None:
    shown(shared)
    shared.ask(3)
    shared.warn(5)
    daemon = shared.daemon()
    assert (daemon.pid, daemon.born, daemon.ticks, daemon.tick_mono_s) == (42, 43, 7, 5.0)
    assert (daemon.beats, daemon.energised, daemon.ended) == (9, True, False)
    assert (daemon.asked, daemon.warning) == (3, 5)
    inputs = {"guard_closed": True, "estop_released": False, "remote_selected": True, "torque_enabled": False}
    inputs |= {"permit": True, "release_pressed": None}
    shared.show_sentry(taken_mono_s=2.5, inputs=inputs, connected=True, sentence="Ölstand " + "x" * 400)
    shared.confirm(3)
    shared.confirm_warning(5)
    sentry = shared.sentry()
    assert (sentry.pid, sentry.taken_mono_s, sentry.inputs) == (os.getpid(), 2.5, inputs)
    assert (sentry.connected, sentry.announces_start, sentry.withdrawn, sentry.warned) == (True, False, 3, 5)
    assert sentry.sentence.startswith("Ölstand xxx")


def test_a_side_that_comes_again_goes_on_counting_and_is_read(tmp_path: Path) -> None:
    for ticks in (1, 2, 3):
        with SharedFile(tmp_path / "signs") as one:
            shown(one, ticks=ticks)
            assert one.daemon().ticks == ticks


def test_a_writer_that_was_killed_in_the_middle_is_no_sign_and_the_next_one_is(tmp_path: Path) -> None:
    with SharedFile(tmp_path / "signs") as one:
        shown(one)
    raw = bytearray((tmp_path / "signs").read_bytes())
    (sequence,) = struct.unpack_from("<Q", raw, 8)
    struct.pack_into("<Q", raw, 8, sequence + 1)
    (tmp_path / "signs").write_bytes(raw)
    with SharedFile(tmp_path / "signs") as one:
        with pytest.raises(NoSigns, match="in the middle"):
            one.daemon()
        shown(one, ticks=8)
        assert one.daemon().ticks == 8


def _write(path: str, count: int) -> None:
    with SharedFile(Path(path)) as one:
        for number in range(1, count):
            one.show_daemon(
                pid=number, born=number, ticks=number, tick_mono_ns=number, beats=number, energised=bool(number % 2)
            )


def test_what_is_read_beside_a_writer_is_always_whole(tmp_path: Path) -> None:
    path = tmp_path / "signs"
    with SharedFile(path) as one:
        writer = multiprocessing.get_context("spawn").Process(target=_write, args=(str(path), 200_000))
        writer.start()
        seen = set()
        while writer.is_alive():
            try:
                found = one.daemon()
            except NoSigns:
                continue
            assert found.pid == found.born == found.ticks == found.beats
            assert found.energised is bool(found.ticks % 2)
            seen.add(found.ticks)
        writer.join()
    assert writer.exitcode == 0
    assert len(seen) > 10  # it looked while the other wrote


def test_a_file_that_is_a_link_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").write_text("precious")
    (tmp_path / "signs").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(OSError, match="signs"), SharedFile(tmp_path / "signs"):
        pass
    assert (tmp_path / "elsewhere").read_text() == "precious"


def test_a_process_is_told_from_another_that_got_its_number() -> None:
    assert born(os.getpid()) == born(os.getpid()) > 0
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE) as other:
        assert born(other.pid) > born(os.getpid())
        other.kill()
        os.waitid(os.P_PID, other.pid, os.WEXITED | os.WNOWAIT)
        assert born(other.pid) == 0  # dead, though nobody has asked for its exit status yet
    assert born(other.pid) == 0
