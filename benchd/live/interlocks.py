"""The safety chain's inputs in the words of the trade, and which of them changed. It reacts to nothing."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from benchd.contract import SafetyChainReading

TOLD_AT_ONCE, TOLD_PER_S = 8.0, 0.5  # of each input: a contact that chatters must not drown what happens


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """What an input is called, what its two states are called, and what is said when it changes."""

    name: str
    off: str
    on: str
    fell: str
    rose: str


# Terms: ISO 12100 (movable guard), ISO 13850 (emergency stop), IEC 61800-5-2 (safe torque off).
WORDS: Mapping[str, Words] = MappingProxyType(
    {
        "estop_released": Words(
            name="emergency stop",
            off="pressed",
            on="released",
            fell="The emergency stop was pressed.",
            rose="The emergency stop was released.",
        ),
        "guard_closed": Words(
            name="movable guard",
            off="open",
            on="closed",
            fell="The movable guard was opened.",
            rose="The movable guard was closed.",
        ),
        "torque_enabled": Words(
            name="safe torque off",
            off="active",
            on="not active",
            fell="Safe torque off became active.",
            rose="Safe torque off is not active any more.",
        ),
        "permit": Words(
            name="permit",
            off="withheld",
            on="given",
            fell="The safety chain withdrew its permit.",
            rose="The safety chain was reset and gives its permit.",
        ),
        "remote_selected": Words(
            name="selector",
            off="local",
            on="remote",
            fell="The selector at the bench was turned to local.",
            rose="The selector at the bench was turned to remote.",
        ),
        "release_pressed": Words(
            name="release at the bench",
            off="not pressed",
            on="pressed",
            fell="The release at the bench was let go.",
            rose="The release at the bench was pressed.",
        ),
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One input that is not as it was; `untold` counts the changes before that were too many to tell."""

    input: str
    now: str
    sentence: str
    untold: int


def inputs_of(reading: SafetyChainReading) -> Mapping[str, bool]:
    """The inputs that this chain has."""
    found = {name: getattr(reading, name) for name in WORDS}
    return {name: on for name, on in found.items() if on is not None}


def in_words(inputs: Mapping[str, bool | None]) -> Mapping[str, str]:
    """Each input and how it stands: {"movable guard": "closed", ...}; one that the chain lacks is None or left out."""
    return {
        words.name: words.on if on else words.off
        for name, words in WORDS.items()
        if (on := inputs.get(name)) is not None
    }


class Interlocks:
    """Sees each reading of the chain and says what is not as it was told last; the first one is no change.

    What was too much to tell is made good when there is room again, so that the last word is true.
    """

    def __init__(self) -> None:
        self._before: Mapping[str, bool] = {}
        self._told: dict[str, bool] = {}
        self._left: dict[str, tuple[float, float]] = {}  # how many may be told, as of when
        self._untold: dict[str, int] = {}

    def changes(self, reading: SafetyChainReading) -> Iterator[Change]:
        """What changed, the most telling input first."""
        now = inputs_of(reading)
        before, self._before = self._before, now
        for name, on in now.items():
            if self._told.setdefault(name, on) is on or not self._may_tell(name, reading.taken_mono_s):
                self._untold[name] = self._untold.get(name, 0) + (before.get(name, on) is not on)
                continue
            self._told[name] = on
            words = WORDS[name]
            yield Change(
                input=words.name,
                now=words.on if on else words.off,
                sentence=words.rose if on else words.fell,
                untold=self._untold.pop(name, 0),
            )

    def _may_tell(self, name: str, now_mono_s: float) -> bool:
        left, since_s = self._left.get(name, (TOLD_AT_ONCE, now_mono_s))
        left = min(left + (now_mono_s - since_s) * TOLD_PER_S, TOLD_AT_ONCE)
        told = left >= 1.0
        self._left[name] = (left - told, now_mono_s)
        return told
