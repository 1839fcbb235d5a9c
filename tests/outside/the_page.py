"""Does what the page on commanding says, block by block, as somebody who reads it for the first time."""

import contextlib
import json
import os
import pty
import queue
import re
import subprocess
import sys
import threading
import time
from collections import defaultdict
from collections.abc import Mapping
from importlib import resources
from typing import Any

PAGE = resources.files("benchd.outside").joinpath("README.md").read_text("utf-8")
WITHIN_S = 60.0


def blocks(language: str) -> list[str]:
    """The page's blocks of one language, in order."""
    return re.findall(rf"^```{language}\n(.*?)^```$", PAGE, re.DOTALL | re.MULTILINE)


class Newcomer:
    """Two terminals. `instead` is what this reader's broker, bench and files are called."""

    def __init__(self, instead: Mapping[str, str]) -> None:
        self._instead = instead
        names, self._see, watch, define, *self._rest = blocks("sh")
        # programs write at once only where somebody looks
        shown, screen = pty.openpty()
        self._first, self._second = self._terminal(subprocess.DEVNULL), self._terminal(screen)
        os.close(screen)
        self._shown = os.fdopen(shown, encoding="utf-8", errors="replace")
        self._lines: queue.Queue[str] = queue.Queue()
        self._answers: defaultdict[str, list[dict[str, Any]]] = defaultdict(list)
        self._reader = threading.Thread(target=self._look)
        self._reader.start()
        for terminal, text in ((self._first, names + define), (self._second, f"{names}exec {watch}")):
            self._type(terminal, text)
        while "/state " not in self._lines.get(timeout=WITHIN_S):
            pass  # an answer that came before the second terminal listens would be lost

    def see(self) -> dict[str, Any]:
        """What the block that shows the state prints."""
        done = subprocess.run(
            ["bash", "-euc", self._own(blocks("sh")[0] + self._see)], capture_output=True, timeout=WITHIN_S, check=True
        )
        state: dict[str, Any] = json.loads(done.stdout)
        return state

    def does_next(self, command: str) -> str:
        """Type the next block, which must be about `command`."""
        block = self._rest.pop(0)
        assert command in block, f"the page goes on with {block!r}, not with {command}"
        self._type(self._first, block)
        return block

    def says_the_number(self, fence: int) -> None:
        """The block that repeats the number which `control` gave, with the number that it was."""
        block = self._rest.pop(0)
        assert re.fullmatch(r"FENCE=\d+\n", block)
        self._type(self._first, f"FENCE={fence}\n")

    def answered(self, command: str) -> dict[str, Any]:
        """The last answer to a command, as the second terminal shows it."""
        end_s = time.monotonic() + WITHIN_S
        while not self._answers[command]:
            assert time.monotonic() < end_s, f"no answer to {command}"  # the state is told every second meanwhile
            topic, _, payload = self._lines.get(timeout=WITHIN_S).partition(" ")
            reply: dict[str, Any] = json.loads(payload) if "/reply/" in topic else {}
            if reply.get("stage") in {"done", "rejected", "failed"}:
                self._answers[reply["command"]].append(reply)  # a quick one may overtake one that reads files
        return self._answers[command].pop(0)

    @property
    def finished(self) -> bool:
        """Whether the page has no block left."""
        return not self._rest

    def python(self) -> list[str]:
        """Run the page's program; what it prints."""
        (program,) = blocks("python")
        done = subprocess.run(
            [sys.executable, "-W", "error", "-c", self._own(program)],
            capture_output=True,
            text=True,
            timeout=180.0,
            check=False,
        )
        assert (done.returncode, done.stderr) == (0, ""), (done.stdout, done.stderr)
        return done.stdout.splitlines()

    def leave(self) -> None:
        """Close both terminals."""
        for terminal in (self._first, self._second):
            terminal.kill()
            terminal.communicate()
        self._reader.join()
        self._shown.close()

    def _own(self, text: str) -> str:
        for theirs, ours in self._instead.items():
            text = text.replace(theirs, ours)
        return text

    def _type(self, terminal: subprocess.Popen[str], text: str) -> None:
        assert terminal.stdin is not None
        terminal.stdin.write(self._own(text))
        terminal.stdin.flush()

    def _look(self) -> None:
        with contextlib.suppress(OSError):  # a terminal without programs reads as an error
            for line in self._shown:
                self._lines.put(line.rstrip())

    @staticmethod
    def _terminal(shows: int) -> subprocess.Popen[str]:
        return subprocess.Popen(["bash", "-eu"], stdin=subprocess.PIPE, stdout=shows, text=True, bufsize=1)


def until_it_is(newcomer: Newcomer, state: str) -> None:
    """Look again and again until the bench is in a state."""
    end_s = time.monotonic() + WITHIN_S
    while (seen := newcomer.see()["state"]) != state:
        assert time.monotonic() < end_s, seen
        time.sleep(0.05)
