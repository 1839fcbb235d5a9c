"""What the stories of stopping share: two causes, the way into every state, and what "at rest" means."""

import asyncio

from benchd.live.causes import Cause
from benchd.rules.limits import Reaction
from benchd.rules.states import Command, State

from .made_up_bench import MadeUp

CUT = Cause(sentence="something broke", reaction=Reaction.CUT)
GENTLE = Cause(sentence="the disk is full", reaction=Reaction.RAMP_DOWN)


async def in_state(bench: MadeUp, state: State) -> None:
    """Bring the bench into a state, by commands and causes as they come in practice."""
    if state is State.RESETTING:
        bench.order(Command.RESET)
    elif state is State.IDLE:
        bench.order(Command.RESET)
        await bench.settle()
    elif state is State.STARTING:
        bench.order(Command.RESET)
        await bench.settle()
        bench.order(Command.START)
        await asyncio.sleep(0.05)
    elif state in {State.COMPLETING, State.COMPLETE}:
        bench.test.lasts_s = 1.0
        await bench.started()
    elif state is not State.STOPPED:
        await bench.turning()
    if state in {State.HOLDING, State.HELD, State.UNHOLDING}:
        bench.order(Command.HOLD)
    if state is State.UNHOLDING:
        await bench.settle()
        bench.order(Command.UNHOLD)
    if state is State.STOPPING:
        bench.order(Command.STOP)
        await asyncio.sleep(0.3)
    if state is State.ABORTING:
        bench.live.trip(GENTLE)
        await asyncio.sleep(0.1)
    if state in {State.ABORTED, State.CLEARING}:
        bench.live.trip(CUT)
        await bench.settle()
    if state is State.CLEARING:
        bench.order(Command.CLEAR)
    await bench.reach(state)


def rests(bench: MadeUp) -> None:
    """Nothing is energised, the shaft stands, the sink is off, the record has one ending at most."""
    assert bench.off()
    assert abs(bench.world.speed_rpm) <= 10.0
    assert not bench.world.sink_on
    assert not bench.live.setpoints.is_open
    assert bench.live.intake.monitor is None
    assert len(bench.folder.endings) <= 1
