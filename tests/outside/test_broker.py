"""With a real mosquitto and plain clients: what is published and asked arrives, whatever becomes of the broker."""

import asyncio
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as paho
import pytest

from benchd.outside.admission import Arrived
from benchd.outside.connection import UNCONFIRMED_INCOMING
from benchd.outside.messages import Data

from .connected import TOPICS, now, peer, side, until
from .mosquitto import Mosquitto, mosquitto, program

pytestmark = pytest.mark.wires


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with mosquitto(tmp_path) as running:
        yield running


async def subscribed_lines(broker: Mosquitto, *arguments: str) -> str:
    """What mosquitto_sub prints."""
    process = await asyncio.create_subprocess_exec(
        program("mosquitto_sub"), "-p", str(broker.port), "-W", "5", *arguments, stdout=subprocess.PIPE
    )
    out, _ = await process.communicate()
    return out.decode()


async def test_a_command_comes_back_as_a_reply_with_its_correlation_data(tmp_path: Path, broker: Mosquitto) -> None:
    async with side(tmp_path, broker.port) as bench:
        bench.on_command = bench.answer
        await until(lambda: bench.broker.connected)
        with peer(broker.port) as client:
            await client.subscribe(TOPICS.reply("ada"))
            client.command("programmes", b'{"id":"1"}', correlation_data=b"\x00\xff one")
            answer = await client.next()
        assert answer.topic == TOPICS.reply("ada")
        assert answer.qos == 1
        assert answer.properties.CorrelationData == b"\x00\xff one"
        assert json.loads(answer.payload)["stage"] == "done"
        (asked,) = bench.commands
        assert (asked.topic, asked.payload) == (TOPICS.command("programmes"), b'{"id":"1"}')
        assert (asked.retained, asked.response_topic) == (False, TOPICS.reply("ada"))
        await until(lambda: bench.outbox.replies_sent == 1)


async def test_more_commands_than_may_be_unacknowledged_all_arrive(tmp_path: Path, broker: Mosquitto) -> None:
    async with side(tmp_path, broker.port) as bench:
        await until(lambda: bench.broker.connected)
        with peer(broker.port) as client:
            for number in range(3 * UNCONFIRMED_INCOMING):
                client.command("start", b"%d" % number)
            await until(lambda: len(bench.commands) == 3 * UNCONFIRMED_INCOMING)
        assert [int(one.payload) for one in bench.commands] == list(range(3 * UNCONFIRMED_INCOMING))


async def test_a_client_of_3_1_1_commands_without_properties_and_observes(tmp_path: Path, broker: Mosquitto) -> None:
    async with side(tmp_path, broker.port) as bench:
        await until(lambda: bench.broker.connected)
        with peer(broker.port, protocol=paho.MQTTv311) as client:
            await client.subscribe(TOPICS.everything)
            bench.state("hello")
            bench.event("e1")
            bench.outbox.data("fast", Data(utc=now(), seq=0, values={"a": None}, ages_s={"a": None}))
            client.command("stop")
            await until(lambda: bench.commands and client.on(TOPICS.data("fast")) and client.on(TOPICS.event))
        (asked,) = bench.commands
        assert (asked.response_topic, asked.correlation_data) == (None, None)
        assert client.on(TOPICS.state)[-1]["because"] == "hello"
        assert client.on(TOPICS.event)[0]["id"] == "e1"
        assert client.on(TOPICS.data("fast"))[0]["values"] == {"a": None}


async def test_mosquitto_sub_sees_the_state_retained_and_events_live(tmp_path: Path, broker: Mosquitto) -> None:
    async with side(tmp_path, broker.port) as bench:
        bench.state("before anybody looked")
        await until(lambda: bench.outbox.retained_sent)
        watching = asyncio.ensure_future(
            subscribed_lines(broker, "-t", TOPICS.everything, "-C", "2", "-F", "%r %q %t %p", "-q", "1")
        )
        await asyncio.sleep(0.3)
        bench.event("e1")
        state, event = (await watching).splitlines()
    assert state.startswith(f"1 1 {TOPICS.state} ")
    assert json.loads(state.split(" ", 3)[3])["because"] == "before anybody looked"
    assert event.startswith(f"0 1 {TOPICS.event} ")
    assert json.loads(event.split(" ", 3)[3])["id"] == "e1"


async def test_a_retained_command_of_the_past_stays_away_and_a_live_one_is_known_as_retained(
    tmp_path: Path, broker: Mosquitto
) -> None:
    with peer(broker.port) as client:
        client.command("start", b"old", retain=True).wait_for_publish(5.0)
        async with side(tmp_path, broker.port) as bench:
            await until(lambda: bench.broker.connected)
            client.command("start", b"live retained", retain=True)
            client.command("start", b"live")
            await until(lambda: len(bench.commands) == 2)
            assert [(one.payload, one.retained) for one in bench.commands] == [
                (b"live retained", True),
                (b"live", False),
            ]


async def test_without_a_broker_nothing_is_lost_and_one_sentence_tells(tmp_path: Path) -> None:
    with mosquitto(tmp_path, started=False) as broker:
        async with side(tmp_path, broker.port) as bench:
            for number in range(30):
                bench.event(f"e{number}")
            bench.state("early")
            await asyncio.sleep(0.8)
            assert bench.ups_and_downs == [False]
            assert f":{broker.port} cannot be reached (Connection refused)" in bench.changes[0][1]
            broker.start()
            with peer(broker.port) as client:
                await client.subscribe(TOPICS.everything)
                await until(lambda: len(client.on(TOPICS.event)) == 30)
                await until(lambda: client.on(TOPICS.state))
            assert [one["id"] for one in client.on(TOPICS.event)] == [f"e{number}" for number in range(30)]
            assert bench.ups_and_downs == [False, True]


async def test_a_broker_killed_and_back_gets_every_event_in_order_and_the_state_anew(
    tmp_path: Path, broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    # so that the observer, whom the killed broker forgot too, is there before the bench is
    monkeypatch.setattr("benchd.outside.broker.SHORTEST_WAIT_S", 1.0)
    monkeypatch.setattr("benchd.outside.broker.LONGEST_WAIT_S", 1.0)
    seen: list[str] = []
    put = 0
    async with side(tmp_path, broker.port) as bench:
        await until(lambda: bench.broker.connected)
        bench.state("as it is")
        for _ in range(3):
            with peer(broker.port) as client:
                await client.subscribe(TOPICS.everything)
                await until(lambda: client.on(TOPICS.state) and bench.broker.connected)
                assert client.on(TOPICS.state)[-1]["because"] == "as it is"
                for _ in range(40):
                    bench.event(f"e{put}")
                    put += 1
                    await asyncio.sleep(0.001)
                await until(lambda: bench.spool.forgotten == put)  # noqa: B023
                await until(lambda: [one["id"] for one in client.on(TOPICS.event)][-1:] == [f"e{put - 1}"])  # noqa: B023
                seen += [one["id"] for one in client.on(TOPICS.event)]
            broker.kill()
            await until(lambda: not bench.broker.connected)
            for _ in range(10):
                bench.event(f"e{put}")
                put += 1
            broker.start()
    assert list(dict.fromkeys(seen)) == [f"e{number}" for number in range(put - 10)]
    assert bench.spool.waiting == 10
    assert bench.ups_and_downs == [True, *[False, True] * 2, False]


async def test_a_daemon_that_starts_again_sends_the_rest_first(tmp_path: Path) -> None:
    with mosquitto(tmp_path, started=False) as broker:
        async with side(tmp_path, broker.port) as bench:
            for number in range(5):
                bench.event(f"e{number}")
        broker.start()
        with peer(broker.port) as client:
            await client.subscribe(TOPICS.event)
            async with side(tmp_path, broker.port) as bench:
                bench.event("e5")
                await until(lambda: len(client.on(TOPICS.event)) == 6)
        assert [one["id"] for one in client.on(TOPICS.event)] == [f"e{number}" for number in range(6)]


async def test_a_frozen_broker_is_noticed_costs_no_waiting_and_no_memory_and_is_found_again(
    tmp_path: Path, broker: Mosquitto
) -> None:
    async with side(tmp_path, broker.port, keepalive_s=1.5) as bench:
        await until(lambda: bench.broker.connected)
        broker.freeze()
        frozen = time.monotonic()
        late_s, at, seq = 0.0, time.monotonic(), 0
        wide = {f"channel_{number}": float(number) for number in range(200)}
        while bench.broker.connected:
            assert time.monotonic() - frozen < 8.0
            for _ in range(20):
                bench.outbox.data("fast", Data(utc=now(), seq=seq, values=wide, ages_s=wide))
                seq += 1
            if seq % 200 == 0:
                bench.event(f"e{seq}")
                bench.state(f"{seq}")
            await asyncio.sleep(0.01)
            late_s, at = max(late_s, time.monotonic() - at), time.monotonic()
            assert bench.outbox.waiting <= 64 + 2
            assert len(bench.broker._on_the_way) <= 2
        assert time.monotonic() - frozen < 4.0
        assert late_s < 0.5
        assert "silent" in bench.changes[-1][1]
        assert bench.outbox.data_sent < 150  # of some ten kilobytes each: what the kernel's buffers take, and no more
        events = bench.spool.waiting
        assert events > 0
        broker.thaw()
        await until(lambda: bench.spool.waiting == 0)
        assert bench.spool.forgotten == seq // 200
        assert bench.ups_and_downs == [True, False, True]


async def test_a_reply_that_was_on_the_way_when_the_broker_went_goes_once_more(
    tmp_path: Path, broker: Mosquitto
) -> None:
    async with side(tmp_path, broker.port, keepalive_s=0.5) as bench:
        await until(lambda: bench.broker.connected)
        broker.freeze()
        for _ in range(20):
            bench.answer(Arrived(topic="", payload=b"", response_topic=TOPICS.reply("ada")))
        await until(lambda: len(bench.broker._on_the_way) == 8)
        await until(lambda: not bench.broker.connected)
        assert len(bench.outbox._replies) == 20
        broker.thaw()
        await until(lambda: bench.outbox.replies_sent == 20)


async def test_a_clean_leave_says_offline_and_a_look_afterwards_sees_it(tmp_path: Path, broker: Mosquitto) -> None:
    async with side(tmp_path, broker.port) as bench:
        bench.state("here")
        await until(lambda: bench.outbox.retained_sent)
        began = time.monotonic()
    assert time.monotonic() - began < 1.0
    line = await subscribed_lines(broker, "-t", TOPICS.state, "-C", "1", "-F", "%r %p")
    assert line.strip() == '1 {"online":false}'
    assert "bench-x disconnected" in broker.log


async def test_leaving_a_frozen_broker_takes_no_longer_than_promised(tmp_path: Path, broker: Mosquitto) -> None:
    async with side(tmp_path, broker.port) as bench:
        await until(lambda: bench.broker.connected)
        broker.freeze()
        began = time.monotonic()
    assert 0.4 < time.monotonic() - began < 2.0


CHILD = """
import asyncio, sys
from pathlib import Path
from tests.outside.connected import side
async def main():
    async with side(Path(sys.argv[1]), int(sys.argv[2])) as bench:
        bench.state("alive")
        await asyncio.sleep(60.0)
asyncio.run(main())
"""


async def test_the_last_will_tells_of_a_killed_daemon(tmp_path: Path, broker: Mosquitto) -> None:
    with peer(broker.port) as client:
        await client.subscribe(TOPICS.state)
        root = Path(__file__).parents[2]
        child = await asyncio.create_subprocess_exec(
            sys.executable,
            "-c",
            CHILD,
            str(tmp_path),
            str(broker.port),
            cwd=root,
            env={**os.environ, "PYTHONPATH": str(root)},
        )
        try:
            await until(lambda: client.on(TOPICS.state), within_s=20.0)
            assert client.on(TOPICS.state)[0]["because"] == "alive"
        finally:
            child.send_signal(signal.SIGKILL)
            await child.wait()
        await until(lambda: len(client.on(TOPICS.state)) == 2)
    line = await subscribed_lines(broker, "-t", TOPICS.state, "-C", "1", "-F", "%r %p")
    assert line.strip() == '1 {"online":false}'
