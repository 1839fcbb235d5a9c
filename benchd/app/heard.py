"""What a client hears of a bench as lines for people. Words only: it prints nothing and judges nothing."""

import datetime as dt
from collections.abc import Mapping, Sequence

from benchd.app import tables
from benchd.live.interlocks import in_words
from benchd.outside.commands import Fits, KnownFiles
from benchd.outside.messages import (
    BenchState,
    Interlocks,
    LimitMeta,
    Meta,
    OpenQuestion,
    Progress,
    ResultBrief,
    RunBrief,
)
from benchd.report.words import words

CELLS = 12
SIDES = {"low": "below", "high": "above", "stale": "silent"}
EVENTS = {
    "state": "{after}",
    "ladder": "  voltage ladder read back: {supply_highest_v:g} V supply < {sink_threshold_v:g} V sink "
    "< {over_voltage_protection_v:g} V protection < {component_rating_v:g} V rating",
    "drive_limits": "  {port} holds by itself: {overspeed_rpm:g} r/min, {torque_limit_nm:g} N·m",
    "drive_parameters": "  {port} parameters read back, SHA-256 {sha256:.12}",
    "plausible": "  jog up to {fastest_rpm:.0f} r/min: directions, signs and leads agree",
    "jog_skipped": "  no jog: {why}",
    "zero": "  zero of {channel}: {value:.5f} N·m",
    "test_started": "  {title}",
    "deviation": "  {sentence}",
    "failed": "  {sentence}",
    "not_safe": "  {sentence}",
    "recording_failed": "  {sentence}",
    "waiting_for_chain": "  {sentence}",
    "tripped": "  Tripped: {cause}",
    "warning": "  Warning: {cause}",
    "standstill": "  standstill measured",
    "interlock": "  {sentence}",
    "release_awaited": "  waiting up to {seconds:g} s for the release at the bench",
    "release_given": "  released at the bench",
    "answered": "  {sentence}",
    "unanswered": "  {sentence}",
    "ordered": "  {sentence}",
    "jog_released": "  {sentence}",
    "unit_mode": "  {sentence}",
}


def event(name: str, fields: Mapping[str, object]) -> str:
    """An event as a line, empty for what people need not see."""
    if name == "standstill" and not fields.get("measured", True):
        return "  standstill not measured: an end of the shaft is told by nothing, or by a doubted device"
    shape = EVENTS.get(name)
    try:
        return "" if shape is None else plain(shape.format_map(fields))
    except (LookupError, ValueError, TypeError, AttributeError):  # an event of another release
        return ""


def plain(text: str) -> str:
    """Without what would move a terminal's cursor: anybody on the broker may have written it."""
    return "".join(one if one.isprintable() or one == "\n" else "\N{REPLACEMENT CHARACTER}" for one in text)


def span(seconds: float) -> str:
    """How long, as people say it: 45 s, 2 min 10 s, 3 h 05 min."""
    whole = round(max(seconds, 0.0))
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02} min"


def progress(told: Progress, values: Mapping[str, tuple[float, str]]) -> str:
    """Where a run is, in one line, with a few values of the shaft."""
    filled = round(told.done_ratio * CELLS)
    bar = "■" * filled + "·" * (CELLS - filled)
    numbers = "  ".join(f"{value:.4g} {unit}" for value, unit in values.values())
    what = told.doing or told.title
    return plain(f"  {told.test + 1}/{told.tests} {what:<24.24}  {bar}  {span(told.left_s)} left  {numbers}")


def state(bench: str, told: BenchState, meta: Meta | None) -> str:
    """How a bench is, in a few lines."""
    if not told.online:
        since = told.utc.astimezone(dt.UTC).strftime("%Y-%m-%d %H:%M:%S")
        return f"{bench}: the daemon is off line since {since} UTC; what the bench does is not known here."
    rows = [("bench", bench), ("state", told.state or "not told")]
    if told.because not in {"", "done"}:
        rows.append(("because", told.because))
    rows.append(("unit mode", (told.mode or "not told").capitalize()))
    rows += _at_the_bench(told)
    rows.append(("control", "nobody" if told.control is None else told.control.holder))
    if told.cause:
        rows.append(("cause", told.cause))
    if told.run is not None:
        rows.append(("run", run(told.run)))
    if told.progress is not None:
        rows.append(("test", progress(told.progress, {}).strip()))
    rows += [("warning", one) for one in told.warnings]
    if told.silent_devices:
        rows.append(("silent", ", ".join(told.silent_devices)))
    if meta is not None:
        rows.append(("daemon", f"{meta.software}, since {meta.started_utc:%Y-%m-%d %H:%M:%S} UTC"))
    wide = max(len(name) for name, _ in rows) + 2
    return "\n".join(tables.wrapped(plain(f"{name:<{wide}}{text}"), hanging=wide) for name, text in rows)


def _at_the_bench(told: BenchState) -> list[tuple[str, str]]:
    """What the safety chain says, and what is waited for."""
    permit = {True: "given", False: "withheld", None: "not known"}[told.permit]
    rows = [("permit", f"{permit}. {told.permit_sentence}" if told.permit_sentence else permit)]
    if told.remote_selected is not None:
        rows.append(("selector", "remote" if told.remote_selected else "local: it cannot be commanded from here"))
    if told.interlocks is not None:
        rows.append(("chain", interlocks(told.interlocks)))
    if told.waits_for:
        rows.append(("waits", told.waits_for))
    if told.question is not None:
        rows.append(("asked", question(told.question)))
    return rows


def interlocks(told: Interlocks) -> str:
    """How the safety chain's inputs stand."""
    return ", ".join(f"{name} {how}" for name, how in in_words(dict(told)).items())


def question(told: OpenQuestion) -> str:
    """What the operator is asked, for how long, and how to answer."""
    answers = " or ".join(told.answers)
    return f"{told.text} ({told.title}; {answers}, {span(told.left_s)} left): benchctl answer {told.id} ANSWER"


def run(told: RunBrief) -> str:
    """Which run."""
    return f"{told.programme}, specimen {told.serial} ({told.motor}) of order {told.order}, {told.operator}"


def files(known: KnownFiles) -> str:
    """What a run may name."""
    blocks = []
    for title, listed in (("Programmes", known.programmes), ("Motors", known.motors), ("Set-ups", known.setups)):
        lines = tables.columns([(one.name, one.title) for one in listed], indent=tables.GAP)
        blocks.append("\n".join([title, *(lines or ["  none"])]))
    return plain("\n\n".join(blocks))


def fits(found: Fits, units: Mapping[str, str]) -> str:
    """What the tests will ask for, the limits that will hold, and how long it takes."""
    heads = ("speed r/min", "torque N·m", "voltage V", "current A", "power W", "time s")
    rows: list[tuple[str, ...]] = [("What the tests ask for", *heads)]
    for test in found.tests:
        amounts = (test.speed_rpm, test.torque_nm, test.voltage_v, test.current_a, test.power_w, test.duration_s)
        rows.append((f"{tables.GAP}{test.title}", *("-" if one is None else f"{one:.4g}" for one in amounts)))
    blocks = [tables.wrapped(f"Warning: {one}", hanging=9) for one in found.warnings]
    blocks += ["\n".join(tables.columns(rows, right=range(1, len(heads) + 1))), limits(found.limits, units)]
    return plain("\n\n".join([*blocks, f"It fits and takes about {span(found.duration_s)}."]))


def limits(in_force: Sequence[LimitMeta], units: Mapping[str, str]) -> str:
    """The effective limits: channel, bound, how long it must last, hysteresis, reaction, where it was said.

    The hysteresis is left out where no limit has one.
    """
    any_ends_late = any(one.hysteresis for one in in_force)
    rows = [
        (
            one.channel,
            f"{SIDES[one.bound]} {one.value:g} {'s' if one.bound == 'stale' else units.get(one.channel, '')}".strip(),
            f"{one.delay_s:g} s",
            *((f"{one.hysteresis:g}" if one.hysteresis else "-",) if any_ends_late else ()),
            one.reaction.replace("_", " "),
            one.origin,
        )
        for one in in_force
    ]
    width = tables.width_of_terminal()
    whole = tables.columns(rows, indent=tables.GAP)
    without = tables.columns([row[:-1] for row in rows], indent=tables.GAP)
    lines = [
        line if len(line) <= width else f"{short}\n      {row[-1]}"
        for line, short, row in zip(whole, without, rows, strict=True)
    ]
    ends = "how far back a crossing ends, " if any_ends_late else ""
    return "\n".join([f"Limits: bound, how long it must last, {ends}reaction, where it was said", *lines])


def results(briefs: Sequence[ResultBrief]) -> str:
    """The headline results test by test, then what is not determined, by the reason why."""
    tests: dict[str, list[tuple[str, ...]]] = {}
    missing: dict[str, list[str]] = {}
    for one in briefs:
        test, _, name = one.quantity.rpartition(".")
        if one.value is None:
            missing.setdefault(one.sentence, []).append(one.quantity)
            continue
        value, expanded = tables.with_uncertainty(one.value, one.expanded_uncertainty)
        rows = tests.setdefault(test, [("quantity", "value", "± U (95 %)", "unit")])
        rows.append((words(name), value, expanded, "" if one.unit == "1" else one.unit))
    blocks = [
        "\n".join(
            [tables.TITLES.get(test, f"{words(test)} test"), *tables.columns(rows, right=(1, 2), indent=tables.GAP)]
        )
        for test, rows in tests.items()
    ]
    why_not = [
        tables.wrapped(f"Not determined, {why}: {', '.join(quantities)}", hanging=2)
        for why, quantities in missing.items()
    ]
    if why_not:
        blocks.append("\n".join(why_not))
    return plain("\n\n".join(blocks))
