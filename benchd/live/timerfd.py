"""A Linux timerfd with absolute deadlines on the monotonic clock. It counts expirations and must never wait."""

import contextlib
import ctypes
import errno
import os
import sys
import time

_TFD_NONBLOCK = os.O_NONBLOCK
_TFD_CLOEXEC = os.O_CLOEXEC
_TFD_TIMER_ABSTIME = 1
_NS_PER_S = 1_000_000_000
_COUNT_BYTES = 8


class _TimeSpec(ctypes.Structure):
    _fields_ = (("tv_sec", ctypes.c_long), ("tv_nsec", ctypes.c_long))


class _TimerSpec(ctypes.Structure):
    _fields_ = (("it_interval", _TimeSpec), ("it_value", _TimeSpec))


# Python 3.11 has no os.timerfd_create; the same two calls serve every later version too, so that one path is tested.
_LIBC = ctypes.CDLL(None, use_errno=True)


class TimerFd:
    """A descriptor that becomes readable at each deadline `first_ns + n · period_ns` of CLOCK_MONOTONIC, n = 0, 1, ...

    See timerfd_create(2). Raises `OSError` when the system has no descriptor left.
    """

    def __init__(self, *, first_ns: int, period_ns: int) -> None:
        if first_ns <= 0 or period_ns <= 0:
            raise ValueError("a timer needs a first deadline and a period above zero")
        self.fd = int(_LIBC.timerfd_create(time.CLOCK_MONOTONIC, _TFD_NONBLOCK | _TFD_CLOEXEC))
        if self.fd < 0:
            raise _last_error("timerfd_create")
        spec = _TimerSpec(_time_spec(period_ns), _time_spec(first_ns))
        if _LIBC.timerfd_settime(self.fd, _TFD_TIMER_ABSTIME, ctypes.byref(spec), None) != 0:
            error = _last_error("timerfd_settime")
            self.close()
            raise error

    def expirations(self) -> int:
        """How many deadlines passed since the last look; 0 when none did."""
        with contextlib.suppress(BlockingIOError):
            return int.from_bytes(os.read(self.fd, _COUNT_BYTES), sys.byteorder)
        return 0

    def close(self) -> None:
        """Give the descriptor back; a second call does nothing."""
        fd, self.fd = self.fd, -1
        if fd >= 0:
            os.close(fd)


def _time_spec(time_ns: int) -> _TimeSpec:
    return _TimeSpec(time_ns // _NS_PER_S, time_ns % _NS_PER_S)


def _last_error(call: str) -> OSError:
    number = ctypes.get_errno() or errno.EIO
    return OSError(number, f"{call} failed: {os.strerror(number)}")
