"""Puts a bench's question to whoever sits at the terminal of `benchctl run`, and sends what is typed.

It answers nothing by itself: an empty line, the end of the input and words that are no answer send nothing.
"""

import asyncio
import contextlib
import os
import sys
import termios
from collections.abc import Callable

from benchd.app import heard
from benchd.app.voice import Voice
from benchd.outside.client import BenchClient
from benchd.outside.client_wire import ClientError
from benchd.outside.commands import CommandName, Reply
from benchd.outside.messages import OpenQuestion

LONGEST_LINE = 4096


class Prompt:
    """Shows questions, reads answers where standard input is a terminal. `fence` gives the present number."""

    def __init__(self, client: BenchClient, voice: Voice, *, on_reply: Callable[[Reply], None]) -> None:
        self._client = client
        self._voice = voice
        self._on_reply = on_reply
        self.fence: Callable[[], int | None] = lambda: None
        self._question: OpenQuestion | None = None
        self._typed = b""
        self._input: int | None = None

    def hear(self, question: OpenQuestion | None) -> None:
        """What is open now."""
        if question is None or (self._question is not None and question.id == self._question.id):
            self._question = question
            return
        self._question = question
        answers = " or ".join(question.answers)
        self._voice.line(heard.plain(f"\n  {question.title} asks: {question.text}"))
        left = heard.span(question.left_s)
        if self._terminal():
            self._forget_typed()
            self._voice.line(
                heard.plain(f"  Type {answers} and Enter within {left}; no answer is never taken for a yes.")
            )
            return
        how = f"benchctl answer --bench {self._client.bench} --name {self._client.client} {question.id} ANSWER"
        self._voice.line(heard.plain(f"  {answers}, within {left}: {how}"))

    def close(self) -> None:
        """Read nothing more."""
        if self._input is not None:
            asyncio.get_running_loop().remove_reader(self._input)
            self._input = None

    def _terminal(self) -> bool:
        """Whether somebody can type; from now on it is read."""
        if self._input is not None:
            return True
        with contextlib.suppress(OSError, ValueError, AttributeError):  # closed, or none
            if sys.stdin.isatty():
                self._input = sys.stdin.fileno()
                asyncio.get_running_loop().add_reader(self._input, self._read)
        return self._input is not None

    def _forget_typed(self) -> None:
        """What was typed before a question was seen answers something else, or nothing."""
        self._typed = b""
        if self._input is not None:
            with contextlib.suppress(termios.error):
                termios.tcflush(self._input, termios.TCIFLUSH)

    def _read(self) -> None:
        """What was typed: whole lines, as a terminal gives them."""
        if self._input is None:
            return
        try:
            came = os.read(self._input, LONGEST_LINE)
        except OSError:
            came = b""
        if not came:
            self.close()
            return
        *lines, self._typed = (self._typed + came)[-LONGEST_LINE:].split(b"\n")
        for line in lines:
            self._line(line.decode("utf-8", "replace").strip())

    def _line(self, typed: str) -> None:
        question = self._question
        if question is None or not typed:
            return
        if typed not in question.answers:
            self._voice.sentence(heard.plain(f'"{typed}" is no answer: type {" or ".join(question.answers)}.'))
            return
        self._client.begin(self._send(question, typed))

    async def _send(self, question: OpenQuestion, answer: str) -> None:
        arguments = {"question": question.id, "answer": answer}
        try:
            reply = await self._client.ask(CommandName.ANSWER, arguments, fence=self.fence())
        except ClientError as error:
            self._voice.sentence(str(error))
            return
        self._on_reply(reply)
        if reply.stage != "done":
            self._voice.sentence(heard.plain(reply.sentence))
