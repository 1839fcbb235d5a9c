"""Reads the letters back out of a PDF by its own rules (ISO 32000-1, 9.10), without the library that set it.

It knows what these reports use: plain objects, deflated streams, two-byte glyph codes with a ToUnicode map.
"""

import re
import zlib
from collections.abc import Iterator

_OBJECT = re.compile(rb"(?:^|\n)(\d+) 0 obj\n(.*?)\nendobj", re.DOTALL)
_NEXT = re.compile(rb"/(f\d+) [\d.]+ Tf|<([0-9A-Fa-f]*)>|(\()")  # a font, a hexadecimal string, a literal string
_ESCAPE = re.compile(rb"\\(\d{1,3}|.)", re.DOTALL)
_NAMED = {b"n": b"\n", b"r": b"\r", b"t": b"\t", b"b": b"\b", b"f": b"\f"}


class Pdf:
    """The pages of a PDF as text."""

    def __init__(self, content: bytes) -> None:
        self.content = content
        self._objects = {int(number): body for number, body in _OBJECT.findall(content)}
        self.pages = list(self._pages())

    @property
    def text(self) -> str:
        """All pages, one after the other."""
        return "\n".join(self.pages)

    @property
    def media_boxes(self) -> set[tuple[float, ...]]:
        """Width and height of the pages in points."""
        found = re.findall(rb"/MediaBox\[0 0 ([\d.]+) ([\d.]+)\]", self.content)
        return {tuple(round(float(side), 1) for side in sides) for sides in found}

    @property
    def figures(self) -> list[bool]:
        """For each figure of the structure tree whether it has an alternative text."""
        return [b"/Alt" in body for body in self._objects.values() if b"/S/Figure" in body]

    def _pages(self) -> Iterator[str]:
        for number in sorted(self._objects):
            body = self._objects[number]
            if b"/Type/Page/" in body:
                resources = self._objects[_reference(body, b"Resources")]
                fonts = {
                    name: self._letters(int(place)) for name, place in re.findall(rb"/(f\d+) (\d+) 0 R", resources)
                }
                yield _text(self._stream(_reference(body, b"Contents")), fonts)

    def _stream(self, number: int) -> bytes:
        body = self._objects[number]
        return zlib.decompress(body.split(b"stream\n", 1)[1].rsplit(b"\nendstream", 1)[0])

    def _letters(self, font: int) -> dict[int, str]:
        cmap = self._stream(_reference(self._objects[font], b"ToUnicode"))
        return {
            int(code, 16): bytes.fromhex(letters.decode()).decode("utf-16-be")
            for code, letters in re.findall(rb"<([0-9A-F]{4})> <([0-9A-F]+)>", cmap)
        }


def _reference(body: bytes, name: bytes) -> int:
    found = re.search(rb"/" + name + rb" (\d+) 0 R", body)
    assert found is not None, name
    return int(found[1])


def _text(stream: bytes, fonts: dict[bytes, dict[int, str]]) -> str:
    said: list[str] = []
    letters: dict[int, str] = {}
    shown = b"\n".join(re.findall(rb"\nBT .*?\nET\n", stream, re.DOTALL))
    at = 0
    while (found := _NEXT.search(shown, at)) is not None:
        at = found.end()
        if found[1]:
            letters = fonts[found[1]]
            continue
        end = at if found[2] is not None else _end_of_string(shown, at)
        codes = (
            bytes.fromhex(found[2].decode()) if found[2] is not None else _ESCAPE.sub(_unescaped, shown[at : end - 1])
        )
        said += [letters[int.from_bytes(codes[n : n + 2])] for n in range(0, len(codes), 2)]
        at = end
    return "".join(said)


def _end_of_string(stream: bytes, start: int) -> int:
    """Behind the parenthesis that closes the string; balanced ones may stand in it (ISO 32000-1, 7.3.4.2)."""
    depth, at = 1, start
    while depth:
        letter = stream[at : at + 1]
        depth += (letter == b"(") - (letter == b")")
        at += 2 if letter == b"\\" else 1
    return at


def _unescaped(found: re.Match[bytes]) -> bytes:
    what = found[1]
    return bytes([int(what, 8)]) if what.isdigit() else _NAMED.get(what, what)


def squeezed(text: str) -> str:
    """The text without any space, as lines may break anywhere."""
    return re.sub(r"\s", "", text)
