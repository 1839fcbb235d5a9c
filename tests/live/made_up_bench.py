"""The whole live room on made-up devices: every part is the real one down to the links, and a second costs nothing."""

import asyncio
import contextlib
import math
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from dataclasses import dataclass, field

from benchd.live.bench import Bench
from benchd.live.run import RecordingFailed, Run
from benchd.live.ticker import VirtualTicker
from benchd.rules.moves import Move, Role, Target, Torque, Voltage
from benchd.rules.states import Command, State

from .parts import MadeUpLink, World, run_plan


class Turning:
    """A test that turns the shaft at 12 V against a torque until it is told to end; `at_once` is raised by it."""

    title = "turning"
    energised = True

    def __init__(self, *, torque_nm: float = 0.2, lasts_s: float = math.inf) -> None:
        self.torque_nm = torque_nm
        self.lasts_s = lasts_s
        self.at_once: Exception | None = None

    def moves(self, at: Mapping[Role, Target]):
        began_s = None
        while True:
            frame = yield Move(
                targets={Role.SUPPLY: Voltage(12.0, 10.0), Role.LOAD_DRIVE: Torque(self.torque_nm, 5000.0)},
                doing="turning",
            )
            began_s = frame.time_mono_s if began_s is None else began_s
            if self.at_once is not None:
                raise self.at_once
            if frame.time_mono_s - began_s > self.lasts_s:
                return

    def held(self, targets: Mapping[Role, Target]) -> Mapping[Role, Target]:
        return {Role.LOAD_DRIVE: Torque(0.0, 5000.0)}


@dataclass(slots=True)
class Folder:
    """A recorder in memory; `fails` names the call that does."""

    endings: list[tuple[str, str]] = field(default_factory=list)
    rows: list[dict] = field(default_factory=list)
    fails: str = ""

    def append(self, **row) -> None:
        self.rows.append(row)

    def event(self, name: str, *, time_mono_s: float, **fields) -> None:
        return None

    def flush(self) -> None:
        if self.fails == "flush":
            raise RecordingFailed("The journal cannot be written: no space left on the disk.")

    def close(self, ending: str, why: str) -> None:
        self.endings.append((ending, why))
        if self.fails == "close":
            raise OSError(28, "No space left on device")


@dataclass(slots=True)
class MadeUp:
    live: Bench
    world: World
    folder: Folder
    test: Turning

    @property
    def state(self) -> State:
        return self.live.engine.state

    @property
    def states(self) -> list[str]:
        return [fields["after"] for fields in self.world.told("state")]

    @property
    def now_s(self) -> float:
        return asyncio.get_running_loop().time()

    def order(self, command: Command) -> State:
        return self.live.command(command, because="the test")

    async def until(self, condition: Callable[[], bool], what: str, within_s: float = 60.0) -> float:
        """Wait for the condition; how long it took, s."""
        began_s = self.now_s
        while not condition():
            assert self.now_s - began_s < within_s, f"waited in vain for {what}; states {self.states}"
            await asyncio.sleep(0.001)
        return self.now_s - began_s

    async def reach(self, state: State, within_s: float = 60.0) -> float:
        return await self.until(lambda: self.state is state, state.title, within_s)

    async def settle(self, within_s: float = 90.0) -> State:
        async with asyncio.timeout(within_s):
            await self.live.settled.wait()
        return self.state

    async def started(self) -> None:
        """Reset and Start; returns in Execute."""
        self.order(Command.RESET)
        assert await self.settle() is State.IDLE
        self.order(Command.START)
        await self.reach(State.EXECUTE)

    async def turning(self) -> None:
        """In Execute with the shaft at speed and loaded."""
        await self.started()
        await self.until(
            lambda: self.world.volts == 12.0 and abs(self.world.torque_nm - self.test.torque_nm) < 1e-9, "the load"
        )

    def off(self) -> bool:
        return not self.world.output_on and not self.world.stage_on


@contextlib.asynccontextmanager
async def made_up(
    world: World | None = None, *, tests: Sequence[Turning] | None = None, **limits
) -> AsyncIterator[MadeUp]:
    """A bench that has come up and waits in Stopped with its run chosen."""
    world = world or World()
    test = tests[0] if tests else Turning()
    plan = world.plan()
    links = {name: MadeUpLink(world.device(name)) for name in plan.devices}
    folder = Folder()

    async def at_once(slow: Callable[[], object]) -> object:
        return slow()

    live = Bench(
        plan,
        links,
        VirtualTicker(plan.tick_hz),
        on_event=lambda name, **fields: world.events.append((name, fields)),
        offload=at_once,
    )
    run = Run(title="turning", plan=run_plan(**limits), tests=tests or (test,), open_recorder=lambda: folder)
    live.load(run)

    async def turn() -> None:
        while True:
            await asyncio.sleep(0.01)
            for _ in range(10):
                world.step(0.001)

    async with asyncio.TaskGroup() as group:
        turning = group.create_task(turn())
        task = group.create_task(live.run())
        await live.settled.wait()
        try:
            yield MadeUp(live, world, folder, test)
        finally:
            task.cancel()
            await asyncio.wait({task})
            turning.cancel()
