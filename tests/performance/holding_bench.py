"""The live room of the vineyard bench on the simulated pump over sockets, with tuned loops. Not a test.

The room is this process; the simulated bench is another one. Slopes are steep, so that a step of the set-point is one.
"""

import asyncio
import math
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

from benchd.app.demo import device_options
from benchd.app.loading import load_all
from benchd.app.tied import tied
from benchd.app.wiring import PlannedRun, bench_plan
from benchd.live.bench import Bench
from benchd.live.link import Link
from benchd.live.quiet import quiet_process
from benchd.live.run import Run
from benchd.live.ticker import TimerfdTicker
from benchd.procedures.hand import Hand
from benchd.rules.channels import Quality
from benchd.rules.moves import Role
from benchd.rules.ramps import Slopes
from benchd.rules.states import Command, State
from benchd.settings.places import configs_directory
from tests.performance.reaction_probe import Nowhere, at_once
from tests.scenarios.on_the_wire import Control, without_sentry

SPEED_RPM = 2000.0
SLOPES = Slopes(voltage_v_per_s=200.0, torque_nm_per_s=1e4, speed_rpm_per_s=4000.0, crossing_rpm_per_s=4000.0)
SEEN = ("shaft_torque", "shaft_speed", "drive_torque")


@dataclass(slots=True)
class Told:
    """What was asked for and seen over time: rows of (second, asked torque, torque, speed, drive torque, doing)."""

    rows: list[tuple[float, float, float, float, float, str]] = field(default_factory=list)
    truths: list[tuple[float, float]] = field(
        default_factory=list
    )  # true torque at the transducer, beside what it says


class Stepped:
    """A test of a hand that holds the pump's speed and is told how its torque goes."""

    title = "stepped"
    energised = True

    def __init__(self, run: PlannedRun, course: Callable[[Hand], object], told: Told) -> None:
        self._around = replace(run.tests[0].around, slopes=SLOPES)
        self._course, self._told = course, told

    def moves(self, at):
        hand = Hand(replace(self._around, at=at), duration_s=1e9)
        play = self._play(hand)
        move = next(play)
        while True:
            frame = yield move
            asked = move.targets[Role.LOAD_DRIVE]
            values = []
            for name in SEEN:
                sample = frame.samples[name]
                values.append(sample.value if sample.quality is Quality.GOOD else math.nan)
            taken_s = frame.samples["shaft_torque"].taken_mono_s
            self._told.rows.append((taken_s, getattr(asked, "torque_nm", math.nan), *values, move.doing))
            try:
                move = play.send(frame)
            except StopIteration:
                return

    def _play(self, hand: Hand):
        yield from hand.ramp_voltage(48.0)
        yield from hand.ramp_speed(Role.MOTOR_DRIVE, SPEED_RPM)
        yield from hand.wait(1.0, "up")
        yield from self._course(hand)
        yield from hand.come_to_rest(keep_voltage=False)

    def held(self, targets):
        return targets


def bench_without_sentry(folder: Path) -> Path:
    """The vineyard bench as it is shipped, but for the sentry's process."""
    text = without_sentry((configs_directory() / "benches/vineyard.toml").read_text(encoding="utf-8"))
    file = folder / "vineyard.toml"
    file.write_text(text.replace('"../sensors/', f'"{configs_directory()}/sensors/'), encoding="utf-8")
    return file


def tune(listening, data: Path) -> None:
    """Let `benchd tune` find the loops of this simulated bench; the tuning lies below `data`."""
    bench = bench_without_sentry(data)
    command = [sys.executable, "-m", "benchd.app.command_line", "tune", str(bench), "pump_48v", "pump"]
    command += ["--data", str(data), *device_options(listening, bench)]
    ended = subprocess.run(
        tied(command), env={**os.environ, "RUNTIME_DIRECTORY": str(data)}, capture_output=True, text=True, check=False
    )
    assert ended.returncode == 0, ended.stdout + ended.stderr
    print(ended.stdout)


async def held(listening, data: Path, course, *, loops: bool, control: Control) -> tuple[PlannedRun, Told]:
    """Play the course; what was seen. The bench rests afterwards."""
    bench_file = data / "vineyard.toml"
    options = device_options(listening, bench_file)[1::2]
    settings, run = load_all(str(bench_file), "pump_acceptance", "pump_48v", "pump", device=options, data=data)
    assert run is not None
    assert run.plan.loops or not loops
    plan = bench_plan(settings)
    starting = replace(plan.starting, pre_start_warning_s=0.05, zero_time_s=1.0)
    plan = replace(plan, starting=starting, slopes=SLOPES)
    links = {
        name: Link(
            name,
            device.manifest.make(device.settings),
            reply_time_s=device.manifest.reply_time_s,
            safe_time_s=device.manifest.safe_time_s,
            on_change=lambda _: None,
        )
        for name, device in settings.devices.items()
    }
    told, failures = Told(), []

    def heard(name: str, **fields: object) -> None:
        if name in {"failed", "not_safe", "crossed"}:
            failures.append(str(fields.get("sentence") or fields))

    with quiet_process():
        live = Bench(plan, links, TimerfdTicker(plan.tick_hz), on_event=heard, offload=at_once)
        async with asyncio.TaskGroup() as group:
            bench = group.create_task(live.run())
            await live.settled.wait()
            await asyncio.sleep(0.7)  # of heartbeat, without which nothing is reset
            control.ask("press", button="reset")
            quiet = replace(run.plan, jog=None, no_jog="measured", loops=run.plan.loops if loops else ())
            tests = (Stepped(run, course, told),)
            live.load(Run(title="stepped", plan=quiet, tests=tests, open_recorder=Nowhere))
            await asyncio.sleep(0.5)
            live.command(Command.RESET, because="the measurement")
            await live.settled.wait()
            assert live.engine.state is State.IDLE, failures
            live.command(Command.START, because="the measurement")
            while not live.settled.is_set() or live.engine.state in {State.EXECUTE, State.STARTING, State.IDLE}:
                await asyncio.sleep(0.2)
                if live.player is not None and live.player.doing.startswith("holding"):
                    seen = live.intake.samples["shaft_torque"].value
                    told.truths.append((float(control.truth()["shaft_torque_nm"]), seen))
            assert live.engine.state is State.COMPLETE, (live.engine.state, live.cause, failures)
            bench.cancel()
    return run, told
