"""The errors that reach a person. Each is one sentence: what is wrong, where, what to do."""

from __future__ import annotations


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
