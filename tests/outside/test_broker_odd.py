"""What cannot be published or reached at all costs one sentence, and everything else goes on."""

from pathlib import Path

import pytest

from benchd.outside.messages import RunAnnouncement, RunBrief

from .connected import TOPICS, now, peer, side, until
from .mosquitto import mosquitto

pytestmark = pytest.mark.wires

BRIEF = RunBrief(programme="p", motor="m", setup="s", order="1", serial="1", operator="o", tests=(), duration_s=1.0)


@pytest.mark.parametrize("run", ["+", "a/#", "x" * 70_000])
async def test_what_has_no_topic_does_not_hold_up_what_comes_after(run: str, tmp_path: Path) -> None:
    with mosquitto(tmp_path) as broker, peer(broker.port) as watcher:
        await watcher.subscribe(TOPICS.everything)
        async with side(tmp_path, broker.port) as bench:
            bench.outbox.run(RunAnnouncement(id="r", utc=now(), run=run, phase="started", brief=BRIEF, folder="f"))
            bench.event("after")
            await until(lambda: [one["id"] for one in watcher.on(TOPICS.event)] == ["after"])
            assert len(bench.refused) == 1
            assert bench.ups_and_downs == [True]


async def test_a_host_that_is_no_name_is_told_and_tried_again(tmp_path: Path) -> None:
    async with side(tmp_path, 1883, host="a..b") as bench:
        await until(lambda: bench.changes)
        (change,) = bench.changes
        assert change[0] is False
        assert "cannot be reached" in change[1]
