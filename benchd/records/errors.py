"""What this room raises: sentences for the engineer. It must never carry a traceback's wording into a sentence."""

import errno
import os


class RecordsError(Exception):
    """A run folder could not be made, written or read; the message is one sentence: what, where, what to do."""


class SchemaTooNewError(RecordsError):
    """A file was written by a newer release; nothing is damaged, and nothing may be repaired."""


_CAUSES = {
    errno.ENOSPC: "the disk is full: free space there",
    errno.EDQUOT: "the disk quota is used up: free space there",
    errno.EFBIG: "the file may not grow further: raise the file size limit",
    errno.EROFS: "it is mounted read-only: remount it for writing or choose another data directory",
    errno.EACCES: "this user may not write there: change its owner or choose another data directory",
    errno.EPERM: "the system forbids it: check the attributes of the folder or choose another data directory",
    errno.ENOENT: "it does not exist: check the path",
    errno.ENOTDIR: "a part of the path is a file: check the path",
    errno.ENAMETOOLONG: "the path is too long: shorten order, serial or programme",
    errno.EIO: "the disk reports an error: check and replace it",
}


def cause_of(error: OSError) -> str:
    """Why the system refused and what to do, as the second half of a sentence without a full stop."""
    known = _CAUSES.get(error.errno or 0)
    return known or f"{os.strerror(error.errno or 0)}: check the disk"
