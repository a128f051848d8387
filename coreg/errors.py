"""The errors that a user may see: one sentence each, with what is wrong, where, and what to do.

Stands below every other module and imports nothing of ours.
"""

from __future__ import annotations

# Longer sentences hold a value that nobody reads to its end.
LONGEST = 1000


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


def in_one_line(text: str, longest: int = LONGEST) -> str:
    """Text from a file or a name made fit for a terminal.

    Line breaks and control codes are shown as escapes, so that they neither break the line nor
    steer the terminal; what is too long is cut in its middle.
    """
    shown = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
    if len(shown) <= longest:
        return shown
    half = longest // 2
    return f"{shown[:half]} … {shown[-half:]}"
