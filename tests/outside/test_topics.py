"""Topic names are exact: what is not a command or a reply topic of this very bench is none."""

import pytest

from benchd.outside.topics import LONGEST_NAME, Topics, is_name

TOPICS = Topics("vineyard")


def test_topics_are_those_of_the_design() -> None:
    assert TOPICS.meta == "bench/v1/vineyard/meta"
    assert TOPICS.state == "bench/v1/vineyard/state"
    assert TOPICS.event == "bench/v1/vineyard/event"
    assert TOPICS.data("shaft") == "bench/v1/vineyard/data/shaft"
    assert TOPICS.run("20261105T093012Z_pump") == "bench/v1/vineyard/run/20261105T093012Z_pump"
    assert TOPICS.command("start") == "bench/v1/vineyard/command/start"
    assert TOPICS.reply("ines") == "bench/v1/vineyard/reply/ines"
    assert TOPICS.commands == "bench/v1/vineyard/command/+"
    assert TOPICS.everything == "bench/v1/vineyard/#"


@pytest.mark.parametrize("name", ["a", "A9", "ines.halvorsen-ruud_2", "9" * LONGEST_NAME])
def test_plain_names_are_names(name: str) -> None:
    assert is_name(name)


@pytest.mark.parametrize(
    "name",
    ["", ".a", "-a", "_a", "a b", "a/b", "+", "#", "a+", "a#", "a\n", "é", "٣", "a\x00", "9" * (LONGEST_NAME + 1)],
)
def test_what_a_topic_level_cannot_hold_is_no_name(name: str) -> None:
    assert not is_name(name)


def test_a_command_is_told_from_its_topic() -> None:
    assert TOPICS.command_name("bench/v1/vineyard/command/start") == "start"
    assert TOPICS.command_name("bench/v1/vineyard/command/") == ""


@pytest.mark.parametrize(
    "topic",
    [
        "",
        "start",
        "bench/v1/greenhouse/command/start",
        "bench/v2/vineyard/command/start",
        "bench/v1/vineyard/command",
        "bench/v1/vineyard/command/start/now",
        "x/bench/v1/vineyard/command/start",
        "bench/v1/vineyard/reply/start",
    ],
)
def test_another_topic_asks_for_no_command(topic: str) -> None:
    assert TOPICS.command_name(topic) is None


def test_a_reply_topic_of_this_bench_is_one() -> None:
    assert TOPICS.is_reply("bench/v1/vineyard/reply/ines-4711")


@pytest.mark.parametrize(
    "topic",
    [
        "",
        "bench/v1/vineyard/reply/",
        "bench/v1/vineyard/reply/+",
        "bench/v1/vineyard/reply/#",
        "bench/v1/vineyard/reply/a/b",
        "bench/v1/vineyard/reply/a\n",
        "bench/v1/vineyard/command/start",
        "bench/v1/vineyard/state",
        "bench/v1/greenhouse/reply/ines",
        "$SYS/broker",
    ],
)
def test_nothing_else_is_answered_on(topic: str) -> None:
    assert not TOPICS.is_reply(topic)
