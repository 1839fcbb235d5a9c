"""Makes any text printable without changing what it says. It must never drop a letter silently.

PDF/A forbids letters that no font has, so these are printed as their code point, such as ⟨U+4E2D⟩.
"""

import unicodedata
from collections.abc import Callable
from typing import Any

_CERTAIN = frozenset(
    "".join(map(chr, range(0x20, 0x7F)))
    + "".join(map(chr, range(0xA0, 0x180)))
    + "ΑΒΓΔΕΖΗΘΙΚΛΜΝΞΟΠΡΣΤΥΦΧΨΩαβγδεζηθικλμνξοπρστυφχψω"
    + "–—‘’“”…·×−±²³°µ⁰¹⁴⁵⁶⁷⁸⁹⁻√←→"
) | {"\N{NARROW NO-BREAK SPACE}", "\N{THIN SPACE}"}
MOST_ASKED = 500  # different unusual letters that are looked up; the rest is printed as code points

Shows = Callable[[str], bool]


class Printable:
    """Turns texts, and all texts in nested lists and tables, into what the fonts can print."""

    def __init__(self, shows: Shows) -> None:
        """`shows` says whether the fonts have a letter."""
        self._shows = shows
        self._known: dict[str, bool] = {}

    def text(self, text: str) -> str:
        """The text with unprintable letters as code points."""
        if not all(letter in _CERTAIN for letter in text):
            composed = unicodedata.normalize("NFC", text)
            text = "".join(letter if self._printed(letter) else _code_point(letter) for letter in composed)
        return text

    def all(self, value: Any) -> Any:
        """The value with every text in it made printable; keys stay."""
        if isinstance(value, str):
            return self.text(value)
        if isinstance(value, dict):
            return {key: self.all(one) for key, one in value.items()}
        if isinstance(value, list | tuple):
            return [self.all(one) for one in value]
        return value

    def _printed(self, letter: str) -> bool:
        if letter in _CERTAIN:
            return True
        if letter not in self._known:
            ordinary = unicodedata.category(letter) not in {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
            self._known[letter] = ordinary and len(self._known) < MOST_ASKED and self._shows(letter)
        return self._known[letter]


def _code_point(letter: str) -> str:
    return " " if letter in "\n\t" else f"⟨U+{ord(letter):04X}⟩"
