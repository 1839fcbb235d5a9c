"""Gathers every bound that bench, motor, set-up and programme put on a channel, each with where it was said.

It does not merge them: `benchd.rules.limits` does. It must never leave a bound out because another is stricter, for
the stricter one may act later or more gently.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

from benchd.settings.bench import Bench, Motor, Programme, Setup
from benchd.settings.bench_file import LimitTable
from benchd.settings.document import Document
from benchd.settings.errors import Problem, refuse
from benchd.settings.explain import nearest
from benchd.settings.pieces import Reaction
from benchd.settings.specimen_files import BrushlessMotorFile
from benchd.settings.toml_lines import KeyPath

Kind = Literal["low", "high", "stale"]

# How the bounds that follow from a part's rating act. Current may exceed a fuse's rating for a while before the fuse
# melts (that is how fuses work), windings and magnets warm in seconds; all else breaks at once, and two readings rule
# out a spike.
AT_ONCE_S = 0.02
FUSE_DELAY_S = 0.5
WARMING_DELAY_S = 1.0
DRIVES_SPEEDS = ("drive_speed", "motor_drive_speed")


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitSource:
    """One bound on one channel, in the channel's unit, and where it was said.

    `kind` "stale" bounds the age: `value` is then the channel's age limit in s. `warn` bounds only tell.
    """

    channel: str
    kind: Kind
    value: float
    warn: bool
    delay_s: float
    reaction: Reaction
    origin: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rating:
    """A part's rating that bounds a channel."""

    channel: str
    value: float
    both_signs: bool
    delay_s: float
    reaction: Reaction
    document: Document
    path: KeyPath


def limit_sources(bench: Bench, motor: Motor, setup: Setup, programme: Programme) -> tuple[LimitSource, ...]:
    """Every bound: those of the bench file, those that follow from ratings, then the programme's own.

    A cut on shaft_speed is one on the drives' own speeds, too. Raises `SettingsError` where a rating bounds a channel
    that the bench does not have (nothing would watch it), where the programme's limits are wider than what holds
    without them, or where low and high bounds leave nothing between.
    """
    ratings = tuple(_ratings(bench, motor, setup))
    _refuse_unwatched(bench, ratings)
    held = (
        *_of_tables(bench.document, bench.limits, bench),
        *(source for rating in ratings for source in _of_rating(rating)),
    )
    own = tuple(_of_tables(programme.document, programme.limits, bench))
    _refuse_wider(bench, programme, held)
    _refuse_contradiction(programme, (*held, *own))
    return (*held, *own, *_carried(bench, (*held, *own)))


def _carried(bench: Bench, sources: Iterable[LimitSource]) -> Iterator[LimitSource]:
    """The cuts on shaft_speed, on each drive's own speed too: an encoder may be lost.

    What is milder stays with the encoder, which says it once.
    """
    for source in sources:
        if (source.channel, source.reaction) == ("shaft_speed", "cut") and source.kind != "stale":
            for channel in DRIVES_SPEEDS:
                if channel in bench.channel_by_name:
                    yield replace(source, channel=channel, origin=f"{source.origin}, for shaft_speed")


# --- bounds said outright


def _of_tables(document: Document, limits: Iterable[LimitTable], bench: Bench) -> Iterator[LimitSource]:
    for place, limit in enumerate(limits):
        for key, kind, value, warn in _bounds(limit):
            yield LimitSource(
                channel=limit.channel,
                kind=kind,
                value=value,
                warn=warn,
                delay_s=limit.delay_s,
                reaction="warn" if warn else limit.reaction,
                origin=document.origin(("limits", place, key)),
            )
        if limit.stale and limit.channel in bench.channel_by_name:
            yield LimitSource(
                channel=limit.channel,
                kind="stale",
                value=bench.channel_by_name[limit.channel].age_limit_s,
                warn=limit.reaction == "warn",
                delay_s=0.0,  # the age limit is the delay
                reaction=limit.reaction,
                origin=document.origin(("limits", place, "stale")),
            )


def _bounds(limit: LimitTable) -> Iterator[tuple[str, Literal["low", "high"], float, bool]]:
    only_tells = limit.reaction == "warn"
    if limit.low is not None:
        yield "low", "low", limit.low, only_tells
    if limit.high is not None:
        yield "high", "high", limit.high, only_tells
    if limit.warn_low is not None:
        yield "warn_low", "low", limit.warn_low, True
    if limit.warn_high is not None:
        yield "warn_high", "high", limit.warn_high, True


# --- bounds that follow from ratings


def _ratings(bench: Bench, motor: Motor, setup: Setup) -> Iterator[_Rating]:
    def rating(
        channel: str,
        value: float,
        document: Document,
        *path: str,
        both_signs: bool = True,
        delay_s: float = AT_ONCE_S,
        reaction: Reaction = "cut",
    ) -> _Rating:
        return _Rating(
            channel=channel,
            value=value,
            both_signs=both_signs,
            delay_s=delay_s,
            reaction=reaction,
            document=document,
            path=path,
        )

    torque = bench.channel_by_name.get("shaft_torque")
    if torque is not None and torque.calibration is not None:
        document = bench.sensor_documents["shaft_torque"]
        yield rating("shaft_torque", torque.calibration.full_scale, document, "full_scale")
    if bench.torque_ranges is not None:  # the narrow range's saturation bounds nothing: the wide one still measures
        yield rating("shaft_torque", bench.torque_ranges.overload_nm, bench.document, "torque_ranges", "overload_nm")
    train = bench.shaft_train
    yield rating("shaft_speed", train.max_speed_rpm, bench.document, "shaft_train", "max_speed_rpm")
    yield rating("shaft_torque", train.max_torque_nm, bench.document, "shaft_train", "max_torque_nm")
    if "link_voltage" in bench.channel_by_name:
        rated_v = bench.dc_link.component_rating_v
        path = ("dc_link", "component_rating_v")
        yield rating("link_voltage", rated_v, bench.document, *path, both_signs=False, delay_s=0.0)
    most = motor.settings
    yield rating("shaft_speed", most.max_speed_rpm, motor.document, "max_speed_rpm")
    yield rating("dc_current", most.max_current_a, motor.document, "max_current_a")
    temperatures = [("winding_temperature", most.max_winding_degc, "max_winding_degc")]
    if isinstance(most, BrushlessMotorFile):
        temperatures.append(("magnet_temperature", most.max_magnet_degc, "max_magnet_degc"))
        if most.max_phase_current_a is not None:
            amperes, key = most.max_phase_current_a, "max_phase_current_a"
            yield rating("motor_current", amperes, motor.document, key, both_signs=False)  # rms has no sign
    for channel, most_degc, key in temperatures:
        if most_degc is not None:
            yield rating(
                channel,
                most_degc,
                motor.document,
                key,
                both_signs=False,
                delay_s=WARMING_DELAY_S,
                reaction="ramp_down",
            )
    coupling = setup.settings.coupling
    yield rating("shaft_torque", coupling.max_torque_nm, setup.document, "coupling", "max_torque_nm")
    yield rating("shaft_speed", coupling.max_speed_rpm, setup.document, "coupling", "max_speed_rpm")
    yield rating("dc_current", setup.settings.fuse_current_a, setup.document, "fuse_current_a", delay_s=FUSE_DELAY_S)


def _of_rating(rating: _Rating) -> Iterator[LimitSource]:
    kinds: tuple[tuple[Literal["low", "high"], float], ...] = (("high", 1.0), ("low", -1.0))
    for kind, sign in kinds if rating.both_signs else kinds[:1]:
        yield LimitSource(
            channel=rating.channel,
            kind=kind,
            value=sign * rating.value,
            warn=False,
            delay_s=rating.delay_s,
            reaction=rating.reaction,
            origin=rating.document.origin(rating.path),
        )


# --- what must not pass


def _refuse_unwatched(bench: Bench, ratings: Iterable[_Rating]) -> None:
    for rating in ratings:
        if rating.channel not in bench.channel_by_name:
            says = (
                f"cannot be watched, because the bench {bench.name} has no channel {rating.channel}; "
                "add it to the bench file"
            )
            refuse(rating.document.file, [rating.document.problem(rating.path, says)])


def _refuse_wider(bench: Bench, programme: Programme, held: Iterable[LimitSource]) -> None:
    sources = tuple(held)
    problems: list[Problem] = []
    for place, limit in enumerate(programme.limits):
        if limit.channel not in bench.channel_by_name:
            says = (
                f'names the channel "{limit.channel}", which the bench {bench.name} does not have; '
                f"{nearest(limit.channel, bench.channel_by_name)}"
            )
            problems.append(programme.document.problem(("limits", place, "channel"), says))
            continue
        for key, kind, value, warn in _bounds(limit):
            strictest = strictest_bound(sources, limit.channel, kind, warn=warn)
            if strictest is None or (value <= strictest.value if kind == "high" else value >= strictest.value):
                continue
            says = (
                f"is {value:g} and wider than {strictest.value:g}, which {strictest.origin} allows; a programme may "
                "only tighten limits, so write a stricter value or leave it out"
            )
            problems.append(programme.document.problem(("limits", place, key), says))
    if problems:
        refuse(programme.document.file, problems)


def strictest_bound(
    sources: Iterable[LimitSource], channel: str, kind: Literal["low", "high"], *, warn: bool
) -> LimitSource | None:
    """The strictest of the sources on this channel, None where nothing bounds it."""
    bounds = [one for one in sources if (one.channel, one.kind, one.warn) == (channel, kind, warn)]
    if not bounds:
        return None
    return min(bounds, key=lambda one: one.value) if kind == "high" else max(bounds, key=lambda one: one.value)


def _refuse_contradiction(programme: Programme, sources: tuple[LimitSource, ...]) -> None:
    for channel in dict.fromkeys(source.channel for source in sources):
        low = strictest_bound(sources, channel, "low", warn=False)
        high = strictest_bound(sources, channel, "high", warn=False)
        if low is not None and high is not None and low.value >= high.value:
            says = (
                f"cannot run: {channel} must stay above {low.value:g} ({low.origin}) and below {high.value:g} "
                f"({high.origin}), which leaves nothing between; correct one of them"
            )
            refuse(programme.document.file, [programme.document.problem((), says)])
