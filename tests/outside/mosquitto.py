"""A real mosquitto on a free loopback port, to be stopped, killed, frozen and started again on the same port."""

import contextlib
import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

SECONDS = 10.0


def program(name: str) -> str:
    """Debian keeps the broker in /usr/sbin, which is not on everybody's path."""
    found = shutil.which(name, path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
    assert found is not None, f"{name} is needed: apt install mosquitto mosquitto-clients"
    return found


def free_port() -> int:
    with socket.socket() as made:
        made.bind(("127.0.0.1", 0))
        return int(made.getsockname()[1])


class Mosquitto:
    """One broker. `extra` is added to its configuration."""

    host = "127.0.0.1"

    def __init__(self, folder: Path, *, extra: str = "", port: int | None = None) -> None:
        self.port = free_port() if port is None else port
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None
        self._log = folder / f"mosquitto-{self.port}.log"
        self._config = folder / f"mosquitto-{self.port}.conf"
        self.configure(extra)

    def configure(self, extra: str) -> None:
        """From the next start on."""
        anonymous = "" if "allow_anonymous" in extra else "allow_anonymous true\n"
        persistence = "" if "persistence" in extra else "persistence false\n"
        self._config.write_text(
            f"listener {self.port} {self.host}\nset_tcp_nodelay true\n{persistence}{anonymous}{extra}\n"
        )

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    @property
    def log(self) -> str:
        return self._log.read_text(errors="replace")

    def start(self) -> None:
        """Return when it takes connections."""
        assert self._process is None
        with self._log.open("ab") as log:
            self._process = subprocess.Popen([program("mosquitto"), "-c", self._config], stdout=log, stderr=log)
        until = time.monotonic() + SECONDS
        while time.monotonic() < until and self._process.poll() is None:
            with contextlib.suppress(OSError), socket.create_connection((self.host, self.port), timeout=1.0):
                return
            time.sleep(0.01)
        raise AssertionError(f"mosquitto did not start: {self.log}")

    def stop(self) -> None:
        """In order; legal twice."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """Without a word; legal twice."""
        self._end(signal.SIGKILL)

    def restart(self) -> None:
        """On the same port, with nothing remembered."""
        self.kill()
        self.start()

    def freeze(self) -> None:
        """Keep every connection and answer nothing."""
        os.kill(self.pid, signal.SIGSTOP)

    def thaw(self) -> None:
        os.kill(self.pid, signal.SIGCONT)

    def _end(self, number: signal.Signals) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        process.send_signal(number)
        process.send_signal(signal.SIGCONT)
        try:
            process.wait(SECONDS)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


@contextlib.contextmanager
def mosquitto(folder: Path, *, extra: str = "", started: bool = True) -> Iterator[Mosquitto]:
    """A broker for as long as the context lasts."""
    broker = Mosquitto(folder, extra=extra)
    try:
        if started:
            broker.start()
        yield broker
    finally:
        broker.kill()
