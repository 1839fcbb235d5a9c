"""Run the simulated bench: `python -m benchd_rig --specimen NAME`.

Its one job is the command line; it prints one line of JSON with the ports and nothing else to standard output.
"""

import argparse
import asyncio
import json
import sys

from benchd_rig.bench import DEVICES
from benchd_rig.process import run
from benchd_rig.specimen import SPECIMENS

_USAGE = 2
_PORT_NAMES = (*DEVICES, "control")


def main(arguments: list[str] | None = None) -> int:
    """Serve until ended; 0 after a signal, 2 for wrong use, with one sentence on standard error."""
    parser = argparse.ArgumentParser(
        prog="python -m benchd_rig",
        description="A simulated bench on loopback ports: it protects nobody and proves no hardware.",
    )
    parser.add_argument("--specimen", required=True, choices=SPECIMENS)
    parser.add_argument("--seed", type=int, default=0, help="seed of the sensors' noise")
    parser.add_argument("--host", default="127.0.0.1", help="a loopback address")
    parser.add_argument(
        "--ports", default="{}", help='JSON of device to port, such as {"supply": 5025}; others are free ones'
    )
    parser.add_argument("--until-stdin-closes", action="store_true", help="end when the parent closes the pipe")
    options = parser.parse_args(arguments)
    try:
        asyncio.run(
            run(
                specimen=options.specimen,
                seed=options.seed,
                host=options.host,
                ports=_ports(options.ports),
                until_stdin_closes=options.until_stdin_closes,
            )
        )
    except (ValueError, OSError) as error:
        sys.stderr.write(f"{error}\n")
        return _USAGE
    return 0


def _ports(text: str) -> dict[str, int]:
    """Device to port. Raises `ValueError` with a sentence."""
    try:
        given = json.loads(text)
    except ValueError:
        raise ValueError(f"--ports: {text!r} is no JSON; give an object of device to port.") from None
    if not isinstance(given, dict):
        raise ValueError("--ports: give a JSON object of device to port.")  # noqa: TRY004  (wrong use, not a defect)
    for name, port in given.items():
        if name not in _PORT_NAMES:
            raise ValueError(f"--ports: there is no device {name!r}; there are: {', '.join(_PORT_NAMES)}.")
        if not isinstance(port, int) or isinstance(port, bool) or not 0 <= port <= 65535:
            raise ValueError(f"--ports: {name} needs a port from 0 (a free one) to 65535, not {port!r}.")
    return given


if __name__ == "__main__":
    sys.exit(main())
