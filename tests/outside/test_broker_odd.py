"""What cannot be published or reached at all costs one sentence, and everything else goes on."""

from pathlib import Path

import pytest

from benchd.outside.messages import RunAnnouncement, RunBrief

from .connected import TOPICS, now, peer, side, until
from .mosquitto import mosquitto
from .test_broker_bad import CONNACK, server

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


async def test_what_others_publish_as_the_bench_s_state_is_heard_and_its_own_is_not(tmp_path: Path) -> None:
    with mosquitto(tmp_path) as broker, peer(broker.port) as somebody:
        async with side(tmp_path, broker.port) as bench:
            heard: list[bytes] = []
            bench.broker._on_state = heard.append
            await until(lambda: bench.broker.connected)
            bench.state()
            somebody.client.publish(TOPICS.state, b"theirs", qos=1, retain=True)
            await until(lambda: heard)
            bench.state()
            await until(lambda: bench.outbox.retained_sent == 2)
            assert heard == [b"theirs"]
            assert bench.commands == []


async def test_a_broker_that_lets_nobody_read_the_state_takes_commands_all_the_same(tmp_path: Path) -> None:
    subscribed = bytes([0x90, 5, 0, 1, 0, 1, 0x87])  # the commands, and not authorised
    async with server(lambda _: CONNACK + subscribed) as (port, _), side(tmp_path, port) as bench:
        await until(lambda: bench.broker.connected)
        assert bench.ups_and_downs == [True]
