"""A campaign measures the bench as the daemon runs it."""

from pathlib import Path
from typing import Any

import pytest

from benchd.app import own_bench
from benchd.app.commissioning import session
from benchd.app.loading import load_all
from benchd.app.watched import plan_through, watched
from benchd.app.wiring import bench_plan
from benchd.live.plan import BenchPlan


class Caught(Exception):
    """The plan that a bench would have been made of."""


def test_a_campaign_polls_every_device_as_often_as_the_daemon_does(
    site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def caught(plan: BenchPlan, *_: Any, **__: Any) -> None:
        raise Caught(plan)

    monkeypatch.setattr(own_bench, "LiveBench", caught)
    bench, run = load_all(*site.files)
    assert run is not None
    with pytest.raises(Caught) as found:
        session.commission(bench, run, runtime_directory=tmp_path, times=1, say=print, answers=[], left_out=[])
    with watched(bench, tmp_path) as shown:
        assert shown is not None  # the bench has a sentry, through whose file the chain is looked at with each tick
        daemons = plan_through(shown, bench_plan(bench))
    assert found.value.args[0].devices == daemons.devices
    assert daemons.devices != bench_plan(bench).devices
