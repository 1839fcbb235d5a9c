"""One simulated bench a story, and daemons that never outlive it."""

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from .on_the_wire import TURNING, Control, Daemon, a_bench, a_run


@pytest.fixture
def bench() -> Iterator[tuple[Mapping[str, Any], Control]]:
    with a_bench() as places_and_control:
        yield places_and_control


@pytest.fixture
def control(bench: tuple[Mapping[str, Any], Control]) -> Control:
    return bench[1]


@pytest.fixture
def listening(bench: tuple[Mapping[str, Any], Control]) -> Mapping[str, Any]:
    return bench[0]


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[Callable[..., Daemon]]:
    """Starts daemons with these arguments of `serve`; they are ended with the test."""
    started: list[Daemon] = []

    def start(arguments: list[str], **how: Any) -> Daemon:
        started.append(Daemon(arguments, runtime=tmp_path / "runtime", **how))
        return started[-1]

    yield start
    for one in started:
        one.close()


@pytest.fixture
def turning(
    daemon: Callable[..., Daemon], listening: Mapping[str, Any], control: Control, tmp_path: Path
) -> Callable[..., Daemon]:
    """Starts a long run and returns once the shaft turns under power; the run goes to `tmp_path`/data."""

    def start(programme: str = TURNING, **how: Any) -> Daemon:
        one = daemon(a_run(tmp_path, listening, programme), **how)

        def turns(truth: Mapping[str, Any]) -> bool:
            assert one.process.poll() is None, (one.sentences, one.events[-5:])
            return truth["motor_speed_rpm"] > 600.0

        control.until(turns)
        return one

    return start
