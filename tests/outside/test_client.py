"""The client over a real broker: it finds its bench, asks, is answered, keeps control, and comes back after a break."""

import asyncio
import contextlib
import json
import uuid
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
import pytest_asyncio

from benchd.outside import client_wire
from benchd.outside.client import BenchClient, NoAnswer, NotReadable, WrongArguments
from benchd.outside.client_wire import NoBroker
from benchd.outside.commands import Code, CommandName, KnownFiles, Reply
from benchd.outside.control_kept import NoControl
from benchd.outside.finding import NoBench
from benchd.outside.messages import BenchState, Data, Event
from benchd.outside.news import Broker, ControlNews, GroupData, Unreadable, Watch

from .answering_bench import AnsweringBench
from .mosquitto import Mosquitto, mosquitto

pytestmark = pytest.mark.wires
WITHIN_S = 10.0
RUN = {"programme": "shortest", "motor": "pump_48v", "setup": "pump", "order": "12", "serial": "3", "operator": "Ines"}


@pytest.fixture
def broker(tmp_path: Path):
    with mosquitto(tmp_path) as one:
        yield one


@pytest_asyncio.fixture
async def bench(broker: Mosquitto) -> AsyncIterator[AnsweringBench]:
    async with AnsweringBench(broker.port).serving() as one:
        yield one


def client_of(broker: Mosquitto, **options: Any) -> BenchClient:
    options = {"bench": "vineyard", "client": "ines", **options}
    return BenchClient(broker.host, broker.port, **options)


async def until(holds: Callable[[], object]) -> None:
    async with asyncio.timeout(WITHIN_S):
        while not holds():
            await asyncio.sleep(0.01)


async def first(watch: Watch, kind: type, *, where: Callable[[Any], bool] = lambda _: True) -> Any:
    async with asyncio.timeout(WITHIN_S):
        async for news in watch:
            if isinstance(news, kind) and where(news):
                return news
    raise AssertionError


@contextlib.asynccontextmanager
async def stranger(broker: Mosquitto) -> AsyncIterator[aiomqtt.Client]:
    async with aiomqtt.Client(broker.host, broker.port, protocol=aiomqtt.ProtocolVersion.V5) as one:
        yield one


async def test_it_knows_what_the_bench_says_of_itself_and_asks_it(broker, bench) -> None:
    async with client_of(broker, data=True) as client:
        state = await client.first_state()
        assert (state.state, state.online) == ("Stopped", True)
        reply = await client.ask(CommandName.PROGRAMMES)
        assert isinstance(reply.result, KnownFiles)
        assert [file.name for file in reply.result.programmes] == ["pump_acceptance", "shortest"]
        assert client.meta() is not None
        with client.watching() as watch:
            data = await first(watch, GroupData)
        assert (data.group, data.data.values["shaft_torque"]) == ("all", 1.25)


async def test_every_stage_of_an_answer_is_seen_and_the_last_one_returned(broker, bench) -> None:
    stages: list[Reply] = []
    async with client_of(broker) as client, client.control() as control:
        reply = await client.ask(CommandName.RESET, fence=control.fence, on_progress=stages.append)
    assert [one.stage for one in stages] == ["accepted"]
    assert (reply.stage, reply.state) == ("done", "Idle")


async def test_a_refusal_is_an_answer_with_its_code_and_sentence(broker, bench) -> None:
    async with client_of(broker) as client:
        reply = await client.ask(CommandName.RESET)
        assert (reply.stage, reply.code) == ("rejected", Code.NOT_IN_CONTROL)
        reply = await client.ask(CommandName.CHECK, {"programme": "nosuch", "motor": "m", "setup": "s"})
        assert (reply.code, reply.sentence) == (Code.UNKNOWN_FILE, "There is no programme nosuch.")


async def test_what_is_no_command_is_not_sent(broker, bench) -> None:
    async with client_of(broker) as client:
        with pytest.raises(WrongArguments, match=r"programme '../x' is nothing that check takes"):
            await client.ask(CommandName.CHECK, {"programme": "../x", "motor": "m", "setup": "s"})
        await client.ask(CommandName.PROGRAMMES)
    assert [name for name, _ in bench.heard] == ["programmes"]
    with pytest.raises(WrongArguments, match="cannot be the name of a bench"):
        client_of(broker, bench="a/b")


async def test_nobody_there_is_one_sentence_within_the_bound(broker) -> None:
    async with client_of(broker, first_answer_within_s=0.2) as client:
        with pytest.raises(NoAnswer, match="Nobody answers on bench/v1/vineyard: is the daemon running"):
            await client.ask(CommandName.STOP)
        with pytest.raises(NoAnswer, match="Nobody answers"):
            await client.first_state(within_s=0.1)


async def test_a_daemon_that_left_is_named_as_the_cause(broker) -> None:
    async with AnsweringBench(broker.port).serving():
        pass
    async with client_of(broker, first_answer_within_s=0.2) as client:
        assert not (await client.first_state()).online
        with pytest.raises(NoAnswer, match="The daemon of bench vineyard left the broker"):
            await client.ask(CommandName.STOP)


async def test_no_broker_is_told_at_once(tmp_path: Path) -> None:
    with mosquitto(tmp_path, started=False) as nobody, pytest.raises(NoBroker, match="No MQTT broker answers at"):
        async with client_of(nobody):
            raise AssertionError


async def test_a_broker_that_wants_a_name_says_so(tmp_path: Path) -> None:
    with (
        mosquitto(tmp_path, extra="allow_anonymous false") as closed,
        pytest.raises(NoBroker, match=r"does not let us in .*is there a user name to give"),
    ):
        async with client_of(closed):
            raise AssertionError


async def test_the_only_bench_needs_no_name(broker, bench) -> None:
    async with client_of(broker, bench=None) as client:
        assert client.bench == "vineyard"


async def test_of_several_benches_none_is_guessed_even_if_the_other_is_off_line(broker, bench) -> None:
    async with AnsweringBench(broker.port, name="greenhouse").serving():
        pass
    with pytest.raises(NoBench, match="several benches: choose one of greenhouse, vineyard"):
        async with client_of(broker, bench=None):
            raise AssertionError


async def test_no_bench_and_one_of_another_version_are_told_apart(broker) -> None:
    with pytest.raises(NoBench, match="No bench ever spoke"):
        async with client_of(broker, bench=None):
            raise AssertionError
    async with stranger(broker) as other:
        await other.publish("bench/v9/orchard/state", "{}", qos=1, retain=True)
    with pytest.raises(NoBench, match=r"speaks at .* is bench/v9, not bench/v1/orchard"):
        async with client_of(broker, bench=None):
            raise AssertionError


async def test_one_looks_while_another_commands(broker, bench) -> None:
    async with client_of(broker) as ines, client_of(broker, client="odile") as odile:
        async with ines.control() as control:
            with pytest.raises(NoControl, match="ines holds control"):
                async with odile.control():
                    raise AssertionError
            with odile.watching() as watch:
                await ines.ask(CommandName.RESET, fence=control.fence)
                await first(watch, BenchState, where=lambda state: state.state == "Idle")
            assert (await odile.ask(CommandName.STOP)).stage == "done"
        async with odile.control() as control:
            assert control.fence is not None


async def test_control_is_renewed_at_a_third_of_the_lease_and_released(broker, bench) -> None:
    async with client_of(broker) as client:
        async with client.control(lease_s=5.0) as control:
            await until(lambda: [name for name, _ in bench.heard] == ["control", "control"])
            assert bench.heard[1][1]["fence"] == control.fence
        assert bench.heard[-1][0] == "release"
        assert bench.lease.held(now_mono_s=asyncio.get_running_loop().time()) is None


async def test_control_that_ran_out_is_taken_again_and_told(broker, bench) -> None:
    async with client_of(broker) as client, client.control(lease_s=5.0) as control:
        before = control.fence
        with client.watching() as watch:
            bench.lease.release()
            await bench.say()
            news = await first(watch, ControlNews)
        assert (news.lost, control.fence) == (False, before + 1)


async def test_control_that_another_took_is_not_taken_back(broker, bench) -> None:
    async with client_of(broker) as client, client_of(broker, client="odile") as odile:
        async with client.control(lease_s=5.0) as control:
            bench.lease.release()
            async with odile.control():
                with client.watching() as watch:
                    news = await first(watch, ControlNews)
                assert news.lost
                assert "odile" in news.sentence
                assert control.fence is None
        assert bench.heard[-1][0] == "release"  # odile's; nothing was left for ines to release


async def test_control_that_another_program_took_under_our_own_name_is_not_taken_back(broker, bench) -> None:
    async with (
        client_of(broker) as client,
        client_of(broker) as namesake,
        client.control(lease_s=5.0),
        namesake.control() as theirs,
    ):
        with client.watching() as watch:
            assert (await first(watch, ControlNews)).lost
        assert (await namesake.ask(CommandName.RESET, fence=theirs.fence)).stage == "done"


async def test_an_error_inside_comes_out_as_it_is(broker, bench) -> None:
    with pytest.raises(ZeroDivisionError):
        async with client_of(broker) as client, client.control():
            _ = 1 / 0
    assert bench.heard[-1][0] == "release"


async def test_a_question_is_asked_again_under_its_id_when_the_broker_is_back(broker) -> None:
    async with client_of(broker, first_answer_within_s=WITHIN_S) as client:
        with client.watching() as watch:
            asking = asyncio.ensure_future(client.ask(CommandName.PROGRAMMES))
            await asyncio.sleep(0.1)
            broker.kill()
            assert not (await first(watch, Broker)).answers
            broker.start()
            async with AnsweringBench(broker.port).serving() as bench:
                assert (await asking).stage == "done"
                assert (await first(watch, Broker)).answers
    assert len({command["id"] for _, command in bench.heard}) == 1
    assert bench.admission.admitted == 1


async def test_what_was_announced_while_it_was_cut_off_comes_afterwards_once(broker, bench) -> None:
    async with client_of(broker, keep_s=60) as client:
        with client.watching() as watch:
            client._mqtt._client.disconnect()
            assert not (await first(watch, Broker)).answers
            await bench.event("captured", number=1)
            event = await first(watch, Event, where=lambda one: one.event == "captured")
            assert event.fields == {"number": 1}


async def test_an_event_that_comes_twice_is_told_once(broker, bench) -> None:
    async with client_of(broker) as client, stranger(broker) as other:
        with client.watching() as watch:
            for number in (1, 1, 2):
                event = {"id": f"e{number}", "utc": "2026-11-05T12:00:00Z", "event": "x", "fields": {"n": number}}
                await other.publish("bench/v1/vineyard/event", json.dumps(event), qos=1)
            seen = [(await first(watch, Event)).fields["n"] for _ in range(2)]
    assert seen == [1, 2]


async def test_a_state_of_another_version_is_said_to_be_one(broker) -> None:
    async with stranger(broker) as other:
        await other.publish("bench/v1/vineyard/state", '{"alive": true}', qos=1, retain=True)
        async with client_of(broker) as client:
            with pytest.raises(NotReadable, match=r"bench/v1/vineyard/state cannot be read .online: Field required"):
                await client.first_state()


@pytest.mark.parametrize("payload", [b"\xff\xfe", b"[" * 5000, b"null", b'{"id": 7}', b"x" * 20_000])
async def test_garbage_on_any_topic_is_told_once_a_topic_and_harms_nothing(broker, bench, payload: bytes) -> None:
    topics = ["state", "meta", "event", "data/all", "run/17", "reply/ines"]
    async with client_of(broker, data=True) as client, stranger(broker) as other:
        bench.permit = False
        with client.watching() as watch:
            for topic in topics * 2:
                await other.publish(f"bench/v1/vineyard/{topic}", payload, qos=1)
            told = {(await first(watch, Unreadable)).topic.removeprefix("bench/v1/vineyard/") for _ in topics}
            assert told >= set(topics) - {"data/all"}  # good data may come between and have it told anew
            await bench.say()
            assert not (await first(watch, BenchState)).permit
        assert (await client.ask(CommandName.PROGRAMMES)).stage == "done"


async def test_a_reply_to_somebody_elses_question_is_none_of_ours(broker, bench) -> None:
    bench.answers = False
    async with client_of(broker, first_answer_within_s=0.5) as client, stranger(broker) as other:
        asking = asyncio.ensure_future(client.ask(CommandName.STOP))
        await until(lambda: bench.heard)
        reply = {"id": uuid.uuid4().hex, "command": "stop", "stage": "done", "state": "Stopped"}
        reply["utc"] = "2026-11-05T12:00:00Z"
        await other.publish("bench/v1/vineyard/reply/ines", json.dumps(reply), qos=1)
        with pytest.raises(NoAnswer):
            await asking


async def test_a_reader_that_stands_still_loses_data_before_anything_else() -> None:
    watch = Watch(capacity=3)
    events = [Event(id=name, utc="2026-11-05T12:00:00Z", event="x") for name in "abcd"]
    data = GroupData(group="all", data=Data(utc="2026-11-05T12:00:00Z", seq=0, values={}, ages_s={}))
    for news in (events[0], data, events[1], events[2]):
        watch.put(news)
    assert watch.dropped == 1
    assert await anext(watch) == events[0]
    for news in (events[3], data):
        watch.put(news)
    assert watch.dropped == 2
    assert [await anext(watch) for _ in range(3)] == [events[2], events[3], data]


async def test_a_wait_for_news_that_is_given_up_loses_nothing() -> None:
    watch = Watch(capacity=3)
    event = Event(id="e", utc="2026-11-05T12:00:00Z", event="x")
    for _ in range(20):
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(0.001):
                await anext(watch)
    watch.put(event)
    assert await anext(watch) == event


async def test_a_whole_run_is_commanded_and_heard(broker, bench) -> None:
    async with client_of(broker) as client, client.control() as control:
        with client.watching() as watch:
            for name, arguments in ((CommandName.LOAD, RUN), (CommandName.RESET, None), (CommandName.START, None)):
                assert (await client.ask(name, arguments, fence=control.fence)).stage == "done"
            phases = []
            async for news in watch:
                phases += [news.phase] if hasattr(news, "phase") else []
                if phases[-1:] == ["evaluated"]:
                    break
    assert phases == ["started", "ended", "evaluated"]
    assert bench.state.title == "Complete"


async def test_a_frozen_broker_is_no_broker_within_its_time(broker, monkeypatch) -> None:
    monkeypatch.setattr(client_wire, "TIMEOUT_S", 0.3)
    broker.freeze()
    with pytest.raises(NoBroker, match=r"nothing came within 0\.3 s"):
        async with client_of(broker):
            raise AssertionError
    broker.thaw()
