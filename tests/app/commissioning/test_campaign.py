"""A campaign on the twin in virtual time: whose answer counts, and how it ends where it cannot go on."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from benchd.app.commissioning import campaign as campaigns
from benchd.app.commissioning.campaign import Campaign, CommissioningFailed, Heard, Told
from benchd.app.commissioning.provoked import Answer, Kind, NotProvoked, Provocation, provocations
from benchd.app.commissioning.session import NotRecorded
from benchd.app.commissioning.traced import Trace, TracedDriver
from benchd.app.wiring import bench_plan
from benchd.live.bench import Bench
from benchd.live.link import Link
from benchd.live.plan import BenchPlan
from benchd.live.run import Run
from benchd.live.ticker import VirtualTicker
from benchd.procedures.gentle_turn import GentleTurn
from benchd.rules.limits import Bound, Limit, Reaction
from benchd.rules.states import State
from benchd_rig.twin import twin_drivers
from tests.live.twin_bench import BRUSHED, REPLY_TIME_S, SAFE_TIME_S, planned

LIMIT = Limit(
    channel="shaft_speed", bound=Bound.HIGH, value=5000.0, delay_s=0.0, reaction=Reaction.CUT, origin="bench.toml:7"
)
CUT = Provocation(kind=Kind.LIMIT, title="shaft_speed above 5000 r/min", limit=LIMIT, reaction=Reaction.CUT)


@pytest.mark.parametrize("reaction", [Reaction.CUT, Reaction.WARN])
def test_a_limit_was_seen_only_where_its_own_channel_was_told(reaction: Reaction) -> None:
    name = "warning" if reaction is Reaction.WARN else "crossed"
    asked = replace(CUT, reaction=reaction)
    other, own = "shaft_speed_frozen above 0.5 s: look.", "shaft_speed above 95 r/min: 100 r/min was read."
    heard = Heard(events=[(1.0, name, {"cause": other}), (1.1, "state", {"after": "Aborting"})])
    assert heard.seen_s(asked) is None
    heard.events.append((1.2, name, {"cause": own}))
    assert heard.seen_s(asked) == 1.2


def test_a_loss_was_seen_by_whatever_came_of_it() -> None:
    loss = Provocation(kind=Kind.SILENCE, title="load_drive gives no readings", device="load_drive")
    assert Heard(events=[(1.0, "warning", {"cause": "balance"})]).seen_s(loss) is None
    assert Heard(events=[(1.0, "state", {"after": "Aborting"})]).seen_s(loss) == 1.0


@dataclass(frozen=True, slots=True)
class Here:
    """A bench at rest with a gentle turn loaded, the campaign on it, and what the campaign found and said."""

    live: Bench
    work: Campaign
    asked: list[Provocation]
    answers: list[Answer]
    said: list[str]


@contextlib.asynccontextmanager
async def campaign(
    folder: Path, *, change: Callable[[BenchPlan], BenchPlan] = lambda plan: plan
) -> AsyncIterator[Here]:
    bench, run = planned(folder=folder)
    plan = bench_plan(bench)
    plan = change(replace(plan, starting=replace(plan.starting, pre_start_warning_s=0.1, zero_time_s=0.3)))
    drivers, trace, heard = twin_drivers(BRUSHED.motor, seed=1), Trace(), Heard()
    links = {
        name: Link(
            name,
            TracedDriver(name, drivers[name], trace),
            reply_time_s=REPLY_TIME_S,
            safe_time_s=SAFE_TIME_S,
            on_change=lambda _: None,
        )
        for name in plan.devices
    }

    async def at_once(slow: Callable[[], object]) -> object:
        return slow()

    answers: list[Answer] = []
    left_out: list[NotProvoked] = []
    said: list[str] = []
    live = Bench(plan, links, VirtualTicker(plan.tick_hz), on_event=heard.hear, offload=at_once)
    turn = GentleTurn(run.tests[0].around)
    live.load(Run(title="commissioning", plan=run.plan, tests=(turn,), open_recorder=NotRecorded))
    to = Told(say=said.append, answers=answers, left_out=left_out)
    work = Campaign(live, links, trace, heard, to=to, chain_within_s=1.0)
    asked = list(provocations(plan, run.plan.limits, units={one.name: one.unit for one in plan.channels}))
    async with asyncio.TaskGroup() as group:
        task = group.create_task(live.run())
        await live.settled.wait()
        try:
            yield Here(live, work, asked, answers, said)
        finally:
            task.cancel()


@pytest.mark.virtual_time
@pytest.mark.parametrize(
    "channel",
    [
        "coupling_slip",
        "mechanical_power",
        "returned_energy",
        "winding_heat",
        "speed_frozen",
        "current_frozen",
        "run_time",
    ],
)
async def test_a_limit_on_a_derived_channel_is_answered_as_wanted(tmp_path: Path, channel: str) -> None:
    async with campaign(tmp_path) as here:
        asked = [one for one in here.asked if one.limit is not None and one.limit.channel == channel]
        assert asked
        for one in asked:
            await here.work.carry_out([one], times=1)
            answer = here.answers[-1]
            assert (answer.provocation, answer.as_wanted) == (one, True), answer
            assert answer.seen_s is not None
            assert answer.seen_s <= one.within_s + 0.02, answer  # and a look of the campaign, a tick of the bench
            if here.live.engine.state is State.ABORTED:
                break  # the chain of this bench has nobody who resets it


@pytest.mark.virtual_time
async def test_a_release_that_nobody_gives_is_asked_for_and_ends_the_campaign_in_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def with_release(plan: BenchPlan) -> BenchPlan:
        return replace(plan, starting=replace(plan.starting, release_at_bench=True, release_within_s=5.0))

    monkeypatch.setattr(campaigns, "STEADY_WITHIN_S", 2.0)  # less than a person may take
    async with campaign(tmp_path, change=with_release) as here:
        with pytest.raises(CommissioningFailed, match="release at the bench was not given within 5 s"):
            await here.work.carry_out(here.asked[:1], times=1)
        assert any("waits for the release at the bench" in line for line in here.said)
        assert not here.answers


@pytest.mark.virtual_time
async def test_a_state_that_never_comes_ends_the_campaign_in_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(campaigns, "STEADY_WITHIN_S", 0.0)
    monkeypatch.setattr(campaigns, "TRIES", 1)
    async with campaign(tmp_path) as here:
        with pytest.raises(CommissioningFailed, match=r"^The bench did not come to \w+ within 0.1 s: it is in \w+ing "):
            await here.work.carry_out(here.asked[:1], times=1)
