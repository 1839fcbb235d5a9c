"""Keeps the machine and the interpreter from delaying the tick, as far as this process is permitted to.

Whatever the system refuses is told in words and never an error: the bench must also run on a laptop.
"""

import contextlib
import gc
import os
import struct
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

LATENCY_FILE = Path("/dev/cpu_dma_latency")
SESSION_FILE = Path("/proc/self/autogroup")
SWITCH_INTERVAL_S = (
    0.0002  # a Python thread beside the loop makes the tick 5 ms late with the default, 0.4 ms with this
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Quiet:
    """What could be done for the tick, and one sentence for each thing that could not."""

    latency_held: bool  # processors are kept out of deep idle states
    scheduled_real_time: bool
    refused: tuple[str, ...]


@contextlib.contextmanager
def quiet_process(*, latency_file: Path = LATENCY_FILE, real_time_priority: int | None = None) -> Iterator[Quiet]:
    """The process disturbed as little as permitted until the context ends; enter it after start-up.

    Objects that exist on entering are never collected again (a full collection of half a million objects stops
    everything for 94 ms). `real_time_priority` (1 to 99) asks for SCHED_FIFO, see sched(7); None leaves the scheduler
    alone. Leaving puts back what was there before.
    """
    refused: list[str] = []
    with contextlib.ExitStack() as undo:
        switch_interval_s = sys.getswitchinterval()
        sys.setswitchinterval(SWITCH_INTERVAL_S)
        undo.callback(sys.setswitchinterval, switch_interval_s)
        gc.collect()
        gc.freeze()
        undo.callback(gc.unfreeze)
        _lift_session(undo, refused)
        latency_held = _hold_latency(latency_file, undo, refused)
        scheduled = _schedule(real_time_priority, undo, refused)
        yield Quiet(latency_held=latency_held, scheduled_real_time=scheduled, refused=tuple(refused))


def _lift_session(undo: contextlib.ExitStack, refused: list[str]) -> None:
    """Give the session the priority that this process was given, where it leads one of its own, as a service does.

    Linux shares the processors out among sessions first (sched(7), the autogroup feature): without this a service's
    priority counts within the service alone, and everything else on the machine goes as far as the bench does.
    """
    wanted = os.getpriority(os.PRIO_PROCESS, 0)
    if wanted >= 0 or os.getsid(0) != os.getpid():
        return
    try:
        before = SESSION_FILE.read_text(encoding="ascii").split()[-1]
        SESSION_FILE.write_text(f"{wanted}\n", encoding="ascii")
    except FileNotFoundError:
        return  # a kernel without sessions' shares
    except (OSError, IndexError) as error:
        refused.append(
            f"{SESSION_FILE} does not take the priority {wanted} ({error}): it counts within this session only; "
            "set LimitNICE in the unit"
        )
        return
    undo.callback(SESSION_FILE.write_text, f"{before}\n")


def _hold_latency(latency_file: Path, undo: contextlib.ExitStack, refused: list[str]) -> bool:
    """Ask for a wake-up latency of 0 µs; the kernel holds it while the file is open (Linux PM QoS interface)."""
    try:
        fd = os.open(latency_file, os.O_WRONLY | os.O_CLOEXEC)
    except OSError as error:
        refused.append(
            f"{latency_file} cannot be opened ({error.strerror}): the tick wakes up later; "
            "give the daemon's user write permission there"
        )
        return False
    undo.callback(os.close, fd)
    try:
        os.write(fd, struct.pack("=i", 0))
    except OSError as error:
        refused.append(f"{latency_file} does not take a latency of 0 µs ({error.strerror}); the tick wakes up later")
        return False
    return True


def _schedule(priority: int | None, undo: contextlib.ExitStack, refused: list[str]) -> bool:
    if priority is None:
        return False
    before, parameters = os.sched_getscheduler(0), os.sched_getparam(0)
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO | os.SCHED_RESET_ON_FORK, os.sched_param(priority))
    except (OSError, ValueError) as error:
        refused.append(
            f"real-time priority {priority} was refused ({error}): other processes can delay the tick; "
            "set LimitRTPRIO in the unit or leave the priority out"
        )
        return False
    undo.callback(os.sched_setscheduler, 0, before, parameters)
    return True
