"""Outlines that follow an edge between clicks: no Qt; coreg finds the edge, in the background."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from coreg.errors import InputError
from coreg_napari import scene
from coreg_napari.colours import zone_colour
from coreg_napari.layers import tagged, vectors_world

if TYPE_CHECKING:
    from napari.components import ViewerModel

    from coreg.geometry import Outline
    from coreg.zones.edit import EdgeFollower
    from coreg_napari.drawing import Drawing
    from coreg_napari.section_view import Turn

# Edges are looked for at this pixel size, or at the slide's own where that is coarser.
EDGE_MM = 0.016
# A press that moves less than this is a click; more is a move of the canvas.
CLICK_PX = 4.0
FINISH, BACK, DROP = "Enter", "Backspace", "Escape"
HINT = "Click along the edge; Enter or a double click closes, Backspace takes a click back."


class EdgeTool:
    """The mouse on the section's canvas while an edge is followed.

    A click fixes the line up to there; between the last click and the mouse the line shows the way
    that it would take. `said` is called with what to do next or what went wrong.
    """

    def __init__(self, drawing: Drawing, turn: Turn) -> None:
        self.drawing = drawing
        self.desk = drawing.desk
        self.turn = turn
        self.said: Callable[[str], None] = lambda text: None
        self.active = False
        self.clicks: list[tuple[float, float]] = []
        self._fixed: list[np.ndarray] = []
        self._follower: EdgeFollower | None = None
        self._slide: Any = None
        self.desk.opened.connect(self.stop)

    # --- taking and putting down ----------------------------------------------

    def start(self) -> None:
        """Take the mouse; read the slide for its edges where that is not done yet."""
        section = scene.find(self.desk.section, "section")
        if section is None:
            self.desk.told.emit("info", "Choose the slide on the page 'Case' first.")
            return
        viewer = self.desk.section
        if not self.active:
            self.active = True
            viewer.mouse_drag_callbacks.append(self._pressed)
            viewer.mouse_move_callbacks.append(self._moved)
            viewer.mouse_double_click_callbacks.append(self._double)
            for key, act in ((FINISH, self.finish), (BACK, self.back), (DROP, self.drop)):
                viewer.bind_key(key, _bound(act), overwrite=True)
            viewer.cursor.style = "cross"
        # The outlines' own layer would take Enter and Escape.
        viewer.layers.selection.active = section
        slide = section.data[0].slide
        if slide is self._slide and self._follower is not None:
            self.said(HINT)
            return
        self.said("Looking for edges on the slide.")

        def work(progress: Any) -> EdgeFollower:
            from coreg.zones.edit import EdgeFollower

            spacing = max(EDGE_MM, *slide.pixel_size)
            return EdgeFollower(slide.image(spacing), scale=1.5 * spacing)

        def ready(follower: EdgeFollower) -> None:
            self._follower, self._slide = follower, slide
            if self.active:
                self.said(HINT)

        self.desk.jobs.run("Looking for edges", work, ready, key="edges")

    def stop(self) -> None:
        """Give the mouse back; a line that is not closed is dropped."""
        if not self.active:
            return
        self.active = False
        viewer = self.desk.section
        viewer.mouse_drag_callbacks.remove(self._pressed)
        viewer.mouse_move_callbacks.remove(self._moved)
        viewer.mouse_double_click_callbacks.remove(self._double)
        for key in (FINISH, BACK, DROP):
            viewer.bind_key(key, None)
        viewer.cursor.style = "standard"
        self.drop()
        self.said("")

    # --- clicks -----------------------------------------------------

    def _pressed(self, viewer: ViewerModel, event: Any) -> Iterator[None]:
        if event.button != 1:
            return
        start = np.array(event.pos, dtype=np.float64)
        moved = False
        yield
        while event.type == "mouse_move":
            moved = moved or bool(np.hypot(*(np.array(event.pos) - start)) > CLICK_PX)
            yield
        if not moved:
            self.add(self.turn.to_mm(event.position))

    def _double(self, viewer: ViewerModel, event: Any) -> None:
        self.finish()

    def _moved(self, viewer: ViewerModel, event: Any) -> None:
        if self.clicks:
            self._lead(self.turn.to_mm(event.position))

    def add(self, place: tuple[float, float]) -> None:
        """Fix the line up to a place in slide mm."""
        follower = self._follower
        if follower is None:
            return
        if not follower.grid.contains(np.array([place]))[0]:
            self.desk.told.emit("info", "Click on the slide; nothing lies beside it.")
            return
        if not self.clicks:
            self.clicks = [place]
            self._show([np.array([place, place])])
            return
        if place == self.clicks[-1]:
            return
        before = self.clicks[-1]
        self.clicks.append(place)
        # Told apart from the leading line, which the latest place of the mouse may overtake.
        self.desk.jobs.run(
            "Following the edge",
            lambda progress: follower.path(before, place),
            self._fix,
            quiet=True,
        )

    def back(self) -> None:
        """Take the last click back."""
        if self.clicks:
            self.clicks.pop()
            self._fixed = self._fixed[: max(0, len(self.clicks) - 1)]
            self._show(self._fixed)

    def drop(self) -> None:
        """Drop the line that is being made."""
        self.clicks, self._fixed = [], []
        self._show([])

    def finish(self) -> None:
        """Close the line along the edge and keep it as an outline of the chosen zone."""
        follower, clicks = self._follower, list(self.clicks)
        if follower is None or not clicks:
            return
        if len(clicks) < 3:
            self.desk.told.emit("info", "An outline needs three clicks at least; click on.")
            return
        zone = self.drawing.zone

        def work(progress: Any) -> Outline:
            from coreg.zones.edit import smooth

            closed = follower.outline(clicks, zone=zone)
            return smooth(closed, max(follower.grid.spacing))  # takes the steps of pixels out

        self.desk.jobs.run("Closing the outline", work, self._close, quiet=True)

    # --- results of the background --------------------------------------------

    def _fix(self, path: np.ndarray) -> None:
        if self.clicks:
            self._fixed = [*self._fixed, path][: len(self.clicks) - 1]
            self._show(self._fixed)

    def _lead(self, place: tuple[float, float]) -> None:
        """Show the way from the last click to the mouse; the latest place wins."""
        follower, last = self._follower, self.clicks[-1]
        if follower is None or not follower.grid.contains(np.array([place]))[0] or place == last:
            return

        def show(path: np.ndarray) -> None:
            if self.clicks and self.clicks[-1] == last:
                self._show([*self._fixed, path])

        self.desk.jobs.run(
            "Following the edge",
            lambda progress: follower.path(last, place),
            show,
            key="edge",
            quiet=True,
        )

    def _close(self, outline: Outline) -> None:
        self.drop()
        try:
            self.drawing.add(outline)
        except InputError as error:
            self.desk.told.emit("warning", str(error))

    def _show(self, pieces: list[np.ndarray]) -> None:
        layer = scene.find(self.desk.section, "edge")
        if layer is None and not pieces:
            return
        line = np.concatenate(pieces) if pieces else np.empty((0, 2))
        if layer is None:
            layer = scene.put(self.desk.section, _line_layer(self.drawing.line_width()))
        with layer.events.data.blocker():
            layer.data = []
            if len(line) > 1:
                layer.add_paths(
                    [line],
                    edge_color=zone_colour(self.drawing.zone),
                    edge_width=self.drawing.line_width(),
                )
            layer.selected_data = set()


def _bound(act: Callable[[], None]) -> Callable[[Any], None]:
    def pressed(viewer: Any) -> None:
        act()

    return pressed


def _line_layer(width: float) -> Any:
    return (
        [],
        {
            "name": "edge being followed",
            **vectors_world("slide"),
            "ndim": 2,
            "edge_width": width,
            "metadata": tagged("slide", "edge"),
        },
        "shapes",
    )
