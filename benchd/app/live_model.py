"""What a screen shows of a bench, as plain values, and how near each channel is to its limits. It draws nothing."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from benchd.outside.messages import BenchState, LimitMeta, Meta
from benchd.outside.news import Broker, GroupData, News, Unreadable

NEAR_RATIO = 0.8  # from here on a channel is shown before others


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """How far a channel has come from rest towards the limit that is nearer: 0 at rest, 1 at the limit."""

    ratio: float
    limit: LimitMeta


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """One channel: `value` None where there is no number, `doubt` why it is not good, `way` None without a limit."""

    name: str
    unit: str
    value: float | None
    age_s: float | None
    doubt: str
    way: Way | None

    @property
    def urgent(self) -> bool:
        """Whether it must not be left out."""
        return bool(self.doubt) or (self.way is not None and self.way.ratio >= NEAR_RATIO)


@dataclass(frozen=True, slots=True, kw_only=True)
class Screen:
    """Everything that a screen shows, at one moment."""

    bench: str
    state: BenchState | None
    channels: tuple[Shown, ...] = ()
    away: str = ""  # why nothing is heard
    silent_s: float = 0.0  # how long nothing was heard
    odd: str = ""  # what could not be read


@dataclass(slots=True, kw_only=True)
class Listener:
    """Keeps the latest of what is heard; `screen` says what there is to see now. Times are the event loop's."""

    bench: str
    state: BenchState | None = None
    meta: Meta | None = None
    away: str = ""
    odd: str = ""
    heard_mono_s: float = 0.0
    _values: dict[str, tuple[float | None, float | None, str, float]] = field(default_factory=dict)

    def hear(self, news: News, *, now_mono_s: float) -> None:
        """Take in one piece of news."""
        match news:
            case BenchState():
                self.state = news
            case Meta():
                if self.meta is not None and news.session != self.meta.session:
                    self._values.clear()  # of a daemon that is no more
                self.meta = news
            case GroupData(data=data):
                for name, value in data.values.items():
                    self._values[name] = (value, data.ages_s.get(name), data.quality.get(name, ""), now_mono_s)
            case Broker(answers=answers, sentence=sentence):
                self.away = "" if answers else sentence
            case Unreadable(sentence=sentence):
                self.odd = sentence
            case _:
                return
        if not isinstance(news, Broker):
            self.heard_mono_s = now_mono_s

    def screen(self, *, now_mono_s: float) -> Screen:
        """What there is to see."""
        return Screen(
            bench=self.bench,
            state=self.state,
            channels=tuple(self._shown(now_mono_s)),
            away=self.away,
            silent_s=now_mono_s - self.heard_mono_s,
            odd=self.odd,
        )

    def _shown(self, now_mono_s: float) -> Iterable[Shown]:
        limits: dict[str, list[LimitMeta]] = {}
        for limit in () if self.meta is None else self.meta.limits:
            limits.setdefault(limit.channel, []).append(limit)
        for channel in () if self.meta is None else self.meta.channels:
            value, age_s, doubt, heard_mono_s = self._values.get(channel.name, (None, None, "not heard", now_mono_s))
            if channel.name in self._values and age_s is not None:
                age_s += now_mono_s - heard_mono_s
            yield Shown(
                name=channel.name,
                unit="" if channel.unit == "1" else channel.unit,
                value=value,
                age_s=age_s,
                doubt=doubt,
                way=None if value is None else way(value, limits.get(channel.name, ())),
            )


def way(value: float, limits: Iterable[LimitMeta]) -> Way | None:
    """How far `value` has come towards the strictest limit on its side; None where no bound is on that side.

    Rest is zero where zero is allowed; elsewhere the middle between two limits, and far away from a single one.
    """
    lows = [limit for limit in limits if limit.bound == "low"]
    highs = [limit for limit in limits if limit.bound == "high"]
    low = max(lows, key=lambda limit: limit.value, default=None)
    high = min(highs, key=lambda limit: limit.value, default=None)
    if low is not None and high is not None and not low.value <= 0.0 <= high.value:
        middle, half = (low.value + high.value) / 2.0, (high.value - low.value) / 2.0
        side = high if value >= middle else low
        return Way(ratio=abs(value - middle) / half if half > 0.0 else 1.0, limit=side)
    return max(
        (Way(ratio=_single(value, limit), limit=limit) for limit in (low, high) if limit is not None),
        key=lambda one: one.ratio,
        default=None,
    )


def _single(value: float, limit: LimitMeta) -> float:
    """From rest, 0, to the limit, 1; beyond it more."""
    sign = 1.0 if limit.bound == "high" else -1.0
    value, bound = value * sign, limit.value * sign
    if value >= bound:
        return max(value / bound, 1.0) if bound > 0.0 else 1.0 + (value - bound)
    if bound > 0.0:
        return max(value / bound, 0.0)
    return bound / value  # zero is beyond the limit: rest is far away on the other side


def chosen(channels: Iterable[Shown], *, at_most: int) -> tuple[list[Shown], int]:
    """The channels that find room, the urgent and the limited before others, in their order; how many do not."""
    every = list(channels)
    by_need = sorted(range(len(every)), key=lambda at: (not every[at].urgent, every[at].way is None, at))
    kept = sorted(by_need[:at_most])
    return [every[at] for at in kept], len(every) - len(kept)


def values_of(channels: Iterable[Shown]) -> Mapping[str, float]:
    """Name to value, of those that have one."""
    return {one.name: one.value for one in channels if one.value is not None}
