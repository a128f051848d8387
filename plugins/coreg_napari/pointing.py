"""Placing landmark pairs with the mouse on the two canvases, and the pointers that follow."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from coreg.geometry import Frame
from coreg_napari import scene
from coreg_napari.colours import BAD, GOOD
from coreg_napari.compat import camera
from coreg_napari.landmarks import OTHER_SIDE, errors_of, worst_of
from coreg_napari.layers import LayerData, tagged, vectors_world

if TYPE_CHECKING:
    from napari.components import ViewerModel

    from coreg_napari.desk import Desk
    from coreg_napari.section_view import Turn

# A press this near to a landmark takes hold of it; a press that moves less than that is a click.
GRAB_PX = 9.0
CLICK_PX = 4.0
WAITING = "#56b4e9"
# What a landmark's layer shows beside the places.
LOOKS = ("features", "symbol", "border_color", "face_color", "size")


class Pointing:
    """The mouse on both canvases while landmarks are placed.

    A click puts a landmark down or completes the one that waits for this side; dragging a landmark
    moves it. `chosen` is called with the row that was pressed or placed.
    """

    def __init__(self, desk: Desk, turn: Turn) -> None:
        self.desk = desk
        self.turn = turn
        self.chosen: Callable[[int], None] = lambda row: None
        self.active = False
        self.selected: int | None = None
        self._sides: dict[Frame, ViewerModel] = {"plane": desk.plane, "slide": desk.section}
        self._callbacks: dict[Frame, tuple[Any, Any]] = {
            frame: (self._dragging(frame), self._moving(frame)) for frame in self._sides
        }
        desk.landmarks_changed.connect(self.draw)
        desk.fitted.connect(self.draw)

    def set_active(self, active: bool) -> None:
        """Take the mouse, or give it back."""
        if active == self.active:
            return
        self.active = active
        for frame, viewer in self._sides.items():
            drag, move = self._callbacks[frame]
            if active:
                viewer.mouse_drag_callbacks.append(drag)
                viewer.mouse_move_callbacks.append(move)
                layer = scene.find(viewer, "landmarks")
                if layer is not None:
                    viewer.layers.selection.active = layer
            else:
                viewer.mouse_drag_callbacks.remove(drag)
                viewer.mouse_move_callbacks.remove(move)
                self._point(frame, None)
            viewer.cursor.style = "cross" if active else "standard"

    # --- the mouse -----------------------------------------------------

    def _mm(self, frame: Frame, event: Any) -> tuple[float, float]:
        if frame == "slide":
            return self.turn.to_mm(event.position)
        return float(event.position[-2]), float(event.position[-1])

    def _dragging(self, frame: Frame) -> Callable[[Any, Any], Iterator[None]]:
        def dragged(viewer: ViewerModel, event: Any) -> Iterator[None]:
            if event.button != 1:
                return
            table = self.desk.table
            start = np.array(event.pos, dtype=np.float64)
            reach = GRAB_PX / camera(viewer).zoom
            row = table.nearest(frame, self._mm(frame, event), reach)
            pan = camera(viewer).mouse_pan
            if row is not None:
                camera(viewer).mouse_pan = False
            try:
                yield
                moved = False
                while event.type == "mouse_move":
                    moved = moved or bool(np.hypot(*(np.array(event.pos) - start)) > CLICK_PX)
                    if row is not None and moved:
                        self._point(frame, self._mm(frame, event))
                    yield
            finally:
                camera(viewer).mouse_pan = pan
            if row is not None and moved:
                table.move(row, frame, self._mm(frame, event))
            elif row is None and not moved:
                row = table.place(frame, self._mm(frame, event))
            if row is not None:
                self.choose(row)
                self.chosen(row)

        return dragged

    def _moving(self, frame: Frame) -> Callable[[Any, Any], None]:
        def moved(viewer: ViewerModel, event: Any) -> None:
            other = OTHER_SIDE[frame]
            self._point(other, self.desk.table.predicted(frame, self._mm(frame, event)))

        return moved

    # --- what is drawn -----------------------------------------------------

    def choose(self, row: int | None) -> None:
        """Mark one landmark on both canvases."""
        self.selected = row
        self.draw()

    def draw(self) -> None:
        """Landmarks on both canvases: green, the worst red, those that wait for a side blue."""
        if self.desk.store is None:
            return
        acts = [act for frame in self._sides for act in self._to_make(frame)]
        acts += [partial(self._fill, frame) for frame in self._sides]
        acts += [partial(self._point_expected, frame) for frame in self._sides]
        self.desk.jobs.each(acts, lambda: None)

    def _fill(self, frame: Frame) -> None:
        """Put the landmarks as they are now into their layer, where they are not so already."""
        made = self._landmarks(frame)
        data, keywords, _ = made
        layer = scene.find(self._sides[frame], "landmarks")
        looks = {key: keywords[key] for key in LOOKS}
        if layer is None:  # taken out by the user meanwhile
            return
        moved = layer.data.tolist() != data.tolist()
        if not moved and layer.metadata.get("looks") == looks:
            return  # napari is slow to fill a layer, even with what is in it
        if moved:
            layer.data = data
        layer.features = keywords["features"]
        layer.symbol = keywords["symbol"] or "o"
        if len(data):
            layer.border_color = keywords["border_color"]
            layer.face_color = keywords["face_color"]
            layer.size = keywords["size"]
        layer.selected_data = set()
        layer.refresh()
        layer.metadata["looks"] = looks

    def _point_expected(self, frame: Frame) -> None:
        self._point(frame, self._expected(frame))

    def _to_make(self, frame: Frame) -> list[Callable[[], Any]]:
        """What makes the layers that are not there yet."""
        viewer = self._sides[frame]
        makers: dict[str, Callable[[], LayerData]] = {
            "landmarks": partial(self._landmarks, frame),
            "pointer": partial(_pointer, frame, np.empty((0, 2))),
        }
        return [
            partial(_put_made, viewer, maker)
            for role, maker in makers.items()
            if scene.find(viewer, role) is None
        ]

    def _landmarks(self, frame: Frame) -> LayerData:
        rows = self.desk.table.rows
        fit = self.desk.fit
        known = not isinstance(fit, str) and len(fit.pairs) == sum(row.complete for row in rows)
        worst = worst_of(rows, fit) if known and not isinstance(fit, str) else None
        shown = [i for i, row in enumerate(rows) if row.at(frame) is not None]
        colours = [BAD if i == worst else GOOD if rows[i].complete else WAITING for i in shown]
        return (
            np.array([rows[i].at(frame) for i in shown], dtype=np.float64).reshape(-1, 2),
            {
                "name": "landmarks",
                **vectors_world(frame),
                "features": {
                    "name": [rows[i].name for i in shown],
                    "number": [str(i + 1) for i in shown],
                },
                "text": {
                    "string": "{number}",
                    "color": "black" if frame == "slide" else "white",
                    "size": 11,
                    "anchor": "upper_left",
                },
                "symbol": ["star" if i == self.selected else "disc" for i in shown],
                "face_color": colours or GOOD,
                "border_color": ["white" if i == self.selected else "black" for i in shown]
                or "black",
                "border_width": 0.15,
                "size": [1.0] * len(shown) or 1.0,
                "canvas_size_limits": (10, 16),
                "ndim": 2,
                "metadata": tagged(frame, "landmarks"),
            },
            "points",
        )

    def _expected(self, frame: Frame) -> tuple[float, float] | None:
        """Where the landmark that waits for this side should lie."""
        row = self.desk.table.open_row(frame)
        if row is None:
            return None
        other = OTHER_SIDE[frame]
        place = self.desk.table.rows[row].at(other)
        return None if place is None else self.desk.table.predicted(other, place)

    def _point(self, frame: Frame, place: tuple[float, float] | None) -> None:
        """Show the pointer at a place in mm, or where the waiting landmark is expected."""
        viewer = self._sides[frame]
        if place is None:
            place = self._expected(frame)
        layer = scene.find(viewer, "pointer")
        points = np.empty((0, 2)) if place is None else np.array([place], dtype=np.float64)
        if layer is None:
            return
        if np.array_equal(layer.data, points):
            return
        layer.data = points
        layer.selected_data = set()

    def errors(self) -> dict[int, tuple[float, float]]:
        """Row → (residual, leave-one-out error) in plane mm."""
        fit = self.desk.fit
        rows = self.desk.table.rows
        if isinstance(fit, str) or len(fit.pairs) != sum(row.complete for row in rows):
            return {}
        return errors_of(rows, fit)


def _put_made(viewer: ViewerModel, maker: Callable[[], LayerData]) -> None:
    scene.put(viewer, maker())


def _pointer(frame: Frame, points: np.ndarray) -> LayerData:
    return (
        points,
        {
            "name": "predicted place",
            **vectors_world(frame),
            "symbol": "cross",
            "face_color": WAITING,
            "border_color": "black",
            "size": 1.0,
            "canvas_size_limits": (14, 22),
            "opacity": 0.9,
            "ndim": 2,
            "metadata": tagged(frame, "pointer"),
        },
        "points",
    )
