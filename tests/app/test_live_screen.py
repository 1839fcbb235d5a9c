"""The live screen says everything in words, fits any terminal, keeps what must be seen, and bars tell the truth."""

import datetime as dt
import math
import xml.dom.minidom
from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from benchd.app.live_model import Listener, Screen, Shown, Way, chosen, way
from benchd.app.live_screen import ASCII, coloured, line, picture, rows, text_of
from benchd.outside.messages import (
    BenchState,
    ChannelMeta,
    Control,
    Data,
    Interlocks,
    LimitMeta,
    Meta,
    OpenQuestion,
    Progress,
    RunBrief,
)
from benchd.outside.news import Broker, GroupData

NOON = dt.datetime(2026, 11, 5, 12, 0, tzinfo=dt.UTC)
NUMBERS = st.floats(-1e6, 1e6)


def limit(channel: str, bound: str, value: float, reaction: str = "cut") -> LimitMeta:
    return LimitMeta(channel=channel, bound=bound, value=value, delay_s=0.1, reaction=reaction, origin="bench.toml:1")


def running(**fields: Any) -> BenchState:
    brief = RunBrief(
        programme="pump_acceptance",
        motor="pump_48v",
        setup="pump",
        order="2026-047",
        serial="VP-0113",
        operator="Ines",
        tests=("winding resistance", "load test"),
        duration_s=300.0,
    )
    progress = Progress(test=1, tests=2, title="load test", doing="1.20 N·m", done_ratio=0.62, left_s=130.0)
    control = Control(holder="ines-rack-3f2a", fence=7, until_utc=NOON)
    usual = {"state": "Execute", "state_number": 6, "permit": True, "run": brief, "progress": progress}
    return BenchState(**{"online": True, "utc": NOON, "session": "s", "control": control, **usual, **fields})


def channel(name: str, value: float | None = 1.0, **fields: Any) -> Shown:
    usual = {"unit": "V", "age_s": 0.01, "doubt": "", "way": None}
    return Shown(name=name, value=value, **{**usual, **fields})


MANY = tuple(channel(f"phase_voltage_{number}") for number in range(40))


def drawn(screen: Screen, *, width: int = 80, height: int = 24) -> str:
    return text_of(rows(screen, width=width, height=height))


def test_at_80_by_24_without_any_colour_everything_that_matters_is_there() -> None:
    near = channel("winding_temperature", 131.0, unit="°C", way=Way(ratio=0.94, limit=limit("w", "high", 140.0)))
    lost = channel("ambient_temperature", None, unit="°C", doubt="missing", age_s=7.2)
    state = running(warnings=("A sensor is due.",), cause="Overspeed.", silent_devices=("thermometers",))
    text = drawn(Screen(bench="vineyard", state=state, channels=(near, lost, *MANY)))
    for words in (
        *("vineyard", "EXECUTE", "given by the safety chain", "ines-rack-3f2a until 12:00:00 UTC"),
        *("pump_acceptance, specimen VP-0113 of order 2026-047", "2 of 2: load test, 1.20 N·m", "62 %"),
        *(
            "2 min 10 s left",
            "94 % to 140 cut",
            "MISSING for 7 s",
            "A sensor is due.",
            "Overspeed. (latched until Clear)",
        ),
        *("thermometers", "more channels", "q ends this view", "not a safety function"),
    ):
        assert words in text, words


def test_without_permit_the_reason_stands_where_the_permit_would() -> None:
    text = drawn(Screen(bench="b", state=running(permit=False, permit_sentence="The guard is open.")))
    assert "WITHHELD The guard is open." in text
    assert "NOT KNOWN" in drawn(Screen(bench="b", state=running(permit=None)))


def test_a_bench_that_is_off_line_shows_no_old_state_as_if_it_were_now() -> None:
    text = drawn(Screen(bench="b", state=BenchState(online=False, utc=NOON, session="s"), channels=MANY))
    assert "OFF LINE" in text
    assert "2026-11-05 12:00:00 UTC; what the bench does is not known here" in " ".join(text.split())
    assert "permit" not in text
    assert "phase_voltage" not in text


def test_while_the_broker_is_away_the_screen_says_that_all_is_old() -> None:
    text = drawn(Screen(bench="b", state=running(), away="The broker does not answer.", silent_s=75.0))
    assert "NOTHING HEARD FOR 1 min 15 s" in text
    assert "The broker does not answer." in text


@given(
    width=st.integers(1, 200),
    height=st.integers(1, 60),
    warnings=st.lists(st.text(max_size=200), max_size=30),
    channels=st.integers(0, 40),
)
def test_it_fits_any_terminal(width: int, height: int, warnings: list[str], channels: int) -> None:
    screen = Screen(bench="vineyard", state=running(warnings=tuple(warnings)), channels=MANY[:channels])
    shown = rows(screen, width=width, height=height)
    assert len(shown) <= max(height, 8)
    assert all(sum(len(piece.text) for piece in row) <= max(width, 40) for row in shown)
    assert "EXECUTE" in text_of(shown)


@given(text=st.text(max_size=60))
def test_nothing_that_anybody_wrote_moves_the_cursor(text: str) -> None:
    brief = running().run
    assert brief is not None
    state = running(cause=text, run=brief.model_copy(update={"serial": text}), warnings=(text,))
    screen = Screen(bench="b", state=state, odd=text, away=text)
    for shown in (text_of(rows(screen, width=80, height=24)), line(screen)):
        assert all(one.isprintable() or one == "\n" for one in shown)


@given(low=NUMBERS, high=NUMBERS, value=NUMBERS)
def test_a_bar_is_full_exactly_where_a_limit_is_reached(low: float, high: float, value: float) -> None:
    assume(low < high)
    found = way(value, [limit("c", "low", low), limit("c", "high", high)])
    assert found is not None
    assert found.ratio >= 0.0
    beyond = value >= high or value <= low
    if not math.isclose(found.ratio, 1.0, rel_tol=1e-9):
        assert (found.ratio > 1.0) is beyond
    if beyond and found.ratio > 1.0:
        assert found.limit.bound == ("high" if value >= high else "low")


@given(bound=st.sampled_from(["low", "high"]), value=NUMBERS, at=NUMBERS)
def test_with_one_limit_too(bound: str, value: float, at: float) -> None:
    found = way(value, [limit("c", bound, at)])
    assert found is not None
    beyond = value >= at if bound == "high" else value <= at
    assert (found.ratio >= 1.0) is beyond or math.isclose(found.ratio, 1.0, rel_tol=1e-9)


@pytest.mark.parametrize(
    ("value", "limits", "ratio", "bound"),
    [
        (0.0, [("low", -5.0), ("high", 5.0)], 0.0, "low"),
        (2.5, [("low", -5.0), ("high", 5.0)], 0.5, "high"),
        (-4.0, [("low", -5.0), ("high", 50.0)], 0.8, "low"),
        (0.0, [("high", 4000.0)], 0.0, "high"),  # at rest
        (-3000.0, [("high", 4000.0)], 0.0, "high"),  # the other way round
        (50.0, [("low", 40.0), ("high", 60.0)], 0.0, "high"),  # a voltage that must not be zero
        (58.0, [("low", 40.0), ("high", 60.0)], 0.8, "high"),
        (42.0, [("low", 40.0), ("high", 60.0)], 0.8, "low"),
        (3.0, [("high", 5.0), ("high", 4.0)], 0.75, "high"),  # the strictest
    ],
)
def test_the_way_is_measured_from_rest(value: float, limits: list[tuple[str, float]], ratio: float, bound: str) -> None:
    found = way(value, [limit("c", side, at) for side, at in limits])
    assert found is not None
    assert (found.ratio, found.limit.bound) == (pytest.approx(ratio), bound)


def test_a_channel_without_limits_or_only_with_an_age_has_no_bar() -> None:
    assert way(1.0, []) is None
    assert way(1.0, [limit("c", "stale", 0.5)]) is None


def test_where_room_is_scarce_the_urgent_stay_in_their_own_order() -> None:
    hot = channel("hot", way=Way(ratio=0.9, limit=limit("h", "high", 1.0)))
    calm = channel("calm", way=Way(ratio=0.1, limit=limit("c", "high", 1.0)))
    lost = channel("lost", None, doubt="stale")
    kept, left = chosen([channel("free"), calm, hot, channel("other"), lost], at_most=3)
    assert [one.name for one in kept] == ["calm", "hot", "lost"]
    assert left == 2


def test_a_bar_beyond_its_limit_is_a_word_too_and_never_longer_than_the_wall() -> None:
    hot = channel("hot", 9.0, way=Way(ratio=1.8, limit=limit("h", "high", 5.0, "ramp_down")))
    text = drawn(Screen(bench="b", state=running(), channels=(hot,)))
    (shown,) = [one for one in text.splitlines() if one.startswith(" hot")]
    assert "beyond 5 ramp down" in shown
    assert "·" not in shown.partition("┤")[0].replace("N·m", "")


def test_a_terminal_of_few_characters_gets_bars_of_its_own() -> None:
    hot = channel("hot", 9.0, way=Way(ratio=0.5, limit=limit("h", "high", 18.0)))
    brief = running().progress
    assert brief is not None
    state = running(progress=brief.model_copy(update={"doing": ""}))
    text = text_of(rows(Screen(bench="b", state=state, channels=(hot,)), width=80, height=24, marks=ASCII))
    assert text.isascii()
    assert "##" in text


def test_the_listener_ages_values_between_two_messages_and_forgets_those_of_an_earlier_daemon() -> None:
    meta = Meta(
        bench="b",
        session="one",
        software="1",
        started_utc=NOON,
        tick_hz=100.0,
        channels=(ChannelMeta(name="dc_voltage", unit="V", device="unit"),),
        groups=(),
        limits=(limit("dc_voltage", "high", 60.0),),
        commands=(),
        longest_command_bytes=16384,
    )
    data = Data(utc=NOON, seq=0, values={"dc_voltage": 30.0}, ages_s={"dc_voltage": 0.5})
    listener = Listener(bench="b")
    listener.hear(meta, now_mono_s=10.0)
    (unheard,) = listener.screen(now_mono_s=10.0).channels
    assert unheard.doubt == "not heard"
    listener.hear(GroupData(group="all", data=data), now_mono_s=10.0)
    (shown,) = listener.screen(now_mono_s=14.0).channels
    assert shown.age_s == pytest.approx(4.5)
    assert shown.way is not None
    assert shown.way.ratio == pytest.approx(0.5)
    listener.hear(Broker(answers=False, sentence="Away."), now_mono_s=14.0)
    assert (listener.screen(now_mono_s=15.0).away, listener.screen(now_mono_s=15.0).silent_s) == ("Away.", 5.0)
    listener.hear(meta.model_copy(update={"session": "two"}), now_mono_s=16.0)
    (fresh,) = listener.screen(now_mono_s=16.0).channels
    assert fresh.value is None


def test_an_old_value_says_how_old_it_is() -> None:
    text = drawn(Screen(bench="b", state=running(), channels=(channel("dc_voltage", age_s=4.5),)))
    assert "4.5 s old" in text


def test_the_picture_is_sound_repeats_and_needs_nothing_from_elsewhere() -> None:
    shown = rows(Screen(bench="vineyard", state=running(), channels=MANY), width=80, height=24)
    svg = picture(shown, width=80)
    assert svg == picture(shown, width=80)
    document = xml.dom.minidom.parseString(svg)  # noqa: S318 - our own
    told = "".join(node.firstChild.data for node in document.getElementsByTagName("text") if node.firstChild)
    assert "EXECUTE" in told
    assert svg.count("http") == 1  # the name of the document's kind
    assert not document.getElementsByTagName("circle"), "a window's buttons"


def test_colours_only_repeat_what_words_say() -> None:
    shown = rows(Screen(bench="vineyard", state=running(), channels=MANY), width=80, height=24)
    assert [one.rstrip() for one in coloured(shown).plain.split("\n")] == text_of(shown).split("\n")


def test_the_line_for_a_pipe_names_state_permit_test_and_channels() -> None:
    hot = channel("hot", 9.0, way=Way(ratio=0.5, limit=limit("h", "high", 18.0)))
    text = line(Screen(bench="vineyard", state=running(), channels=(hot,)))
    assert text == (
        "12:00:00 UTC vineyard: Execute; permit given; test 2 of 2 load test 62 %, 2 min 10 s left; "
        "hot 9.000 V (50 % to 18)"
    )


def test_what_a_start_or_a_test_waits_for_is_seen_before_the_run_and_how_the_interlocks_stand() -> None:
    interlocks = Interlocks(
        guard_closed=True,
        estop_released=True,
        torque_enabled=True,
        permit=True,
        remote_selected=True,
        release_pressed=False,
    )
    question = OpenQuestion(
        id="5f3a9c-1",
        text="Is the coupling guard closed?",
        answers=("yes", "no"),
        test=1,
        title="load test",
        left_s=90.0,
        meanwhile="rest",
    )
    waits = "The start waits for the release at the bench: press it within 20 s."
    state = running(interlocks=interlocks, question=question, waits_for=waits)
    text = drawn(Screen(bench="vineyard", state=state, channels=MANY))
    told = " ".join(text.split())
    assert "chain emergency stop released, movable guard closed, safe torque off not active, permit given" in told
    assert "release at the bench not pressed" in told
    assert f"waits {waits}" in told
    assert "ASKED Is the coupling guard closed? (load test; yes or no, 1 min 30 s left)" in told
    assert "benchctl answer 5f3a9c-1 ANSWER" in told
    assert text.index("ASKED") < text.index("pump_acceptance")
    assert "asked: Is the coupling guard closed?" in line(Screen(bench="vineyard", state=state))
