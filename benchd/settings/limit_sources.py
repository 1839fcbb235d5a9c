"""Gathers every bound that bench, devices, motor, set-up and programme put on a channel, each with where it was said.

It does not merge them: `benchd.rules.limits` does. It must never leave a bound out because another is stricter, for
the stricter one may act later or more gently.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import Literal

from benchd.settings.bench import Bench, Motor, Programme, Setup
from benchd.settings.bench_file import LimitTable
from benchd.settings.document import Document
from benchd.settings.errors import Problem, refuse
from benchd.settings.explain import nearest
from benchd.settings.limit_ratings import Rating, ratings_of
from benchd.settings.pieces import Reaction
from benchd.settings.toml_lines import KeyPath

Kind = Literal["low", "high", "stale"]
REACTIONS: tuple[Reaction, ...] = ("warn", "hold", "ramp_down", "cut")  # mildest first
DRIVES_SPEEDS = ("drive_speed", "motor_drive_speed")


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitSource:
    """One bound on one channel, in the channel's unit, and where it was said.

    `kind` "stale" bounds the age: `value` is then the channel's age limit in s. `warn` bounds only tell. `said` is the
    place that `origin` words.
    """

    channel: str
    kind: Kind
    value: float
    warn: bool
    delay_s: float
    reaction: Reaction
    origin: str
    hysteresis: float = 0.0
    said: tuple[Document, KeyPath] | None = field(default=None, compare=False, repr=False)

    @property
    def ends_at(self) -> float:
        """Where a crossing ends."""
        return self.value + self.hysteresis if self.kind == "low" else self.value - self.hysteresis

    def stricter(self, value: float, than: float) -> bool:
        """Whether one value is stricter than another on this bound's side."""
        return value > than if self.kind == "low" else value < than


def limit_sources(bench: Bench, motor: Motor, setup: Setup, programme: Programme) -> tuple[LimitSource, ...]:
    """Every bound: those of the bench file, those that follow from ratings, then the programme's own.

    A cut on shaft_speed is one on the drives' own speeds, too. Raises `SettingsError` where a rating bounds a channel
    that the bench does not have (nothing would watch it), where the programme's limits are wider than what holds
    without them in value, delay, reaction or hysteresis, or where low and high bounds leave nothing between.
    """
    ratings = tuple(ratings_of(bench, motor, setup))
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
                hysteresis=limit.hysteresis,
                said=(document, ("limits", place, key)),
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
                said=(document, ("limits", place, "stale")),
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


def _of_rating(rating: Rating) -> Iterator[LimitSource]:
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
            said=(rating.document, rating.path),
        )


# --- what must not pass


def _refuse_unwatched(bench: Bench, ratings: Iterable[Rating]) -> None:
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
            if strictest is None:
                continue
            if strictest.stricter(strictest.value, value):
                says = (
                    f"is {value:g} and wider than {strictest.value:g}, which {strictest.origin} allows; a programme "
                    "may only tighten limits, so write a stricter value or leave it out"
                )
                problems.append(programme.document.problem(("limits", place, key), says))
            elif strictest.value == value:
                same = [one for one in sources if _bounds_as(one, strictest)]
                problems += _looser(programme.document, place, limit, same, only_tells=warn)
    if problems:
        refuse(programme.document.file, problems)


def _bounds_as(one: LimitSource, other: LimitSource) -> bool:
    return (one.channel, one.kind, one.warn, one.value) == (other.channel, other.kind, other.warn, other.value)


def _looser(
    document: Document, place: int, limit: LimitTable, same: Iterable[LimitSource], *, only_tells: bool
) -> Iterator[Problem]:
    """What a programme's bound of a value that holds anyway would loosen, were it to replace that one."""
    own = 0 if only_tells else REACTIONS.index(limit.reaction)
    for held in same:
        slower = limit.delay_s > held.delay_s
        shorter = "hysteresis" in limit.model_fields_set and limit.hysteresis < held.hysteresis  # left out says nothing
        milder = own < REACTIONS.index(held.reaction)
        if (limit.delay_s < held.delay_s) or limit.hysteresis > held.hysteresis or own > REACTIONS.index(held.reaction):
            continue  # it tightens something, and the other one holds beside it
        for looser, key, says in (
            (slower, "delay_s", f"is {limit.delay_s:g} s, later than the {held.delay_s:g} s"),
            (shorter, "hysteresis", f"is {limit.hysteresis:g}, less than the {held.hysteresis:g}"),
            (milder, "reaction", f'is "{limit.reaction}", milder than the "{held.reaction}"'),
        ):
            if looser:
                yield document.problem(
                    ("limits", place, key),
                    f"{says} of the same bound in {held.origin}; a programme may only tighten limits, so write what "
                    "holds there, something stricter, or leave the bound out",
                )
                return


def strictest_bound(
    sources: Iterable[LimitSource], channel: str, kind: Literal["low", "high"], *, warn: bool
) -> LimitSource | None:
    """The strictest of the sources on this channel, None where nothing bounds it."""
    bounds = [one for one in sources if (one.channel, one.kind, one.warn) == (channel, kind, warn)]
    if not bounds:
        return None
    return min(bounds, key=lambda one: one.value) if kind == "high" else max(bounds, key=lambda one: one.value)


def _refuse_contradiction(programme: Programme, sources: tuple[LimitSource, ...]) -> None:
    """Told at the programme's own bound where it is one of the two, else at the low one's place."""
    for channel in dict.fromkeys(source.channel for source in sources):
        low = strictest_bound(sources, channel, "low", warn=False)
        high = strictest_bound(sources, channel, "high", warn=False)
        if low is not None and high is not None and low.value >= high.value:
            says = (
                f"cannot hold: {channel} must stay above {low.value:g} ({low.origin}) and below {high.value:g} "
                f"({high.origin}), which leaves nothing between; correct one of them"
            )
            places = [one.said for one in (low, high) if one.said is not None]
            places.sort(key=lambda place: place[0] is not programme.document)
            document, path = places[0] if places else (programme.document, ())
            refuse(document.file, [document.problem(path, says)])
