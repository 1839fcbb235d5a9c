"""The watched process as the kernel tells of it: whether it lives, what it does just now, and how to end it.

Death is known at once and not from a tick that stays away: the kernel makes the process' own descriptor readable. That
descriptor and the open files of proc(5) mean this very process, so that another one which got its number is neither
taken for it nor ended in its place. Nothing here waits.
"""

import contextlib
import os
import select
import signal
from dataclasses import dataclass

from benchd.sentry.shared import born

_NS_PER_S = 1e9


@dataclass(frozen=True, slots=True, kw_only=True)
class Doing:
    """What the main thread of a process does just now."""

    runnable: bool  # it runs, or waits for a processor
    ran_s: float  # on a processor, since it began


NOTHING = Doing(runnable=False, ran_s=0.0)


class WatchedProcess:
    """One process, held until `close`. Raises `ProcessLookupError` where there is none that began then."""

    def __init__(self, pid: int, *, began: int) -> None:
        self.pid = pid
        self.began = began
        self.descriptor = os.pidfd_open(pid) if pid > 0 else -1  # readable once it has ended
        self._files: dict[str, int] = {}
        if pid <= 0 or born(pid) != began or began == 0:
            self.close()
            raise ProcessLookupError(f"There is no process {pid} that began then.")
        self._poll = select.poll()
        self._poll.register(self.descriptor, select.POLLIN)
        for name in ("stat", "schedstat"):
            with contextlib.suppress(OSError):  # a kernel may have none, or hide it
                self._files[name] = os.open(f"/proc/{pid}/{name}", os.O_RDONLY | os.O_CLOEXEC)

    @property
    def lives(self) -> bool:
        """Whether it has not ended; one that nobody has asked for its exit status has."""
        return not self._poll.poll(0)

    def doing(self) -> Doing:
        """What it does; `NOTHING` where the kernel does not say, which never excuses anybody."""
        try:
            state = os.pread(self._files["stat"], 512, 0).rpartition(b")")[2].split()[0]
            ran_ns = int(os.pread(self._files["schedstat"], 128, 0).split()[0])
        except (KeyError, OSError, ValueError, IndexError):
            return NOTHING
        return Doing(runnable=state == b"R", ran_s=ran_ns / _NS_PER_S)

    def end(self) -> None:
        """Kill it; one that has ended already is left alone. Raises `OSError` where that is not permitted."""
        with contextlib.suppress(ProcessLookupError):
            signal.pidfd_send_signal(self.descriptor, signal.SIGKILL)

    def close(self) -> None:
        """Let go of it; legal twice."""
        for handle in (*self._files.values(), self.descriptor):
            if handle >= 0:
                os.close(handle)
        self._files.clear()
        self.descriptor = -1
