"""Leaps over time in which, by the test's own word, nothing but temperatures changes. It never leaps at anything else.

Between two leaps every device is polled and at least one tick is worked off, so that limits are watched and conditions
are looked at as often as that; the plant goes on in its own long steps and says how far it got.
"""

import asyncio
import math

from benchd.contract import SimulatedBench
from benchd.live.bench import Bench as LiveBench
from benchd.live.virtual_time import VirtualTimeLoop
from benchd.rules.channels import Quality
from benchd.rules.limits import Bound

LOOK_SELDOM_S = 0.25  # while nothing may be leapt over
LOOK_EVERY_S = 0.0025  # a quarter of the usual tick: between two polls, when nothing is on a wire
LEAST_S, FIRST_S, LONGEST_S = 0.5, 1.0, 30.0
BEFORE_THE_END_S = 0.5  # played again before anything could be captured or averaged
PATIENCE_S = 1.0  # of ordinary time, after the plant has said that it is not steady
MOST_K = 0.5  # what a temperature may move in one leap
SHARE = 0.5  # of the way to the nearest limit, as fast as its channel moves
GRID_S = 0.01  # leaps are whole ones of it, so that a simulated bench of fixed steps can end them where it shall
DEGC = "°C"


class Pace:
    """How long the next leap may be, by how fast every channel moved over the last one."""

    def __init__(self, live: LiveBench) -> None:
        self._live = live
        self._degc = frozenset(channel.name for channel in live.plan.channels if channel.unit == DEGC)
        self._before: dict[str, float] = {}
        self._before_s = -math.inf
        self._last_s = FIRST_S

    def next_s(self, now_s: float) -> float:
        """The longest leap from now, s, before any limit and before a temperature has moved by `MOST_K`."""
        now = {
            name: sample.value
            for name, sample in self._live.intake.samples.items()
            if sample.quality is Quality.GOOD and math.isfinite(sample.value)
        }
        passed_s = now_s - self._before_s
        longest_s = min(LONGEST_S, 2.0 * self._last_s) if passed_s < 2.0 * LONGEST_S else FIRST_S
        rates = {name: (value - self._before[name]) / passed_s for name, value in now.items() if name in self._before}
        for name in self._degc & rates.keys():
            if rates[name]:
                longest_s = min(longest_s, MOST_K / abs(rates[name]))
        monitor = self._live.intake.monitor
        for limit in () if monitor is None else monitor.limits:
            rate = rates.get(limit.channel, 0.0)
            if limit.bound is Bound.STALE or not rate or (rate < 0.0) is (limit.bound is Bound.HIGH):
                continue
            room_s = (limit.value - now[limit.channel]) / rate
            if room_s > 0.0:
                longest_s = min(longest_s, SHARE * room_s)
        self._before, self._before_s = now, now_s
        self._last_s = max(LEAST_S, longest_s)
        return self._last_s


async def leap_where_possible(live: LiveBench, twin: SimulatedBench) -> None:
    """For ever, beside the bench, on the virtual loop."""
    loop = asyncio.get_running_loop()
    if not isinstance(loop, VirtualTimeLoop):
        raise TypeError("Only virtual time can be leapt over.")
    pace = Pace(live)
    resting = False
    while True:
        room_s = live.may_leap_s - BEFORE_THE_END_S
        if room_s < LEAST_S:
            dwells = live.player is not None and live.player.dwell_s > BEFORE_THE_END_S + LEAST_S
            if resting and not dwells:
                resting = live.rest_stream(resting=False)
            await asyncio.sleep(LOOK_EVERY_S if dwells else LOOK_SELDOM_S)
            continue
        resting = live.rest_stream(resting=True)
        if resting:
            wanted_s = min(room_s, pace.next_s(loop.time()))
            dwelt = twin.dwell(math.floor(wanted_s / GRID_S) * GRID_S)
            if dwelt.seconds > 0.0:
                loop.leap(dwelt.seconds)
                live.leap(dwelt.seconds)
            if dwelt.why:
                await asyncio.sleep(PATIENCE_S)
        await asyncio.sleep(LOOK_EVERY_S)
