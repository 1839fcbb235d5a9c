"""A daemon's live room on a simulated bench over sockets, told on standard input what to do next. Not a test.

Started by test_reaction.py as `reaction_probe.py RPM NM DELAY_S DEVICE.KEY=VALUE ...`: the vineyard bench as it is
shipped (polls, links, stop sequences), with cut limits lowered to RPM or NM after DELAY_S, no jog, short warnings
and steep slopes, so that hundreds of starts fit into minutes. Says what it has reached in lines of JSON.

go      Reset, Start; told "steady" once the shaft turns with constant set-points
abort   Abort
again   Clear, back to Stopped
"""

import asyncio
import json
import statistics
import sys
import time
from dataclasses import replace

from benchd.app.command_line import load_all
from benchd.app.wiring import bench_plan
from benchd.live.bench import Bench
from benchd.live.link import Link
from benchd.live.quiet import quiet_process
from benchd.live.run import Run
from benchd.live.ticker import TimerfdTicker
from benchd.rules.limits import Bound
from benchd.rules.moves import Move, Role, Speed, Torque, Voltage
from benchd.rules.ramps import Slopes
from benchd.rules.states import Command, State

LINK_V, SPEED_RPM, LOAD_NM = 48.0, 600.0, 0.4
STEADY_S = 0.3
SPEEDS = ("shaft_speed", "drive_speed", "motor_drive_speed")
NEVER = 1e6
SLOPES = Slopes(voltage_v_per_s=200.0, torque_nm_per_s=20.0, speed_rpm_per_s=5000.0)
TIMED = (("measuring_unit", "inputs"), ("load_drive", "axis"))


class Turning:
    """The motor drive holds a speed and the load drive brakes a little, for ever."""

    title = "turning"
    energised = True

    def __init__(self) -> None:
        self.steady_since_s: float | None = None

    def moves(self, _at):
        self.steady_since_s = None
        speed_rpm, torque_nm = 0.0, 0.0
        while True:
            frame = yield Move(
                targets={
                    Role.SUPPLY: Voltage(LINK_V, 18.0),
                    Role.MOTOR_DRIVE: Speed(speed_rpm, 3.0),
                    Role.LOAD_DRIVE: Torque(torque_nm, 3400.0),
                },
                doing="turning",
            )
            if frame.value("link_voltage") > 0.95 * LINK_V:
                speed_rpm = SPEED_RPM
            if frame.value("shaft_speed") > 0.9 * SPEED_RPM:
                torque_nm = LOAD_NM
            if abs(frame.value("shaft_speed") - SPEED_RPM) > 0.03 * SPEED_RPM or torque_nm == 0.0:
                self.steady_since_s = None
            elif self.steady_since_s is None:
                self.steady_since_s = frame.time_mono_s

    def held(self, targets):
        return targets


class Nowhere:
    """Records nothing: the disk is not what is measured here."""

    def append(self, **row) -> None:
        pass

    def event(self, name: str, **fields) -> None:
        pass

    def flush(self) -> None:
        pass

    def close(self, ending: str, why: str) -> None:
        pass


def lowered(limits, *, rpm: float, nm: float, delay_s: float):
    """The shipped limits with the two that are provoked at these values and after this delay."""
    for limit in limits:
        value = {"shaft_torque": nm, **dict.fromkeys(SPEEDS, rpm)}.get(limit.channel)
        if value is None or limit.bound is Bound.STALE:
            yield limit
        else:
            side = -1.0 if limit.bound is Bound.LOW else 1.0
            yield replace(limit, value=side * value, delay_s=delay_s, hysteresis=0.0)


def say(what: str, **fields: object) -> None:
    print(json.dumps({"told": what, **fields}), flush=True)


async def main(rpm: float, nm: float, delay_s: float, devices: list[str]) -> None:
    settings, run = load_all("vineyard", "pump_acceptance", "pump_48v", "pump", device=devices)
    plan = bench_plan(settings)
    starting = replace(plan.starting, pre_start_warning_s=0.05, zero_time_s=0.1)
    plan = replace(plan, starting=starting, slopes=SLOPES)
    limits = tuple(lowered(run.plan.limits, rpm=rpm, nm=nm, delay_s=delay_s))
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
    loop = asyncio.get_running_loop()
    orders: asyncio.Queue[str] = asyncio.Queue()
    loop.add_reader(sys.stdin.fileno(), lambda: orders.put_nowait(sys.stdin.readline().strip()))
    failures: list[str] = []

    def heard(name: str, **fields: object) -> None:
        if name in {"failed", "not_safe"}:
            failures.append(str(fields["sentence"]))

    test = Turning()
    with quiet_process():
        live = Bench(plan, links, TimerfdTicker(plan.tick_hz), on_event=heard, offload=at_once)
        async with asyncio.TaskGroup() as group:
            bench = group.create_task(live.run())
            await live.settled.wait()
            quiet = replace(run.plan, limits=limits, jog=None, no_jog="measured")
            live.load(Run(title="turning", plan=quiet, tests=(test,), open_recorder=Nowhere))
            say("ready", reply_s=await replies(links), safe_time_s=settings.devices["supply"].manifest.safe_time_s)
            while (order := await orders.get()) not in {"", "end"}:
                match order:
                    case "go":
                        live.command(Command.RESET, because="the measurement")
                        await live.settled.wait()
                        test.steady_since_s = None
                        if live.engine.state is State.IDLE:
                            live.command(Command.START, because="the measurement")
                            await turning(live, test)
                        steady = live.engine.state is State.EXECUTE
                        why = "" if live.cause is None else live.cause.sentence
                        say("steady" if steady else "refused", why="; ".join([*failures, why]))
                        failures.clear()
                        if steady:
                            group.create_task(until_rest(live))
                    case "abort":
                        live.command(Command.ABORT, because="the measurement")
                    case "again":
                        if live.engine.state is State.ABORTED:
                            live.command(Command.CLEAR, because="the measurement")
                            await live.settled.wait()
                        say("stopped", state=live.engine.state.title)
            bench.cancel()


async def at_once(slow):
    return slow()


async def turning(live: Bench, test: Turning) -> None:
    until_s = time.monotonic() + 20.0
    while time.monotonic() < until_s and live.engine.state in {State.STARTING, State.EXECUTE}:
        await asyncio.sleep(0.01)
        if test.steady_since_s is not None and time.monotonic() - test.steady_since_s > STEADY_S:
            return


async def until_rest(live: Bench) -> None:
    await live.settled.wait()
    say("rests", state=live.engine.state.title, why="" if live.cause is None else live.cause.sentence)


async def replies(links) -> dict[str, float]:
    """The median time of one reading over each wire, as a poll pays it."""
    found = {}
    for device, port in TIMED:
        taken_s = []
        for _ in range(50):
            began_s = time.monotonic()
            await links[device].call(port, lambda p: p.read())
            taken_s.append(time.monotonic() - began_s)
            await asyncio.sleep(0.003)
        found[device] = statistics.median(taken_s)
    return found


if __name__ == "__main__":
    asyncio.run(main(*map(float, sys.argv[1:4]), sys.argv[4:]))
