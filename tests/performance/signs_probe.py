"""A daemon's tick and its signs to the sentry, without devices, told on standard input when to block. Not a test.

Started by test_reaction.py. `energise`: it shows that something is energised. `sleep`, `spin`: the event loop is
blocked for good, in a call that waits or in one that computes.
"""

import asyncio
import sys
import time
from pathlib import Path

from benchd.app.command_line import load_all
from benchd.app.watched import ShownTicker, watched
from benchd.live.quiet import quiet_process
from benchd.live.ticker import TimerfdTicker


async def main(runtime: str, devices: list[str]) -> None:
    bench, _ = load_all("vineyard", None, None, None, device=devices)
    energised = False

    def obey() -> None:
        nonlocal energised
        match sys.stdin.readline().strip():
            case "energise":
                energised = True
            case "sleep":
                time.sleep(1e6)
            case "spin":
                while True:
                    pass

    asyncio.get_running_loop().add_reader(sys.stdin.fileno(), obey)
    with watched(bench, Path(runtime)) as shown, quiet_process():
        assert shown is not None
        window = shown._chain.window

        def each(_) -> None:
            window.beats += 1

        ticker = ShownTicker(TimerfdTicker(bench.tick_rate_hz), shown, energised=lambda: energised)
        print("ready", flush=True)
        await ticker.run(each)


if __name__ == "__main__":
    asyncio.run(main(sys.argv[1], sys.argv[2:]))
