"""The errors that a user may see: one sentence each, with what is wrong, where, and what to do.

Stands below every other module and imports nothing of ours.
"""

from __future__ import annotations


class CoregError(Exception):
    """Base of all errors meant for the user; the command line prints it without a traceback.

    `exit_code` is what the command line returns for it.
    """

    exit_code = 1


class InputError(CoregError):
    """A file, a case or a value in it cannot be processed (exit code 1)."""


class FrameError(CoregError):
    """Slide and plane millimetres were mixed (exit code 1)."""


class UsageError(CoregError):
    """The command was called wrongly: unknown folder, option or step (exit code 2)."""

    exit_code = 2


class Cancelled(CoregError):
    """The user stopped a long step; nothing was changed (exit code 1)."""
