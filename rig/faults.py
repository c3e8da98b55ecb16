"""The errors that reach a person. Each is one sentence: what is wrong, where, what to do."""

from __future__ import annotations

import errno


class RigError(Exception):
    """Base of all errors of this program that a person can do something about.

    ``status`` is the exit status that a command ends with.
    """

    status = 2


class InputError(RigError):
    """The input or the usage was wrong (exit status 2)."""


class RigLostError(RigError):
    """The rig went away or never answered (exit status 3)."""

    status = 3


def reason(why: OSError) -> str:
    """Why the operating system refused, in plain words."""
    words = {
        errno.ENOENT: "there is no such file or folder",
        errno.EEXIST: "a file of that name is there already, and it is not overwritten",
        errno.EACCES: "reading or writing there is not permitted",
        errno.EROFS: "the disk can only be read",
        errno.ENOSPC: "the disk is full",
        errno.EFBIG: "the file may not grow any larger there",
        errno.EIO: "the disk reports a fault",
        errno.EISDIR: "it is a folder",
        errno.EBADF: "it is closed",
        errno.ENOTDIR: "a part of the path is no folder",
    }
    if hasattr(errno, "EDQUOT"):  # Windows knows no such thing
        words[errno.EDQUOT] = "this user's share of the disk is used up"
    return words.get(why.errno or 0, why.strerror or str(why))
