"""What a run asks the operator and how it can be answered, in words. It asks nothing itself."""

from collections.abc import Mapping
from typing import Protocol

from benchd.rules.moves import Ask, Meanwhile, Unanswered
from benchd.settings.bench import Programme

YES, NO = "yes", "no"


def confirmation(text: str, *, within_s: float) -> Ask:
    """The question whether something is so, asked with the shaft at rest; "no" ends the run as silence does."""
    return Ask(
        text=text,
        answers=(YES, NO),
        ending=(NO,),
        within_s=within_s,
        meanwhile=Meanwhile.REST,
        unanswered=Unanswered.END_RUN,
    )


def confirmations_of(programme: Programme) -> Mapping[int, Ask]:
    """What the operator is to confirm before the test of that number begins."""
    within_s = programme.answer_within_s
    wanted = ((number, test.confirm) for number, test in enumerate(programme.tests))
    return {number: confirmation(text, within_s=within_s) for number, text in wanted if text is not None}


class Asks(Protocol):
    """What there is to know of a run here."""

    @property
    def asks(self) -> bool:
        """Whether somebody must be there to answer."""


def how_to_answer(run: Asks, *, bench: str, broker: str | None) -> str:
    """How a run of the command line is answered, in one line; "" for one that asks nothing. `broker` is its HOST:PORT.

    Raises `ValueError` in a sentence where nobody could answer it.
    """
    if not run.asks:
        return ""
    if broker is None:
        raise ValueError(
            "The programme asks the operator, and without a broker nobody can answer: give --broker or [mqtt] in the "
            "bench file, or take the questions out."
        )
    return f"This run asks the operator; answer with: benchctl answer --broker {broker} --bench {bench} ANSWER"
