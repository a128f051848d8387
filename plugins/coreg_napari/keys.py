"""Keyboard shortcuts: one table that binds them and that the panel lists."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from napari.components import ViewerModel


@dataclass(frozen=True)
class Key:
    """A shortcut: the key, the action's name in code, and what it does in the user's words."""

    key: str
    action: str
    about: str


# None of these is bound by napari's viewer or by the layers that the panel makes.
KEYS = (
    Key("Control-Z", "undo", "take the last edit back"),
    Key("Control-Shift-Z", "redo", "make it again"),
    Key("N", "place", "place landmarks: on or off"),
    Key("J", "worst", "go to the worst landmark"),
    Key("Shift-Backspace", "remove", "remove the chosen landmark"),
    Key(",", "earlier", "earlier treatment time"),
    Key(".", "later", "later treatment time"),
    Key("K", "stricter", "threshold 1 % stricter"),
    Key("Shift-K", "laxer", "threshold 1 % laxer"),
    Key("Q", "draw", "draw a zone: on or off"),
    Key("G", "zone", "next zone"),
    Key("W", "compare", "next way to compare section and plane"),
    Key("H", "hide", "hide or show the section on the plane"),
)


def bind(viewers: Iterable[ViewerModel], actions: Mapping[str, Callable[[], Any]]) -> None:
    """Bind every key whose action is given, on all viewers."""
    for viewer in viewers:
        for key in KEYS:
            if key.action in actions:
                viewer.bind_key(key.key, _pressed(actions[key.action]), overwrite=True)


def _pressed(action: Callable[[], Any]) -> Callable[[Any], None]:
    def pressed(viewer: Any) -> None:
        action()

    return pressed


def listed() -> str:
    """The shortcuts as a small table in HTML."""
    rows = "".join(
        f"<tr><td><b>{key.key.replace('Control', 'Ctrl').replace('-', ' + ')}</b>&nbsp;&nbsp;</td>"
        f"<td>{key.about}</td></tr>"
        for key in KEYS
    )
    return f"<table>{rows}</table>"
