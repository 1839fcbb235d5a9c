"""The question that is open to the operator, if there is one, and what became of it. It answers none by itself.

One question at a time. Every question, answer and missing answer is an event, with who and when.
"""

import asyncio
import uuid
from collections.abc import Callable
from dataclasses import dataclass

from benchd.rules.moves import Ask

REMEMBERED = 32  # closed questions that can still be told from those that never were


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """An open question: its identifier, which test asks it, until when it may be answered."""

    id: str
    ask: Ask
    test: int
    title: str
    asked_mono_s: float

    @property
    def until_mono_s(self) -> float:
        """From then on it is too late."""
        return self.asked_mono_s + self.ask.within_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of a question: the answer with which it goes on, or in `sentence` why it does not."""

    answer: str = ""
    sentence: str = ""


class NoSuchQuestion(Exception):
    """This question is not open; the sentence says what became of it."""


class NoSuchAnswer(Exception):
    """The open question has no such answer; the sentence says which it has."""


class Asking:
    """Where questions are put and answered. Times are the event loop's."""

    def __init__(self, *, on_event: Callable[..., None]) -> None:
        self._on_event = on_event
        self.prefix = uuid.uuid4().hex[:6]  # an answer to a question of an earlier daemon fits none of this one's
        self._count = 0
        self._question: Question | None = None
        self._outcome: Outcome | None = None
        self._closed: dict[str, str] = {}

    @property
    def question(self) -> Question | None:
        """The open question."""
        return self._question

    @property
    def outcome(self) -> Outcome | None:
        """What became of the question that was put last; None while it is open and after it was taken."""
        return self._outcome

    def put(self, ask: Ask, *, test: int, title: str) -> Question:
        """Ask the operator; what was open before is closed."""
        self.close("another question was asked")
        self._count += 1
        question = self._question = Question(
            id=f"{self.prefix}-{self._count}", ask=ask, test=test, title=title, asked_mono_s=_now()
        )
        self._on_event(
            "asked",
            question=question.id,
            test=test,
            title=title,
            text=ask.text,
            answers=list(ask.answers),
            within_s=ask.within_s,
            meanwhile=ask.meanwhile.value,
            sentence=f'{title} asks: "{ask.text}" ({" or ".join(ask.answers)}, within {ask.within_s:g} s)',
        )
        return question

    def answer(self, id_: str, choice: str, *, by: str) -> None:
        """Take an answer. Raises `NoSuchQuestion` and `NoSuchAnswer`; nothing has happened then."""
        self.expire()
        question = self._question
        if question is None or question.id != id_:
            raise NoSuchQuestion(self._not_open(id_))
        ask = question.ask
        if choice not in ask.answers:
            raise NoSuchAnswer(f'"{choice}" is no answer to "{ask.text}": choose {" or ".join(ask.answers)}.')
        self._on_event(
            "answered",
            question=question.id,
            test=question.test,
            answer=choice,
            by=by,
            after_s=round(_now() - question.asked_mono_s, 3),
            sentence=f'{by} answered "{choice}" to "{ask.text}".',
        )
        ends = f'{by} answered "{choice}" to "{ask.text}" ({question.title}).' if choice in ask.ending else ""
        self._end(Outcome(answer=choice, sentence=ends), f'was answered "{choice}" by {by} already')

    def expire(self) -> None:
        """Close the question if its time is over."""
        question = self._question
        if question is None or _now() < question.until_mono_s:
            return
        sentence = (
            f'Nobody answered "{question.ask.text}" ({question.title}) within {question.ask.within_s:g} s; '
            "no answer is taken for a yes."
        )
        self._on_event("unanswered", question=question.id, test=question.test, sentence=sentence)
        self._end(Outcome(sentence=sentence), f"was not answered within {question.ask.within_s:g} s and is closed")

    def take(self) -> Outcome | None:
        """What became of the question, once; None while it is open."""
        outcome, self._outcome = self._outcome, None
        return outcome

    def close(self, because: str) -> None:
        """Nobody waits for an answer any more."""
        self._outcome = None
        if self._question is not None:
            sentence = f'"{self._question.ask.text}" is not asked any more: {because}.'
            self._on_event("question_closed", question=self._question.id, sentence=sentence)
            self._end(None, f"is closed: {because}")

    def _end(self, outcome: Outcome | None, became: str) -> None:
        if self._question is not None:
            self._closed[self._question.id] = became
        while len(self._closed) > REMEMBERED:
            del self._closed[next(iter(self._closed))]
        self._question, self._outcome = None, outcome

    def _not_open(self, id_: str) -> str:
        became = self._closed.get(id_)
        opened = "nothing is asked just now" if self._question is None else f"open is {self._question.id}"
        return f"The question {id_} {became}." if became else f"There is no question {id_}: {opened}."


def _now() -> float:
    return asyncio.get_running_loop().time()
