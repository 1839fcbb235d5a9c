"""What a link tells about itself: state, changes, counters, the pace of its attempts. It must never touch a device."""

import asyncio
import enum
from collections.abc import Callable
from dataclasses import dataclass

from benchd.contract import DriverError, Refused


class LinkState(enum.Enum):
    """Where the link to a device stands."""

    OPENING = "opening"  # never up so far: not tried yet, or the device is absent
    UP = "up"  # calls are taken; a connection that is being replaced at once still counts as up
    LOST = "lost"  # was up; being reopened with backoff
    REFUSED = "refused"  # something answers that is not the configured device
    CLOSED = "closed"  # left for good


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkChange:
    """One change of a link's state, told once."""

    link: str
    state: LinkState
    sentence: str  # for the engineer: what happened, where, what to look at
    at_mono_s: float


@dataclass(slots=True, kw_only=True)
class LinkCounters:
    """What happened on a link since it was made; only ever counts up."""

    calls: int = 0  # calls that went to the driver
    late: int = 0  # calls that had no answer at their deadline
    wrong: int = 0  # calls answered with ReplyWrong
    lost: int = 0  # times the link went down
    reopened: int = 0  # connections replaced, for whatever reason
    overtaken: int = 0  # calls that made way for make_safe, running or queued


class Overtaken(Refused):
    """The call made way for make_safe: a queued one was never sent, of a running one the outcome is unknown."""


class Backoff:
    """The pause before the next attempt: doubled each time up to a cap, short again when the link has proved itself."""

    def __init__(self, *, first_s: float, cap_s: float) -> None:
        if not 0.0 < first_s <= cap_s:
            raise ValueError(f"a backoff from {first_s} s to {cap_s} s is not possible: give 0 < first <= cap")
        self.first_s = first_s
        self.cap_s = cap_s
        self._next_s = first_s
        self._opened_mono_s = 0.0

    def next_s(self) -> float:
        """The pause to make now, s; the one after it is twice as long."""
        pause_s = self._next_s
        self._next_s = min(2.0 * pause_s, self.cap_s)
        return pause_s

    def opened(self, now_mono_s: float) -> None:
        """The link is open; that alone proves nothing, a flapping one opens all the time."""
        self._opened_mono_s = now_mono_s

    def answered(self, now_mono_s: float) -> None:
        """A call was answered: the pause is short again when the link has been open for as long as the cap."""
        if now_mono_s - self._opened_mono_s >= self.cap_s:
            self._next_s = self.first_s


class Announcer:
    """Holds a link's state and tells of each change once; the first failure to open is told as well."""

    def __init__(self, link: str, on_change: Callable[[LinkChange], None]) -> None:
        self.state = LinkState.OPENING
        self.last_error = f"{link} has not been opened yet"
        self._link = link
        self._on_change = on_change
        self._failure_told = False

    def become(self, state: LinkState, sentence: str) -> None:
        """Take this state, for the reason in `sentence`."""
        news = state is not self.state or (state is LinkState.OPENING and not self._failure_told)
        self.state = state
        if state is not LinkState.UP:
            self.last_error = sentence
        if news:
            self._failure_told = True
            at_mono_s = asyncio.get_running_loop().time()
            self._on_change(LinkChange(link=self._link, state=state, sentence=sentence, at_mono_s=at_mono_s))


def sentence_of(link: str, error: Exception) -> str:
    """The driver's own sentence, or one that says that the driver broke its contract."""
    if isinstance(error, DriverError):
        return str(error)
    return f"{link}: its driver failed with {type(error).__name__} ({error}); tell the driver's author"
