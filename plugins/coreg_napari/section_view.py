"""The section's own canvas: a second viewer with its own camera, turned and mirrored as wanted."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from napari.components import ViewerModel
from napari.qt import QtViewer

from coreg_napari.compat import read_in_threads, show_scale_bar

if TYPE_CHECKING:
    from coreg.transforms import Affine

STEP_DEGREES = 15


class Turn:
    """How a viewer's layers lie on its canvas: turned and mirrored for the eye only.

    Every layer gets the same affine map about a fixed centre; files and results never see it.
    """

    def __init__(self, viewer: ViewerModel) -> None:
        self.viewer = viewer
        self.matrix = np.eye(2)
        viewer.layers.events.inserted.connect(lambda event: self._lay(event.value))

    def turn(self, degrees: float) -> None:
        """Turn what is seen clockwise."""
        angle = np.deg2rad(degrees)
        # Rows point down, so this turns clockwise on the canvas.
        step = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        self.set(step @ self.matrix)

    def mirror(self) -> None:
        """Swap left and right of what is seen."""
        self.set(np.diag([1.0, -1.0]) @ self.matrix)

    def reset(self) -> None:
        """As scanned."""
        self.set(np.eye(2))

    def like_plane(self, affine: Affine) -> None:
        """Lay the section as the imaging plane lies, after the fit's turn and mirror."""
        left, _, right = np.linalg.svd(affine.matrix)
        self.set((left @ right).T)

    def set(self, matrix: np.ndarray) -> None:
        """Use this turn (an orthogonal 2 × 2 matrix) for all layers."""
        self.matrix = matrix
        for layer in self.viewer.layers:
            self._lay(layer)
        self.viewer.reset_view()

    def to_mm(self, world: Any) -> tuple[float, float]:
        """A place on the canvas in slide mm."""
        place = self.matrix.T @ np.asarray(world, dtype=np.float64)[-2:]
        return float(place[0]), float(place[1])

    def to_world(self, mm: Any) -> np.ndarray:
        """A place in slide mm on the canvas."""
        return self.matrix @ np.asarray(mm, dtype=np.float64)

    def _lay(self, layer: Any) -> None:
        affine = np.eye(3)
        affine[:2, :2] = self.matrix
        layer.affine = affine


class SectionCanvas(QtViewer):
    """The canvas in its dock. Files dropped on it go where the window's own handling puts them."""

    def __init__(self) -> None:
        model = ViewerModel(title="Section")
        read_in_threads(model)
        super().__init__(model)
        show_scale_bar(model)
        self.turn = Turn(model)
        self.setMinimumSize(240, 240)
        self.setAcceptDrops(False)
