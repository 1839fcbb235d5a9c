"""The latched cause: the first stays the cause, later ones make the reaction harder and never milder."""

from hypothesis import given
from hypothesis import strategies as st

from benchd.live.causes import Cause
from benchd.live.latch import Latch
from benchd.rules.limits import Reaction

CAUSES = st.builds(
    Cause,
    sentence=st.sampled_from(["one", "two", "three"]),
    reaction=st.sampled_from([Reaction.RAMP_DOWN, Reaction.CUT]),
    doubted=st.frozensets(st.sampled_from(["load_drive", "supply", "sink"])),
    chain_open=st.booleans(),
    chain_silent=st.booleans(),
    looks_like_chain=st.booleans(),
)


@given(st.lists(CAUSES, min_size=1))
def test_reaction_and_doubts_only_ever_grow(causes: list[Cause]) -> None:
    latch = Latch()
    reaction, doubted, chain_open = Reaction.WARN, frozenset(), False
    for cause in causes:
        latch.take(cause)
        assert latch.cause.reaction >= max(reaction, cause.reaction)
        assert latch.cause.doubted == doubted | cause.doubted
        assert latch.cause.chain_open == (chain_open or cause.chain_open)
        reaction, doubted, chain_open = latch.cause.reaction, latch.cause.doubted, latch.cause.chain_open


@given(st.lists(CAUSES, min_size=1))
def test_the_first_sentence_stays_unless_the_chain_explains_it(causes: list[Cause]) -> None:
    latch = Latch()
    explained = [latch.take(cause) for cause in causes]
    if any(each is not None for each in explained):
        assert causes[0].looks_like_chain
        chains = [cause for cause in causes[1:] if cause.chain_open or cause.chain_silent]
        assert chains[0].sentence == latch.cause.sentence
    else:
        assert latch.cause.sentence == causes[0].sentence


def test_a_cause_is_explained_once() -> None:
    latch = Latch()
    latch.take(Cause(sentence="drive left", reaction=Reaction.CUT, looks_like_chain=True))
    chain = Cause(sentence="guard open", reaction=Reaction.CUT, chain_open=True)
    assert latch.take(chain) is not None
    assert latch.take(Cause(sentence="no permit", reaction=Reaction.CUT, chain_open=True)) is None
    assert latch.cause.sentence == "guard open"


def test_a_silent_chain_explains_what_looks_like_it_and_nothing_else() -> None:
    silent = Cause(sentence="the chain is silent", reaction=Reaction.CUT, chain_silent=True)
    for looks_like_chain, words in ((True, silent.sentence), (False, "drive left")):
        latch = Latch()
        latch.take(Cause(sentence="drive left", reaction=Reaction.CUT, looks_like_chain=looks_like_chain))
        latch.take(silent)
        assert latch.cause.sentence == words


def test_what_was_told_in_one_run_is_news_in_the_next() -> None:
    latch = Latch()
    cause = Cause(sentence="a", reaction=Reaction.HOLD)
    assert latch.is_news(cause)
    assert not latch.is_news(cause)
    latch.forget_told()
    assert latch.is_news(cause)


def test_only_clear_takes_the_cause_away() -> None:
    latch = Latch()
    latch.take(Cause(sentence="a", reaction=Reaction.CUT))
    latch.forget_told()
    assert latch.cause is not None
    latch.clear()
    assert latch.cause is None
