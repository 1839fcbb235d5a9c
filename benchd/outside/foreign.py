"""Leads what libraries log, warn and fail with into the daemon's own log. It must never write anywhere itself.

Left alone they write to standard error and wait for whoever reads it, in the middle of the event loop.
"""

import contextlib
import logging
import sys
import threading
from collections.abc import Iterator
from types import TracebackType
from typing import Any

from benchd.outside.log import Log


@contextlib.contextmanager
def foreign_voices(log: Log) -> Iterator[None]:
    """While the context lasts, foreign log records of level warning and above become events of this log."""
    handler = _Into(log)
    root = logging.getLogger()
    thread_hook, late_hook = threading.excepthook, sys.unraisablehook

    def in_thread(told: threading.ExceptHookArgs) -> None:
        _failed(log, told.exc_type, told.exc_value, told.exc_traceback, where=str(told.thread and told.thread.name))

    def too_late(told: Any) -> None:
        _failed(log, told.exc_type, told.exc_value, told.exc_traceback, where=repr(told.object))

    root.addHandler(handler)
    logging.captureWarnings(capture=True)
    threading.excepthook, sys.unraisablehook = in_thread, too_late
    try:
        yield
    finally:
        threading.excepthook, sys.unraisablehook = thread_hook, late_hook
        logging.captureWarnings(capture=False)
        root.removeHandler(handler)


class _Into(logging.Handler):
    """A handler that hands records to the daemon's log."""

    def __init__(self, log: Log) -> None:
        super().__init__(logging.WARNING)
        self._log = log

    def emit(self, record: logging.LogRecord) -> None:
        """One record, with its traceback where it has one; whatever is wrong with it is its author's."""
        with contextlib.suppress(Exception):
            self._log.logger.warning(
                "foreign",
                library=record.name,
                sentence=record.getMessage(),
                exc_info=record.exc_info if record.exc_info and record.exc_info[0] is not None else None,
            )


def _failed(
    log: Log,
    kind: type[BaseException],
    error: BaseException | None,
    trace: TracebackType | None,
    *,
    where: str,
) -> None:
    error = error if error is not None else kind()
    log.logger.warning("foreign", library=where, sentence=f"{kind.__name__}: {error}", exc_info=(kind, error, trace))
