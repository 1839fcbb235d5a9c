"""Questions to the operator: what can be asked at all."""

import pytest

from benchd.rules.moves import LONGEST_QUESTION_S, Ask, Meanwhile, Unanswered

SOUND = {"text": "Is the rotor locked?", "answers": ("yes", "no"), "within_s": 60.0}


def test_left_to_itself_a_question_brings_the_shaft_to_rest_and_ends_the_run_when_nobody_answers() -> None:
    ask = Ask(**SOUND)
    assert (ask.meanwhile, ask.unanswered, ask.ending) == (Meanwhile.REST, Unanswered.END_RUN, ())


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"text": "  "}, "a text of one line"),
        ({"text": "two\nlines"}, "a text of one line"),
        ({"answers": ("yes\x1b[2J", "no")}, "a text of one line"),
        ({"answers": ()}, "needs answers"),
        ({"answers": ("yes", "yes")}, "answers that differ"),
        ({"ending": ("yes", "no")}, "one that does not end it"),
        ({"ending": ("perhaps",)}, "needs answers"),
        ({"within_s": 0.0}, "open for up to"),
        ({"within_s": LONGEST_QUESTION_S + 1.0}, "open for up to"),
        ({"within_s": float("nan")}, "open for up to"),
    ],
)
def test_what_cannot_be_answered_is_no_question(changes: dict, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        Ask(**SOUND | changes)
