"""What fails outside costs the outside, never the bench: the whole daemon on the in-process twin, without a broker."""

import asyncio
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from benchd.app import serve
from benchd.app.announcing import Announcer
from benchd.app.commander import Commander
from benchd.app.discovery import find_drivers
from benchd.app.loading import registry
from benchd.app.remote import Access
from benchd.app.serve import COMPLETE, Outcome
from benchd.outside.broker import Broker, BrokerSettings
from benchd.outside.spool import Spool
from benchd_rig.twin import twin_drivers
from tests.live.twin_bench import planned

pytestmark = [pytest.mark.usefixtures("capfd"), pytest.mark.wires]


def nobody_listens(folder: Path) -> Access:
    return Access(
        broker=BrokerSettings(host="127.0.0.1", port=1),
        registry=registry(find_drivers()),
        directory=folder / "outside",
        first_fence=1000,
    )


def played(folder: Path) -> Outcome:
    """One short run of the whole daemon."""
    bench, run = planned(folder=folder)
    start = bench.start.model_copy(update={"pre_start_warning_s": 0.1, "zero_time_s": 0.3})
    bench = replace(bench, start=start, data_directory=folder / "data")
    drivers = twin_drivers("vent_flap_24v", seed=1)
    daemon = serve._Daemon(bench, run, drivers, nobody_listens(folder), None, report=False)
    outcome = asyncio.run(daemon.main())
    assert daemon._remote is not None
    held = daemon._remote._lease.held(now_mono_s=1e9)
    assert held is not None
    assert held.holder == "the command line", "others look at a run that the daemon plays of itself"
    return outcome


def fail(*_: object, **__: object) -> None:
    raise RuntimeError("a defect of the outside")


async def fail_soon(*_: object) -> None:
    await asyncio.sleep(0.5)
    raise RuntimeError("a defect of the outside")


@pytest.mark.parametrize(
    ("room", "method", "defect"),
    [
        (Announcer, "event", fail),
        (Announcer, "tell_state", fail),
        (Announcer, "_data", fail),
        (Commander, "told", fail),
        (Commander, "run", fail_soon),
        (Broker, "_stay_connected", fail_soon),
        (Spool, "run", fail_soon),
    ],
)
def test_a_defect_of_the_outside_ends_no_run(
    room: type,
    method: str,
    defect: Callable[..., object],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr(room, method, defect)
    outcome = played(tmp_path)
    log = [json.loads(line) for line in capfd.readouterr().err.splitlines()]
    assert outcome.status == COMPLETE, outcome.sentences
    told = [line for line in log if line["event"] == "outside_failed"]
    assert len(told) == 1, "one line, however often it happens"
    assert "a defect of the outside" in told[0]["sentence"]
