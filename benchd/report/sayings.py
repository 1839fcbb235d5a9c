"""Sentences that begin or end alike are told once, with a letter in their place. It must never lose a word of them."""

from collections import Counter
from collections.abc import Iterable, Sequence

from benchd.report.numbers import NO_BREAK

LEAST_TIMES = 3
LEAST_LETTERS = 20
MOST_NOTES = 4
_BOUNDS = (", ", ": ", "; ")


def told_once(sentences: Sequence[str]) -> tuple[list[str], list[str]]:
    """The sentences, shared beginnings and ends replaced by "[a]", "[b]", and what each of the letters stands for."""
    left = [sentence.strip() for sentence in sentences]
    notes: list[str] = []
    ended: set[int] = set()
    begun: set[int] = set()
    while len(notes) < MOST_NOTES:
        ends = _counted(_ends(one) for at, one in enumerate(left) if at not in ended)
        heads = _counted(_heads(one) for at, one in enumerate(left) if at not in begun)
        end, head = _best(ends), _best(heads)
        if end is None and head is None:
            break
        letter = "abcdefgh"[len(notes)]
        if end is not None and (head is None or _saved(end, ends) >= _saved(head, heads)):
            for at, one in enumerate(left):
                if at not in ended and end in _ends(one):
                    left[at] = f"{one[: -len(end)]}{NO_BREAK}[{letter}]"
                    ended.add(at)
            notes.append(f"[{letter}] …{end}")
        elif head is not None:
            for at, one in enumerate(left):
                if at not in begun and head in _heads(one):
                    left[at] = f"[{letter}] {one[len(head) :]}"
                    begun.add(at)
            notes.append(f"[{letter}] {head.strip()} …")
    return left, notes


def _counted(parts: Iterable[Iterable[str]]) -> Counter[str]:
    return Counter(part for of_one in parts for part in of_one)


def _saved(part: str, counts: Counter[str]) -> int:
    return (counts[part] - 1) * len(part)


def _best(counts: Counter[str]) -> str | None:
    worth = [part for part, times in counts.items() if times >= LEAST_TIMES and len(part) >= LEAST_LETTERS]
    return max(worth, key=lambda part: (_saved(part, counts), part), default=None)


def _places(sentence: str) -> list[int]:
    return [at for at in range(1, len(sentence) - 2) if sentence.startswith(_BOUNDS, at)]


def _ends(sentence: str) -> list[str]:
    """What follows each comma, semicolon or colon, with it."""
    return [sentence[at:] for at in _places(sentence)]


def _heads(sentence: str) -> list[str]:
    """What stands before a colon, with it."""
    return [sentence[: at + 2] for at in _places(sentence) if sentence.startswith(": ", at)]
