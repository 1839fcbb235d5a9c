"""Stands in for the people at a bench: resets the twin's chain, releases the start, answers. It decides no more."""

import asyncio
from collections.abc import Callable

from benchd.live.asking import Question
from benchd.live.bench import Bench as LiveBench
from benchd.live.supervision import chain_objection
from benchd.rules.states import State

WHO = "the stand-in of the rehearsal"
RESET, PRESS, LET_GO = "reset", "press_start_release", "let_go_start_release"
LOOK_EVERY_S = 0.1
WALKS_FOR_S = 2.0  # from the question to the answer, from the request to the key: long enough for a poll of the chain
HOLDS_FOR_S = 1.0
AT_REST = frozenset({State.STOPPED, State.IDLE, State.COMPLETE})


async def stand_in(live: LiveBench, press: Callable[[str], None]) -> None:
    """Do for ever what the bench waits for people to do. `press` presses a button of the twin's safety chain.

    A chain that opens during the run stays open: that ends the run, as it would at the bench.
    """
    while True:
        await asyncio.sleep(LOOK_EVERY_S)
        chain = live.chain()
        if live.engine.state in AT_REST and chain is not None and chain_objection(chain) is not None:
            press(RESET)
            await asyncio.sleep(WALKS_FOR_S)
        elif live.waits_for:
            await asyncio.sleep(WALKS_FOR_S)
            press(PRESS)
            await asyncio.sleep(HOLDS_FOR_S)
            press(LET_GO)
        elif (question := live.asking.question) is not None:
            await asyncio.sleep(min(WALKS_FOR_S, 0.5 * question.ask.within_s))
            if live.asking.question is question:
                live.asking.answer(question.id, going_on(question), by=WHO)


def going_on(question: Question) -> str:
    """The first answer that does not end the test or the run."""
    ask = question.ask
    return next(answer for answer in ask.answers if answer not in ask.ending)
