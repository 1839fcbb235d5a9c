"""The whole live room on two drives and a resistance meter: made-up tests and the ways into their phases."""

import contextlib
import math
from collections.abc import AsyncIterator, Mapping, Sequence

from benchd.rules.moves import Move, Point, Role, Speed, Target, Torque, Voltage, Winding
from benchd.rules.states import Command, State

from .made_up_bench import MadeUp, made_up
from .pair_parts import LINK_V, PairWorld

RATED_NM = 0.4
SPEED_RPM = 3000.0


class WindingTest:
    """Sends a current through two pairs, each until it flows, or for ever through the first one."""

    title = "windings"
    energised = False

    def __init__(self, *, lasts: bool = False) -> None:
        self.lasts = lasts

    def moves(self, _at: Mapping[Role, Target]):
        for pair, current_a in ((12, 1.5), (23, -1.5)):
            flows = False
            while not flows or self.lasts:
                asked = {Role.RESISTANCE_METER: Winding(pair, current_a)}
                frame = yield Move(targets=asked, doing=f"terminals {pair}")
                flows = abs(frame.value("winding_current") - current_a) < 0.01
        yield Move(targets={Role.RESISTANCE_METER: Winding(0, 0.0)}, doing="disconnecting")

    def held(self, targets: Mapping[Role, Target]) -> Mapping[Role, Target]:
        return dict.fromkeys(targets, Winding(0, 0.0))


class Turning:
    """The motor drive holds a speed and the load drive a torque, until it is told to end."""

    title = "turning"
    energised = True

    def __init__(self, *, torque_nm: float = RATED_NM, lasts_s: float = math.inf, capture_s: float = 0.0) -> None:
        self.torque_nm = torque_nm
        self.lasts_s = lasts_s
        self.capture_s = capture_s
        self.at_once: Exception | None = None

    def moves(self, _at: Mapping[Role, Target]):
        began_s = None
        while True:
            frame = yield Move(
                targets={
                    Role.SUPPLY: Voltage(LINK_V, 10.0),
                    Role.MOTOR_DRIVE: Speed(SPEED_RPM, 0.8),
                    Role.LOAD_DRIVE: Torque(self.torque_nm, 5000.0),
                },
                doing="turning",
                point=Point(number=0, direction="", asked={}) if self.capture_s else None,
                capture_s=self.capture_s,
            )
            began_s = frame.time_mono_s if began_s is None else began_s
            if self.at_once is not None:
                raise self.at_once
            if frame.time_mono_s - began_s > self.lasts_s:
                return

    def held(self, targets: Mapping[Role, Target]) -> Mapping[Role, Target]:
        return {**targets, Role.LOAD_DRIVE: Torque(0.0, 5000.0)}


@contextlib.asynccontextmanager
async def pair_bench(
    tests: Sequence[object] | None = None, *, world: PairWorld | None = None, **limits
) -> AsyncIterator[MadeUp]:
    async with made_up(world or PairWorld(), tests=tests or (Turning(),), voltage_limit_v=LINK_V, **limits) as bench:
        yield bench


async def turning(bench: MadeUp) -> None:
    """In Execute, at speed and loaded."""
    await started(bench)
    world = bench.world
    await bench.until(
        lambda: world.speed_rpm > 0.8 * SPEED_RPM and world.load.made_nm < -0.99 * RATED_NM, "the load", within_s=30.0
    )


async def started(bench: MadeUp) -> None:
    bench.order(Command.RESET)
    assert await bench.settle() is State.IDLE
    bench.order(Command.START)
    await bench.reach(State.EXECUTE)


async def measuring(bench: MadeUp) -> None:
    """In Execute, with current through the first pair and nothing else on."""
    await started(bench)
    await bench.until(lambda: bench.world.winding_a == 1.5, "current in the winding")
