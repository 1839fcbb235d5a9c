"""How the outside of a bench is found and kept apart from others, and what follows a run when the machine is full."""

import asyncio
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from benchd.app import aftermath
from benchd.app.aftermath import RunNews, evaluated
from benchd.app.remote import access, place
from benchd.outside.lease import ControlHeld, Lease
from benchd.settings.errors import SettingsError
from benchd.settings.load import Registry
from benchd.settings.outside_file import MqttTable
from tests.live.twin_bench import planned

NOTHING = Registry(drivers={}, tests={})


def bench(folder: Path, *, name: str = "greenhouse", **mqtt: object):
    settings, _ = planned(folder=folder)
    return replace(settings, name=name, data_directory=folder / "data", mqtt=MqttTable.model_validate(mqtt))


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("broker", ("broker", 1883)),
        ("broker:1884", ("broker", 1884)),
        ("[::1]:1884", ("::1", 1884)),
        ("127.0.0.1", ("127.0.0.1", 1883)),
    ],
)
def test_a_broker_is_a_host_with_or_without_a_port(text: str, found: tuple[str, int]) -> None:
    assert place(text) == found


@pytest.mark.parametrize("text", ["", ":1883", "broker:", "broker:0", "broker:99999", "mqtt://broker", "::1"])
def test_what_is_no_broker_is_refused_in_a_sentence(text: str) -> None:
    with pytest.raises(ValueError, match="is not HOST:PORT"):
        place(text)


@pytest.mark.parametrize("host", ["broker..example", f"{'x' * 64}.example"])
def test_a_name_that_no_name_server_can_be_asked_for_is_refused_before_anything_is_touched(
    host: str, tmp_path: Path
) -> None:
    with pytest.raises(ValueError, match="cannot be the name"):
        access(bench(tmp_path), NOTHING, broker=host)
    with pytest.raises(ValueError, match="cannot be the name"):
        access(bench(tmp_path, host=host), NOTHING, broker=None)


@pytest.mark.parametrize("content", [None, "no certificate"])
def test_an_authority_that_cannot_be_used_is_refused_with_its_place(content: str | None, tmp_path: Path) -> None:
    file = tmp_path / "ca.pem"
    if content is not None:
        file.write_text(content)
    with pytest.raises(SettingsError) as refused:
        access(bench(tmp_path, ca_file=str(file)), NOTHING, broker=None)
    assert "ca.pem" in refused.value.sentence


def test_benches_that_share_a_data_directory_share_nothing_else(tmp_path: Path) -> None:
    first, second = (access(bench(tmp_path, name=name), NOTHING, broker=None) for name in ("left", "right"))
    assert first is not None
    assert second is not None
    assert not first.directory.is_relative_to(second.directory)
    assert not second.directory.is_relative_to(first.directory)
    assert first.directory != second.directory


def test_no_number_comes_twice_however_often_a_daemon_starts(tmp_path: Path) -> None:
    one = bench(tmp_path)
    numbers = [access(one, NOTHING, broker=None).first_fence for _ in range(3)]
    assert numbers == sorted(set(numbers))
    assert all(later - earlier >= 1_000_000_000 for earlier, later in pairwise(numbers))


def test_while_the_daemon_plays_its_own_run_nobody_takes_control() -> None:
    lease = Lease(first_fence=7)
    lease.take("ines", fence=None, lease_s=30.0, now_mono_s=0.0)
    lease.keep("the command line")
    for fence in (None, 7, 8):
        with pytest.raises(ControlHeld, match="the command line holds control"):
            lease.take("ines", fence=fence, lease_s=30.0, now_mono_s=1e9)
        with pytest.raises(ControlHeld, match="the command line holds control"):
            lease.check("ines", fence=fence, now_mono_s=1e9)


async def test_a_machine_that_starts_no_process_is_told_and_ends_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def none_left(*_: object, **__: object) -> None:
        raise BlockingIOError(11, "Resource temporarily unavailable")

    monkeypatch.setattr(asyncio, "create_subprocess_exec", none_left)
    found = await evaluated(tmp_path)
    assert found.summary is None
    assert "Resource temporarily unavailable" in found.sentence


async def test_what_evaluates_goes_before_the_daemon_when_memory_runs_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = tmp_path / "told"
    (tmp_path / "python").write_text(f"#!/bin/sh\nsleep 0.5\ncat /proc/$$/oom_score_adj > {told}\n")
    (tmp_path / "python").chmod(0o755)
    monkeypatch.setattr(aftermath.sys, "executable", str(tmp_path / "python"))
    await evaluated(tmp_path)
    assert told.read_text().strip() == "500"


def test_a_run_that_nobody_evaluates_is_forgotten_when_it_has_ended(tmp_path: Path) -> None:

    news = RunNews(None, None, utc=lambda: None)
    news._briefs[tmp_path] = object()
    news.ended(tmp_path, ending="stopped", why="", last=True)
    assert news._briefs == {}
