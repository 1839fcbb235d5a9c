"""A broker for the demo, on this machine alone and gone with it. For a site a broker of its own is the right thing.

mosquitto where it is installed (Debian puts it where a user's PATH does not look), else the broker that comes in the
wheel of `iotcore`: it ignores several options of MQTT 5, which does no harm where nobody else is connected.
"""

import contextlib
import importlib.util
import os
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from benchd.app.discovery import Unavailable
from benchd.app.tied import tied

LOOPBACK = "127.0.0.1"
WITHIN_S = 5.0
ALSO_IN = ("/usr/sbin", "/usr/local/sbin", "/opt/homebrew/sbin")
MOSQUITTO = """\
listener {port} {host}
allow_anonymous true
persistence false
set_tcp_nodelay true
log_type error
"""
IN_A_WHEEL = """\
id = 0

[router]
id = 0
max_connections = 100
max_outgoing_packet_count = 200
max_segment_size = 1048576
max_segment_count = 10

[v5.1]
name = "v5-1"
listen = "{host}:{port}"
next_connection_delay_ms = 1

[v5.1.connections]
connection_timeout_ms = 5000
max_payload_size = 262144
max_inflight_count = 100
"""


@contextlib.contextmanager
def demo_broker() -> Iterator[tuple[str, int]]:
    """Host and port of a broker while the context lasts. Raises `Unavailable` where there is none to start."""
    with tempfile.TemporaryDirectory(prefix="benchd-broker-") as directory:
        settings, port = Path(directory) / "broker.toml", free_port()  # the one in a wheel goes by the ending
        program = mosquitto()
        if program is not None:
            settings.write_text(MOSQUITTO.format(host=LOOPBACK, port=port), encoding="utf-8")
            running = _mosquitto(program, settings)
        elif importlib.util.find_spec("iotcore") is not None:
            settings.write_text(IN_A_WHEEL.format(host=LOOPBACK, port=port), encoding="utf-8")
            running = _in_a_wheel(settings)
        else:
            raise Unavailable(
                "The demo needs an MQTT broker and found none: install the package mosquitto, or benchd with its "
                "extra 'demo'."
            )
        with running:
            _answers(port)
            yield LOOPBACK, port


def mosquitto() -> str | None:
    """The program, or None."""
    path = os.pathsep.join((os.environ.get("PATH", os.defpath), *ALSO_IN))
    return shutil.which("mosquitto", path=path)


def free_port() -> int:
    """A port of the loopback that nobody listens on just now."""
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        return int(probe.getsockname()[1])


@contextlib.contextmanager
def _mosquitto(program: str, settings: Path) -> Iterator[None]:
    process = subprocess.Popen(  # noqa: S603 - a program of this machine with our own settings
        tied([program, "-c", str(settings)]),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,  # Ctrl-C at the terminal is for the run; the broker must outlive its stop
    )
    try:
        yield
    finally:
        process.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(WITHIN_S)
        if process.poll() is None:
            process.kill()
            process.wait()


@contextlib.contextmanager
def _in_a_wheel(settings: Path) -> Iterator[None]:
    from iotcore import Broker  # noqa: PLC0415 - an extra

    with Broker(config_path=str(settings)):
        yield


def _answers(port: int) -> None:
    until_s = time.monotonic() + WITHIN_S
    while time.monotonic() < until_s:
        with contextlib.suppress(OSError), socket.create_connection((LOOPBACK, port), timeout=WITHIN_S):
            return
        time.sleep(0.02)
    raise Unavailable(f"The demo's MQTT broker did not come up on port {port} within {WITHIN_S:g} s: try again.")
