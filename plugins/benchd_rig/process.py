"""The simulated bench as a process that runs in real time until it is told to end.

Its one job is the life of the process: listen, say so in one line, keep the plant's time, leave on a signal or when the
parent is gone. It never listens beyond this machine.
"""

import asyncio
import json
import os
import signal
import stat
import sys
from collections.abc import Callable, Mapping

from benchd_rig.bench import make_bench
from benchd_rig.control import Control, ControlServer
from benchd_rig.servers import DeviceServers

KEEP_TIME_S = 0.005
LONGEST_CATCH_UP_S = 0.1


async def run(*, specimen: str, seed: int, host: str, ports: Mapping[str, int], until_stdin_closes: bool) -> None:
    """Serve a bench until SIGTERM, SIGINT or, if asked, the end of standard input.

    Raises `ValueError` for an unknown specimen or a host that is not loopback, `OSError` for a port that is taken.
    """
    loop = asyncio.get_running_loop()
    bench = make_bench(specimen, seed=seed, clock=loop.time, longest_catch_up_s=LONGEST_CATCH_UP_S)
    end = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, end.set)
    if until_stdin_closes:
        _end_with_stdin(end)
    servers = DeviceServers(bench, host=host, ports=ports)
    async with servers, ControlServer(Control(bench, servers), host=host, port=ports.get("control", 0)) as control:
        where = {"devices": servers.addresses(), "control": {"host": control.host, "port": control.port}}
        sys.stdout.write(json.dumps(where) + "\n")
        sys.stdout.flush()
        async with asyncio.TaskGroup() as tasks:
            keeper = tasks.create_task(_keep_time(bench.advance))
            await end.wait()
            keeper.cancel()


async def _keep_time(advance: Callable[[], None]) -> None:
    """Advance the plant while nobody asks, so that devices trip in time."""
    while True:
        advance()
        await asyncio.sleep(KEEP_TIME_S)


def _end_with_stdin(end: asyncio.Event) -> None:
    loop = asyncio.get_running_loop()
    descriptor = sys.stdin.fileno()
    if not (stat.S_ISFIFO(os.fstat(descriptor).st_mode) or stat.S_ISSOCK(os.fstat(descriptor).st_mode)):
        raise ValueError("--until-stdin-closes needs a pipe as standard input; leave it out or give one.")

    def look() -> None:
        if not os.read(descriptor, 4096):
            loop.remove_reader(descriptor)
            end.set()

    loop.add_reader(descriptor, look)
