"""Errors that end a command: each knows its exit status and what to do about it.

A caller's mistake inside the package is a plain ``ValueError``; a result that can go on with less trust
carries a flag (`toothcheck.flags`).  Only what cannot go on at all is one of these.
"""

from __future__ import annotations


class ToothcheckError(Exception):
    """Base: what happened, why, and what to do, on one line.

    Parameters
    ----------
    what
        One sentence: what failed and why.
    hint
        What the user can do about it.
    """

    exit_status = 1

    def __init__(self, what: str, *, hint: str = "") -> None:
        super().__init__(what)
        self.hint = hint

    def __str__(self) -> str:
        what = super().__str__()
        return f"{what} {self.hint}".strip()


class UsageError(ToothcheckError):
    """The command's words are wrong (exit status 2)."""

    exit_status = 2


class InputError(ToothcheckError):
    """A file that is to be read cannot be (exit status 4)."""

    exit_status = 4


class PhotoError(InputError):
    """The photo cannot be read (exit status 4)."""


class OutputError(ToothcheckError):
    """A result cannot be written (exit status 2: the path given is at fault)."""

    exit_status = 2


class LogbookError(ToothcheckError):
    """The logbook refuses: unknown machine, distance running backwards, a newer file (exit status 2)."""

    exit_status = 2


class DifferentPartError(ToothcheckError):
    """Two photos that were to be compared do not show the same part from the same side (exit status 2)."""

    exit_status = 2


class CannotTell(ToothcheckError):
    """The photo does not support an answer (exit status 3)."""

    exit_status = 3
