"""Draws what is to be seen of a bench as rows of text, for a terminal or a picture. It must never command anything.

Every colour only repeats what a word or the length of a bar says. Colours from a palette that people with any colour
vision can tell apart (Okabe and Ito, "Color Universal Design", 2008).
"""

import datetime as dt
import io
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from rich.console import Console
from rich.terminal_theme import TerminalTheme
from rich.text import Text

from benchd.app.heard import interlocks, plain, question, span
from benchd.app.live_model import NEAR_RATIO, Screen, Shown, chosen

Tone = Literal["plain", "title", "quiet", "well", "near", "alarm"]
STYLES: dict[Tone, str] = {
    "plain": "",
    "title": "bold",
    "quiet": "dim",
    "well": "#56b4e9",
    "near": "bold #e69f00",
    "alarm": "bold reverse",
}
NARROWEST, LOWEST = 40, 8
VALUE, LIMIT = 9, 23  # columns
OLD_S = 1.0
LABEL = 9
FOOT = " q ends this view. To stop: benchctl stop (it is not a safety function)."
_THEME = TerminalTheme((24, 27, 31), (226, 228, 230), [(0, 0, 0)] * 8, [(0, 0, 0)] * 8)
_PICTURE = """<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {terminal_width} {terminal_height}">
<style>
.{unique_id}-matrix {{ font-family: monospace; font-size: {char_height}px; line-height: {line_height}px; }}
{styles}
</style>
<defs><clipPath id="{unique_id}-clip-terminal"><rect width="{terminal_width}" height="{terminal_height}"/></clipPath>
{lines}</defs>
<rect width="{terminal_width}" height="{terminal_height}" fill="#181b1f"/>
<g transform="translate(9, 4) scale(0.98)">
{backgrounds}
<g class="{unique_id}-matrix">{matrix}</g>
</g>
</svg>
"""


@dataclass(frozen=True, slots=True)
class Span:
    """A piece of a row."""

    text: str
    tone: Tone = "plain"


Row = tuple[Span, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """What bars are made of."""

    full: str = "■"
    rest: str = "·"
    wall: str = "┤"
    none: str = "–"
    line: str = "─"


ASCII = Marks(full="#", rest=".", wall="|", none="-", line="-")


def rows(screen: Screen, *, width: int, height: int, marks: Marks = Marks()) -> list[Row]:
    """The rows of a screen, none wider than `width` and no more than `height`; what must be seen is kept longest."""
    width, height = max(width, NARROWEST), max(height, LOWEST)
    head = [*_head(screen, width, marks), *_run(screen, width, marks)]
    foot = [*_troubles(screen, width, at_most=max(height - len(head) - 4, 2)), (Span(FOOT, "quiet"),)]
    room = height - len(head) - len(foot) - 2  # an empty row around the channels
    body = list(_channels(screen, width, room, marks)) if room > 0 else []
    gap = [()] if body else []
    return [_cut(row, width) for row in [*head, *gap, *body, *gap, *foot]][:height]


def _head(screen: Screen, width: int, marks: Marks) -> Iterator[Row]:
    state = screen.state
    if state is None or not state.online:
        what = "NOT HEARD YET" if state is None else "OFF LINE"
        yield _ends(Span(f" {screen.bench} ", "title"), Span(f" {what} ", "alarm"), width, marks)
        if state is not None:
            since = state.utc.astimezone(dt.UTC).strftime("%Y-%m-%d %H:%M:%S")
            told = f"The daemon left the broker at {since} UTC; what the bench does is not known here."
            yield from _wrapped("daemon", told, "near", width)
        return
    tripped = state.state in {"Aborting", "Aborted"}
    by_hand = "MANUAL " if state.mode == "manual" else ""
    title = Span(f" {by_hand}{(state.state or 'not told').upper()} ", "alarm" if tripped else "title")
    yield _ends(Span(f" {screen.bench} ", "title"), title, width, marks)
    if screen.away:
        yield (Span(" "), Span(f" NOTHING HEARD FOR {span(screen.silent_s)} ", "alarm"), Span(" what follows is old"))
    if state.permit:
        yield (_label("permit"), Span("given by the safety chain", "well"))
    else:
        words = "NOT KNOWN" if state.permit is None else "WITHHELD"
        yield from _wrapped("permit", f"{words} {state.permit_sentence}", "near", width)
    if state.interlocks is not None:
        sound = dict(state.interlocks) | {"release_pressed": True}
        yield from _wrapped("chain", interlocks(state.interlocks), "plain" if all(sound.values()) else "near", width)
    if state.waits_for:
        yield from _wrapped("waits", state.waits_for, "near", width)
    if state.question is not None:
        yield from _wrapped("ASKED", question(state.question), "near", width)
    local = "" if state.remote_selected is not False else "  (selector on local: not from here)"
    if state.control is None:
        yield (_label("control"), Span(f"nobody{local}"))
    else:
        until = state.control.until_utc.astimezone(dt.UTC).strftime("%H:%M:%S")
        yield (_label("control"), Span(f"{plain(state.control.holder)} until {until} UTC{local}"))


def _run(screen: Screen, width: int, marks: Marks) -> Iterator[Row]:
    state = screen.state
    if state is None or not state.online or state.run is None:
        return
    run, progress = state.run, state.progress
    yield (_label("run"), Span(plain(f"{run.programme}, specimen {run.serial} of order {run.order}")))
    if progress is None and run.run is not None:
        return  # it was played
    if progress is None or progress.test < 0:
        yield (_label("test"), Span(f"none yet of {len(run.tests)}, about {span(run.duration_s)} altogether"))
        return
    doing = f", {progress.doing}" if progress.doing else ""
    yield (_label("test"), Span(plain(f"{progress.test + 1} of {progress.tests}: {progress.title}{doing}")))
    numbers = f" {progress.done_ratio * 100.0:3.0f} %   {span(progress.left_s)} left in all"
    cells = max(width - LABEL - 1 - len(numbers) - 1, 8)
    filled = round(progress.done_ratio * cells)
    bar = Span(marks.full * filled, "well"), Span(marks.rest * (cells - filled), "quiet")
    yield (_label(""), *bar, Span(numbers))


def _channels(screen: Screen, width: int, room: int, marks: Marks) -> Iterator[Row]:
    if not screen.channels or screen.state is None or not screen.state.online:
        return  # old values must not pass for present ones
    kept, left = chosen(screen.channels, at_most=room)
    if left:
        kept, left = chosen(screen.channels, at_most=room - 1)
    names = max((len(one.name) for one in kept), default=0)
    units = max((len(one.unit) for one in kept), default=0)
    cells = max(min(width - names - units - VALUE - LIMIT - 6, 40), 0)
    for one in kept:
        yield _channel(one, names, units, cells, marks)
    if left:
        yield (Span(f" and {left} more channels, good and far from their limits", "quiet"),)


def _channel(one: Shown, names: int, units: int, cells: int, marks: Marks) -> Row:
    number = marks.none if one.value is None else _number(one.value)
    head = Span(f" {one.name:<{names}} {number:>{VALUE}} {one.unit:<{units}}  ")
    if one.doubt:
        age = "" if one.age_s is None else f" for {span(one.age_s)}"
        return head, Span(f"{one.doubt.upper()}{age}", "near")
    old = f"  {one.age_s:.1f} s old" if one.age_s is not None and one.age_s > OLD_S else ""
    if one.way is None:
        return head, Span(f"no limit{old}" if old else "", "quiet")
    ratio, limit = one.way.ratio, one.way.limit
    tone: Tone = "alarm" if ratio >= 1.0 else "near" if ratio >= NEAR_RATIO else "well"
    filled = min(int(ratio * cells), cells)
    share = "beyond" if ratio >= 1.0 else f"{ratio * 100.0:z3.0f} % to"
    words = f" {share} {limit.value:.5g} {limit.reaction.replace('_', ' ')}{old}"
    bar = Span(marks.full * filled, "near" if tone == "alarm" else tone)
    return (
        head,
        bar,
        Span(marks.rest * (cells - filled) + marks.wall, "quiet"),
        Span(words, tone if ratio >= NEAR_RATIO else "plain"),
    )


def _troubles(screen: Screen, width: int, *, at_most: int) -> list[Row]:
    """What is wrong, the worst first; what finds no room is counted."""
    told: list[tuple[str, str, Tone]] = []
    state = screen.state
    if screen.away:
        told.append(("broker", screen.away, "near"))
    if screen.odd:
        told.append(("strange", screen.odd, "near"))
    if state is not None:
        if state.cause:
            told.append(("cause", f"{state.cause} (latched until Clear)", "near"))
        told += [("warning", one, "near") for one in state.warnings]
        if state.silent_devices:
            told.append(("silent", ", ".join(state.silent_devices), "near"))
    lines: list[Row] = []
    for name, sentence, tone in told:
        lines += _wrapped(name, sentence, tone, width)
    if len(lines) > at_most:
        lines = [
            *lines[: at_most - 1],
            (_label(""), Span(f"and {len(lines) - at_most + 1} lines more: benchctl status")),
        ]
    return lines


def _wrapped(name: str, sentence: str, tone: Tone, width: int) -> list[Row]:
    parts = textwrap.wrap(plain(sentence), width - LABEL - 1) or [""]
    return [(_label(name if at == 0 else ""), Span(part, tone)) for at, part in enumerate(parts)]


def _number(value: float) -> str:
    if abs(value) >= 1e5:
        return f"{value:.0f}"
    places = max(0, min(4, 4 - len(str(int(abs(value))))))
    return f"{value:z.{places}f}"


def _label(text: str) -> Span:
    return Span(f" {text:<{LABEL - 1}} ", "quiet")


def _ends(left: Span, right: Span, width: int, marks: Marks) -> Row:
    """One piece at each end of a line that is drawn between them."""
    return left, Span(marks.line * max(width - len(left.text) - len(right.text), 1), "quiet"), right


def _cut(row: Row, width: int) -> Row:
    kept: list[Span] = []
    for piece in row:
        if width <= 0:
            break
        kept.append(Span(piece.text[:width], piece.tone))
        width -= len(piece.text)
    return tuple(kept)


def text_of(drawn: Sequence[Row]) -> str:
    """The rows without any colour."""
    return "\n".join("".join(piece.text for piece in row).rstrip() for row in drawn)


def coloured(drawn: Sequence[Row]) -> Text:
    """The rows for a terminal."""
    text = Text(no_wrap=True, overflow="crop")
    for at, row in enumerate(drawn):
        text.append("\n" if at else "")
        for piece in row:
            text.append(piece.text, style=STYLES[piece.tone])
    return text


def picture(drawn: Sequence[Row], *, width: int) -> str:
    """The rows as an SVG document; the same rows give the same bytes."""
    console = Console(file=io.StringIO(), record=True, width=width, force_terminal=True, color_system="truecolor")
    console.print(coloured(drawn))
    return console.export_svg(code_format=_PICTURE, theme=_THEME, unique_id="live")


def line(screen: Screen, *, channels: int = 5) -> str:
    """The same in one line, for a file or a pipe."""
    state = screen.state
    if state is None or not state.online:
        return f"{screen.bench}: {'not heard yet' if state is None else 'the daemon is off line'}"
    parts = [
        f"{'Manual ' if state.mode == 'manual' else ''}{state.state or 'state not told'}",
        f"permit {'given' if state.permit else 'not given'}",
    ]
    if screen.away:
        parts.append(f"nothing heard for {span(screen.silent_s)}")
    if state.waits_for:
        parts.append(f"waits: {state.waits_for}")
    if state.question is not None:
        parts.append(f"asked: {question(state.question)}")
    if (progress := state.progress) is not None and progress.test >= 0:
        parts.append(
            f"test {progress.test + 1} of {progress.tests} {progress.title} {progress.done_ratio * 100.0:.0f} %, "
            f"{span(progress.left_s)} left"
        )
    if state.cause:
        parts.append(f"cause: {state.cause}")
    kept, _ = chosen(screen.channels, at_most=channels)
    for one in kept:
        if one.doubt or one.value is None:
            parts.append(f"{one.name} {one.doubt}")
            continue
        near = "" if one.way is None else f" ({one.way.ratio * 100.0:z.0f} % to {one.way.limit.value:g})"
        parts.append(f"{one.name} {_number(one.value)} {one.unit}".rstrip() + near)
    return plain(f"{state.utc.astimezone(dt.UTC):%H:%M:%S} UTC {screen.bench}: " + "; ".join(parts))
