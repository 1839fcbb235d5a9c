"""What waits to be published is bounded, and the newest of what is retained is the only one that waits."""

import datetime as dt
import json
from pathlib import Path

import pytest

from benchd.outside.admission import Return
from benchd.outside.commands import Code, Reply
from benchd.outside.messages import BenchState, Data, Event, Meta, RunAnnouncement, RunBrief
from benchd.outside.outbox import FRAMES, REPLIES, Outbox
from benchd.outside.spool import Spool
from benchd.outside.topics import Topics

NOON = dt.datetime(2026, 11, 25, 12, 0, tzinfo=dt.UTC)


async def nowhere(_: object) -> object:
    raise AssertionError


@pytest.fixture
def outbox(tmp_path: Path) -> Outbox:
    return Outbox(Topics("x"), Spool(tmp_path, offload=nowhere))


def state(because: str) -> BenchState:
    return BenchState(online=True, utc=NOON, session="s", because=because)


def frame(seq: int, value: float | None = 1.0) -> Data:
    return Data(utc=NOON, seq=seq, values={"shaft_speed": value}, ages_s={"shaft_speed": 0.01})


def reply(id_: str) -> Reply:
    return Reply(id=id_, command="stop", stage="done", code=Code.OK, state="Idle", utc=NOON)


META = Meta(
    bench="x",
    session="s",
    software="0",
    started_utc=NOON,
    tick_hz=200.0,
    channels=(),
    groups=(),
    limits=(),
    commands=("stop",),
    longest_command_bytes=1,
)


def test_only_the_newest_state_waits_and_it_is_retained(outbox: Outbox) -> None:
    for because in ("first", "second", "third"):
        outbox.state(state(because))
    waiting = outbox.take_retained()
    assert waiting is not None
    assert waiting.topic == "bench/v1/x/state"
    assert waiting.retain
    assert json.loads(waiting.payload)["because"] == "third"
    assert outbox.take_retained() is None


def test_a_new_connection_gets_meta_and_state_anew(outbox: Outbox) -> None:
    outbox.state(state("now"))
    outbox.meta(META)
    while outbox.take_retained() is not None:
        pass
    outbox.connected()
    again = [outbox.take_retained(), outbox.take_retained(), outbox.take_retained()]
    assert [one and one.topic for one in again] == ["bench/v1/x/meta", "bench/v1/x/state", None]


def test_a_connection_before_anything_is_known_publishes_nothing(outbox: Outbox) -> None:
    outbox.connected()
    assert outbox.take_retained() is None


def test_the_oldest_frames_go_and_are_counted(outbox: Outbox) -> None:
    for seq in range(FRAMES + 10):
        outbox.data("fast", frame(seq))
    first = outbox.take_data()
    assert first is not None
    assert first.topic == "bench/v1/x/data/fast"
    assert json.loads(first.payload)["seq"] == 10
    assert outbox.data_dropped == 10


def test_frames_of_before_a_connection_are_not_sent_after_it(outbox: Outbox) -> None:
    outbox.data("fast", frame(1))
    outbox.connected()
    assert outbox.take_data() is None
    assert outbox.data_dropped == 1


def test_a_value_that_is_missing_is_null_and_not_left_out(outbox: Outbox) -> None:
    outbox.data("fast", frame(1, None))
    sent = outbox.take_data()
    assert sent is not None
    assert json.loads(sent.payload)["values"] == {"shaft_speed": None}


def test_a_reply_goes_where_it_was_asked_for_with_what_was_given(outbox: Outbox) -> None:
    outbox.reply(Return(topic="bench/v1/x/reply/ada", correlation_data=b"\x00\xff"), reply("c1"))
    sent = outbox.take_reply()
    assert sent is not None
    assert (sent.topic, sent.correlation_data, sent.retain) == ("bench/v1/x/reply/ada", b"\x00\xff", False)
    assert Reply.model_validate_json(sent.payload) == reply("c1")


def test_who_says_not_where_gets_no_reply(outbox: Outbox) -> None:
    outbox.reply(Return(topic=None), reply("c1"))
    assert outbox.take_reply() is None


def test_replies_are_bounded_and_counted(outbox: Outbox) -> None:
    for number in range(REPLIES + 5):
        outbox.reply(Return(topic="bench/v1/x/reply/ada"), reply(f"c{number}"))
    assert outbox.replies_dropped == 5
    first = outbox.take_reply()
    assert first is not None
    assert json.loads(first.payload)["id"] == "c5"


def test_a_reply_that_was_not_acknowledged_comes_first_again(outbox: Outbox) -> None:
    for number in range(3):
        outbox.reply(Return(topic="bench/v1/x/reply/ada"), reply(f"c{number}"))
    first = outbox.take_reply()
    assert first is not None
    outbox.return_reply(first)
    order = [outbox.take_reply() for _ in range(3)]
    assert [one and json.loads(one.payload)["id"] for one in order] == ["c0", "c1", "c2"]


def test_events_and_runs_go_to_the_spool(outbox: Outbox) -> None:
    outbox.event(Event(id="e1", utc=NOON, event="tripped", fields={"cause": "over-speed"}))
    brief = RunBrief(
        programme="p", motor="m", setup="s", order="A-1", serial="7", operator="Ada Morrow", tests=(), duration_s=1.0
    )
    outbox.run(RunAnnouncement(id="r1", utc=NOON, run="20261125", phase="started", brief=brief, folder="f"))
    kept = list(outbox.spool._fresh)
    assert [(one.topic, one.id) for one in kept] == [("bench/v1/x/event", "e1"), ("bench/v1/x/run/20261125", "r1")]
    assert Event.model_validate_json(kept[0].payload).fields == {"cause": "over-speed"}


def test_whoever_sends_is_woken_by_everything_but_what_is_not_on_the_disk_yet(outbox: Outbox) -> None:
    woken = []
    outbox.wake = lambda: woken.append(1)
    outbox.state(state("now"))
    outbox.meta(META)
    outbox.data("fast", frame(1))
    outbox.reply(Return(topic="bench/v1/x/reply/ada"), reply("c1"))
    assert len(woken) == 4
    outbox.event(Event(id="e1", utc=NOON, event="x"))
    assert len(woken) == 4
    outbox.spool.on_ready()
    assert len(woken) == 5
