"""Starts a command that is told to end when its parent is gone: `python -m benchd.app.tied COMMAND ...`.

What a demo starts must not outlive it, however it ends: no `finally` runs in a process that is killed. The kernel
delivers the signal (prctl(2), PR_SET_PDEATHSIG), and the setting outlives the replacement of this program by COMMAND.
"""

import ctypes
import os
import signal
import sys

_PR_SET_PDEATHSIG = 1


def tied(command: list[str]) -> list[str]:
    """The same command, which gets SIGTERM when the thread that starts it has ended."""
    return [sys.executable, "-m", "benchd.app.tied", str(os.getpid()), *command]


def main() -> None:
    """Tie this process to its parent, then become the command."""
    parent, command = int(sys.argv[1]), sys.argv[2:]
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGTERM, 0, 0, 0)
    if os.getppid() != parent:  # it was gone before it could be asked for
        sys.exit(1)
    os.execv(command[0], command)  # noqa: S606 - the very command that was asked for


if __name__ == "__main__":
    main()
