"""How a command of the client speaks: lines for people or JSON lines for programs, and one line that stays last.

Sentences about what went wrong go to standard error in both. It must never wait for a reader.
"""

import json
import os
import shutil
import sys
from collections.abc import Mapping

from pydantic import BaseModel

from benchd.app.streams import say, tell


class Voice:
    """Standard output and standard error of one command."""

    def __init__(self, *, as_json: bool) -> None:
        self.as_json = as_json
        self._moving = not as_json and sys.stdout.isatty() and os.environ.get("TERM") != "dumb"
        self._shown = ""
        self.unheard = False  # nobody reads standard output any more

    def line(self, text: str) -> None:
        """A line for people; programs do not get it."""
        if self.as_json:
            return
        self.progress("")
        self.unheard |= not say(text)

    def sentence(self, text: str) -> None:
        """Something that went wrong or that a person must know now."""
        self.progress("")
        tell(text)

    def record(self, kind: str, content: BaseModel | Mapping[str, object]) -> None:
        """One JSON object on a line of its own; people do not get it."""
        if not self.as_json:
            return
        fields = content.model_dump(mode="json") if isinstance(content, BaseModel) else content
        self.unheard |= not say(json.dumps({"kind": kind, **fields}, ensure_ascii=False))

    def whole(self, content: BaseModel | Mapping[str, object]) -> None:
        """The one JSON object that is the answer of a command; people do not get it."""
        if self.as_json:
            say(json.dumps(content.model_dump(mode="json") if isinstance(content, BaseModel) else content, indent=2))

    def progress(self, text: str) -> None:
        """A line that stays last and is written over; nothing where there is no terminal."""
        if not self._moving or text == self._shown:
            return
        self._shown = text
        width = shutil.get_terminal_size().columns - 1
        try:
            sys.stdout.write(f"\r\x1b[K{text[:width]}")
            sys.stdout.flush()
        except OSError:
            self._moving = False
