"""Standard output and standard error of the command line. It must never wait for a reader, nor fail for want of one."""

import os
import select
import sys
import traceback
from typing import TextIO

READER_WITHIN_S = 1.0  # somebody who does not read standard error for this long does not hold up the end


def sound_streams() -> None:
    """Make the three standard streams usable whatever the caller did with them.

    A closed one becomes /dev/null: otherwise the next file or socket opened would take its place. A character that the
    terminal's encoding lacks becomes a question mark.
    """
    for number, name, mode in ((0, "stdin", "r"), (1, "stdout", "w"), (2, "stderr", "w")):
        try:
            os.fstat(number)
        except OSError:
            opened = os.open(os.devnull, os.O_RDWR)
            if opened != number:
                os.dup2(opened, number)
                os.close(opened)
            setattr(sys, name, open(number, mode, encoding="utf-8", closefd=False))  # noqa: SIM115 - as long as it runs
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")


def say(text: str) -> bool:
    """Text on standard output. One that nobody reads any more or that is full changes nothing about what was done.

    Returns False then, for whoever has nothing else to do than to say something.
    """
    try:
        print(text, flush=True)  # noqa: T201 - this is the command line
    except OSError:
        _hush("stdout")
        return False
    return True


def tell(sentence: str) -> None:
    """A sentence on standard error, left out where the reader stands still or is gone."""
    if not _takes(sys.stderr):
        _hush("stderr")
        return
    try:
        print(sentence, file=sys.stderr, flush=True)  # noqa: T201 - this is the command line
    except OSError:
        _hush("stderr")


def place_of(error: BaseException) -> str:
    """Where an error of the programme itself came up, as file and line, for whoever mends it."""
    frames = traceback.extract_tb(error.__traceback__)
    return f"{os.path.basename(frames[-1].filename)}:{frames[-1].lineno}" if frames else "an unknown place"  # noqa: PTH119


def _takes(stream: TextIO) -> bool:
    try:
        number = stream.fileno()
    except (OSError, ValueError):
        return True  # no file behind it, as in a test
    poll = select.poll()
    poll.register(number, select.POLLOUT)
    return bool(poll.poll(READER_WITHIN_S * 1e3))


def _hush(name: str) -> None:
    """Send what a stream still holds to nowhere, so that the end of the process does not stumble over it."""
    null = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(null, getattr(sys, name).fileno())
    except (OSError, ValueError):
        pass
    finally:
        os.close(null)
