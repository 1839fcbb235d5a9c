"""A run folder is made whole, under names that stay apart, or not at all."""

import hashlib
import json
import re
import unicodedata
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from urllib.parse import unquote

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchd.records import (
    ClockAnchor,
    Ending,
    RecordsError,
    RunFolder,
    check_data_directory,
    read_description,
    read_ending,
    unfinished_runs,
)
from benchd.records.run_folder import _folder_name

from .conftest import MakeRun, Record, description


def test_the_folder_bears_order_serial_utc_time_and_programme(make_run: MakeRun, tmp_path: Path) -> None:
    folder = make_run()
    expected = tmp_path / "data/order=A-1042/serial=0007/20261125T103400.250Z_vent_flap"
    assert folder.path == expected
    assert sorted(p.name for p in expected.iterdir()) == ["run.json"]


def test_a_start_in_another_time_zone_is_written_in_utc(make_run: MakeRun) -> None:
    noon = datetime(2026, 6, 1, 1, 30, tzinfo=timezone(timedelta(hours=2)))
    folder = make_run(started=noon)
    assert folder.path.name == "20260531T233000.000Z_vent_flap"
    assert read_description(folder)["started_utc"] == "2026-05-31T23:30:00.000000Z"


def test_a_start_without_time_zone_is_refused(make_run: MakeRun) -> None:
    with pytest.raises(RecordsError, match="time zone"):
        make_run(started=datetime(2026, 6, 1))  # noqa: DTZ001


def test_the_description_holds_everything_and_the_hash_of_the_configuration(make_run: MakeRun) -> None:
    run = read_description(make_run())
    assert run["schema"] == 1
    assert (run["order"], run["serial"], run["programme"]) == ("A-1042", "0007", "vent_flap")
    assert run["configuration"]["bench"]["limits"] == [1.5, "Infinity"]
    spelled = b'{"bench":{"limits":[1.5,"Infinity"],"name":"bench3"}}'  # sorted keys, no spaces, by hand
    assert run["configuration_sha256"] == hashlib.sha256(spelled).hexdigest()


@pytest.mark.parametrize("name", ["../../etc", "a/b", "a b", "ß-Prüfling", "x=y", "100%", ".", "..", "a\u0301"])
def test_odd_names_stay_inside_the_data_directory_and_can_be_read_back(
    make_run: MakeRun, tmp_path: Path, name: str
) -> None:
    folder = make_run(order=name, serial=name, programme=name)
    parts = folder.path.relative_to(tmp_path / "data").parts
    assert len(parts) == 3
    assert folder.path.resolve() == folder.path
    assert unquote(parts[0]) == "order=" + unicodedata.normalize("NFC", name)
    assert read_description(folder)["order"] == name


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("", "empty"),
        ("  ", "empty"),
        ("a\nb", "cannot be written"),
        ("\0", "cannot be written"),
        ("x" * 250, "too long"),
    ],
)
def test_an_impossible_name_is_refused_in_one_sentence_that_names_the_field(
    make_run: MakeRun, tmp_path: Path, name: str, words: str
) -> None:
    for what in ("order", "serial", "programme"):
        with pytest.raises(RecordsError, match=words) as refusal:
            make_run(**{what: name})
        assert re.search(rf"\b{what}\b", str(refusal.value))
        assert "\n" not in str(refusal.value)
    assert not (tmp_path / "data").exists()


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(names=st.lists(st.text(min_size=1, max_size=12), min_size=2, max_size=2, unique=True))
def test_different_names_never_share_a_folder(names: list[str]) -> None:
    made = []
    for name in names:
        try:
            made.append(_folder_name("order", name, prefix="order="))
        except RecordsError:
            return
    same = len({unicodedata.normalize("NFC", n).strip() for n in names}) == 1
    assert (made[0] == made[1]) is same
    assert all("/" not in m and "\0" not in m for m in made)


def test_a_description_that_lacks_something_is_refused_before_anything_is_made(
    make_run: MakeRun, tmp_path: Path
) -> None:
    lacking = {key: value for key, value in description().items() if key != "channels"}
    with pytest.raises(RecordsError, match="lacks channels"):
        make_run(description=lacking)
    assert not (tmp_path / "data").exists()


def test_too_little_free_space_is_refused_with_both_numbers(make_run: MakeRun, tmp_path: Path) -> None:
    with pytest.raises(RecordsError, match=r"MB free and a run needs 1000000000000 MB: free space there\.$"):
        make_run(minimum_free_bytes=10**18)
    assert list((tmp_path / "data").iterdir()) == []


def test_a_data_directory_under_a_file_is_refused_in_one_sentence(make_run: MakeRun, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    for data in (tmp_path / "file", tmp_path / "file" / "data"):
        with pytest.raises(RecordsError, match="is a file") as refusal:
            make_run(data)
        assert str(data) in str(refusal.value)


def test_a_directory_that_takes_no_files_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordsError, match="cannot take data"):
        check_data_directory(Path("/proc/self/task"), minimum_free_bytes=0)


def test_the_same_run_cannot_be_made_twice(make_run: MakeRun) -> None:
    folder = make_run()
    before = (folder.path / "run.json").read_bytes()
    with pytest.raises(RecordsError, match="exists already"):
        make_run()
    assert (folder.path / "run.json").read_bytes() == before


def test_the_ending_says_how_and_when(make_run: MakeRun) -> None:
    folder = make_run()
    assert read_ending(folder) is None
    folder.end(Ending.ABORTED, why="Trip of shaft_torque.", time_mono_s=101.5)
    ending = read_ending(folder)
    assert ending is not None
    assert ending["ending"] == "aborted"
    assert ending["utc"] == "2026-09-21T14:13:21.500000Z"  # date -u -d @1790000001.5


def test_the_clock_anchor_turns_loop_time_into_utc_to_the_microsecond() -> None:
    clock = ClockAnchor(mono_s=50.0, utc_ns=1_000_000_000_123_456_789)
    assert clock.utc(50.0) == datetime(2001, 9, 9, 1, 46, 40, 123_456, tzinfo=UTC)
    assert clock.utc(49.0).second == 39


def test_unfinished_runs_are_those_without_ending_or_sums_oldest_first(record: Record, make_run: MakeRun) -> None:
    done = record()
    data = done.path.parents[2]
    early = make_run(started=datetime(2026, 1, 1, tzinfo=UTC), serial="9")
    late = make_run(started=datetime(2027, 1, 1, tzinfo=UTC), serial="1")
    ended = make_run(started=datetime(2026, 5, 1, tzinfo=UTC), serial="5")
    ended.end(Ending.STOPPED, why="", time_mono_s=100.0)
    assert unfinished_runs(data) == [early.path, ended.path, late.path]
    assert unfinished_runs(data / "nowhere") == []


def test_a_newer_schema_is_told_in_one_clear_sentence(make_run: MakeRun) -> None:
    folder = make_run()
    run = json.loads((folder.path / "run.json").read_text())
    (folder.path / "run.json").write_text(json.dumps({**run, "schema": 2}))
    with pytest.raises(RecordsError, match=r"has schema 2, and this benchd reads up to 1: use a newer release"):
        read_description(folder)


def test_a_run_folder_stands_wherever_a_path_does(make_run: MakeRun) -> None:
    folder: RunFolder = make_run()
    assert Path(folder) == folder.path
