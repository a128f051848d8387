"""Undo and redo for everything that is edited in the window, in one list."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

LONGEST = 500


@dataclass(frozen=True)
class Edit:
    """One edit: what it was, and how to put the state before and after it in place."""

    what: str
    restore: Callable[[Any], None]
    before: Any
    after: Any


@dataclass
class History:
    """Edits in order; `changed` is called whenever what can be undone or redone changes."""

    changed: Callable[[], None] = lambda: None
    _done: list[Edit] = field(default_factory=list)
    _undone: list[Edit] = field(default_factory=list)

    def record(self, what: str, restore: Callable[[Any], None], before: Any, after: Any) -> None:
        """Add an edit that has been made; what was undone before it can no longer be redone."""
        self._done.append(Edit(what, restore, before, after))
        del self._done[:-LONGEST]
        self._undone.clear()
        self.changed()

    def set_last_aside(self) -> None:
        """The last edit did not take effect: offer it as the next one to redo, restore nothing."""
        if self._done:
            self._undone.append(self._done.pop())
            self.changed()

    def undo(self) -> str | None:
        """Take the last edit back; its name, or None where there is none."""
        if not self._done:
            return None
        edit = self._done.pop()
        self._undone.append(edit)
        edit.restore(edit.before)
        self.changed()
        return edit.what

    def redo(self) -> str | None:
        """Make the last undone edit again; its name, or None where there is none."""
        if not self._undone:
            return None
        edit = self._undone.pop()
        self._done.append(edit)
        edit.restore(edit.after)
        self.changed()
        return edit.what

    def clear(self) -> None:
        """Forget all, as when another case is opened."""
        self._done.clear()
        self._undone.clear()
        self.changed()

    @property
    def next_undo(self) -> str | None:
        """What `undo` would take back."""
        return self._done[-1].what if self._done else None

    @property
    def next_redo(self) -> str | None:
        """What `redo` would make again."""
        return self._undone[-1].what if self._undone else None
