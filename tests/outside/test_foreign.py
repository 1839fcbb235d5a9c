"""What libraries log, warn and fail with becomes events of the daemon's log and never reaches standard error."""

import json
import logging
import sys
import threading
import warnings
from pathlib import Path

import pytest

from benchd.outside.foreign import foreign_voices
from benchd.outside.log import Log, configure


@pytest.fixture
def log(tmp_path: Path):
    with (tmp_path / "log").open("wb") as file:
        one = configure(file)
        yield one
        one.close()


def events(log: Log, tmp_path: Path) -> list[dict]:
    log.drain()
    return [json.loads(line) for line in (tmp_path / "log").read_text().splitlines()]


def test_a_library_that_warns_becomes_an_event_with_its_name(log: Log, tmp_path: Path, capfd) -> None:
    with foreign_voices(log):
        logging.getLogger("some.library").warning("lost %d frames", 3)
        logging.getLogger("some.library").info("unimportant")
    (event,) = events(log, tmp_path)
    assert (event["event"], event["level"], event["library"]) == ("foreign", "warning", "some.library")
    assert event["sentence"] == "lost 3 frames"
    assert capfd.readouterr().err == ""


def test_a_record_with_an_error_carries_its_traceback_and_a_spoilt_one_costs_nothing(log: Log, tmp_path: Path) -> None:
    def record(text: str, *values: object, error: BaseException | None = None) -> logging.LogRecord:
        trace = None if error is None else (type(error), error, error.__traceback__)
        return logging.LogRecord("lib", logging.ERROR, "lib.py", 1, text, values, trace)

    with foreign_voices(log):
        ours = logging.getLogger().handlers[-1]  # the test runner's own handler would raise for the spoilt one
        ours.handle(record("failed", error=ValueError("bad frame")))
        ours.handle(record("%d frames", "three"))
        ours.handle(record("still here"))
    told = events(log, tmp_path)
    assert "ValueError: bad frame" in told[0]["exception"]
    assert [event["sentence"] for event in told] == ["failed", "still here"]


def test_warnings_threads_and_destructors_are_heard_too(log: Log, tmp_path: Path, capfd) -> None:
    def fail() -> None:
        raise RuntimeError("in a thread")

    class Bad:
        def __del__(self) -> None:
            raise RuntimeError("in a destructor")

    with foreign_voices(log), warnings.catch_warnings():
        warnings.simplefilter("always")
        logging.captureWarnings(capture=True)
        warnings.warn("old call", DeprecationWarning, stacklevel=1)
        thread = threading.Thread(target=fail, name="worker")
        thread.start()
        thread.join()
        Bad()
    told = [event["sentence"] for event in events(log, tmp_path)]
    assert any("old call" in sentence for sentence in told)
    assert "RuntimeError: in a thread" in told
    assert "RuntimeError: in a destructor" in told
    assert capfd.readouterr().err == ""


def test_afterwards_everything_is_as_it_was(log: Log) -> None:
    before = (threading.excepthook, sys.unraisablehook, list(logging.getLogger().handlers), warnings.showwarning)
    with foreign_voices(log):
        pass
    assert before == (threading.excepthook, sys.unraisablehook, logging.getLogger().handlers, warnings.showwarning)
