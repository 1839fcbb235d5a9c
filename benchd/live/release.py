"""What people are told and give before a start: the warning, and the release at the bench. It enables nothing.

The release is a key or button that the safety chain shows. It says that somebody at the bench has looked: only a change
from off to on after the start was asked for counts, so that a button that is stuck or was pressed before says nothing.
"""

import asyncio
import contextlib

from benchd.contract import AnnouncesStart, DriverError, SafetyChain, SafetyChainReading
from benchd.live.engine import ActFailed
from benchd.live.rack import LOOK_AGAIN_S, Rack
from benchd.live.supervision import chain_objection

CHAIN_WITHIN_S = 0.5  # without a reading in that time nothing is believed of a release


async def warned(rack: Rack) -> None:
    """Warn people for as long as the bench file says, by horn or lamp where the chain has one.

    Raises `ActFailed` where the chain has the output and it does not confirm.
    """
    ref, seconds = rack.plan.safety_chain, rack.plan.starting.pre_start_warning_s
    try:
        announced = await rack.call(ref, lambda chain: _announced(chain, on=True))
        rack.on_event("start_warning", seconds=seconds, announced=announced)
        await asyncio.sleep(seconds)
    except DriverError as error:
        raise ActFailed(f"The start warning was not given, so nothing starts: {ref}: {error}") from error
    finally:
        with contextlib.suppress(DriverError):  # a horn that goes on sounding endangers nobody
            await rack.call(ref, lambda chain: _announced(chain, on=False))


async def _announced(chain: SafetyChain, *, on: bool) -> bool:
    """Whether the chain has a horn or lamp; it was switched then."""
    if not isinstance(chain, AnnouncesStart) or not chain.announces_start:
        return False
    await chain.announce_start(on=on)
    return True


async def released_at_the_bench(rack: Rack) -> None:
    """Wait for the release at the bench where the bench file asks for it; the start counts as asked for now.

    Raises `ActFailed` in one sentence: not given in time, or the chain objects meanwhile.
    """
    plan = rack.plan
    if not plan.starting.release_at_bench:
        return
    loop = asyncio.get_running_loop()
    asked_s, within_s = loop.time(), plan.starting.release_within_s
    seen_off = False
    read_s = asked_s
    rack.on_event("release_awaited", seconds=within_s)
    try:
        while (waited_s := loop.time() - asked_s) < within_s:
            rack.waits_for = (
                "The start waits for the release at the bench: look that nobody can be reached, and press it within "
                f"{within_s - waited_s:.0f} s."
            )
            reading = rack.latest(plan.safety_chain, SafetyChainReading)
            if reading is not None and reading.taken_mono_s > asked_s:
                read_s = reading.taken_mono_s
                _still_agrees(reading, remote=plan.starting.remote_required)
                if reading.release_pressed and seen_off:
                    rack.on_event("release_given", after_s=round(reading.taken_mono_s - asked_s, 3))
                    return
                seen_off = seen_off or reading.release_pressed is False
            if loop.time() - read_s > CHAIN_WITHIN_S:
                raise ActFailed(f"{plan.safety_chain} gives no reading: look at the safety chain's wire.")
            await asyncio.sleep(LOOK_AGAIN_S)
    finally:
        rack.waits_for = ""
    if seen_off:
        raise ActFailed(
            f"The release at the bench was not given within {within_s:g} s, so nothing was started: start again and "
            "press it at the bench."
        )
    raise ActFailed(
        f"The release at the bench was pressed before the start was asked for and stayed so for {within_s:g} s, so "
        "nothing was started: let it go, or look whether it is stuck, and start again."
    )


def _still_agrees(reading: SafetyChainReading, *, remote: bool) -> None:
    if (sentence := chain_objection(reading)) is not None:
        raise ActFailed(sentence)
    if remote and not reading.remote_selected:
        raise ActFailed("The selector at the bench was turned to local: turn it to remote to start from here.")
    if reading.release_pressed is None:
        raise ActFailed(
            "The safety chain shows no release at the bench, which this bench asks for before a start: add the input "
            "to its settings, or update the sentry."
        )
