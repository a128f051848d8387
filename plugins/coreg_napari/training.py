"""Strokes to train on, and proposals of zones: no Qt; all work is coreg's, in the background."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from coreg.geometry import ZONES, Grid, Outline
from coreg_napari import scene
from coreg_napari.layers import contour_layer, labels_layer

if TYPE_CHECKING:
    from coreg.case import Case
    from coreg.zones.proposal import Proposal
    from coreg_napari.desk import Desk

# Strokes are coarse marks; zones themselves are judged at the case's own spacing.
STROKE_MM = 0.05


class Training:
    """The strokes on the section and the proposal that waits for a decision.

    `changed` is called when a proposal arrives or goes.
    """

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.changed: Callable[[], None] = lambda: None
        self.proposal: Proposal | None = None
        self._features: Any = None
        self._kept = b""
        desk.opened.connect(self._opened)

    @property
    def layer(self) -> Any:
        """The layer with the strokes; None before the first."""
        return scene.find(self.desk.section, "strokes")

    def _opened(self) -> None:
        self.proposal = None
        self._features = None
        if self.desk.strokes is not None:
            grid, labels = self.desk.strokes
            self._add(labels, grid)
        self.changed()

    # --- strokes -----------------------------------------------------

    def paint(self, zone: str, *, erase: bool = False) -> None:
        """Take the brush for a zone, or the eraser."""
        layer = self.layer
        if layer is None:
            grid = self._grid()
            if grid is None:
                return
            layer = self._add(np.zeros(grid.shape, dtype=np.uint8), grid)
        self.desk.section.layers.selection.active = layer
        layer.selected_label = ZONES[zone]
        layer.brush_size = max(3, round(0.4 / STROKE_MM))
        layer.mode = "erase" if erase else "paint"

    def stop(self) -> None:
        """Put the brush down."""
        if self.layer is not None:
            self.layer.mode = "pan_zoom"

    def _grid(self) -> Grid | None:
        section = scene.find(self.desk.section, "section")
        if section is None:
            self.desk.told.emit("info", "Choose the slide on the page 'Case' first.")
            return None
        scale, translate = section.scale[-2:], section.translate[-2:]
        finest = section.data[0].shape[:2]
        whole = Grid(finest, tuple(scale), tuple(translate), "slide")
        return whole.with_spacing(max(STROKE_MM, *whole.spacing))

    def _add(self, labels: np.ndarray, grid: Grid) -> Any:
        made = labels_layer(labels.copy(), grid, "strokes", "strokes", opacity=0.7)
        before = self.layer
        layer = scene.put(self.desk.section, made)
        self._strokes_grid = grid
        self._kept = _packed(labels)
        if layer is not before:
            layer.events.paint.connect(lambda event: self._painted())
        return layer

    def _painted(self) -> None:
        before, after = self._kept, _packed(self.layer.data)
        if before == after:
            return
        self.desk.history.record("stroke", self._restore, before, after)
        self._kept = after
        self._save()

    def _restore(self, packed: bytes) -> None:
        layer = self.layer
        if layer is None:
            return
        layer.data = _unpacked(packed, layer.data.shape)
        self._kept = packed
        self._save()

    def _save(self) -> None:
        store, grid, packed = self.desk.store, self._strokes_grid, self._kept
        shape = self.layer.data.shape
        if store is not None:
            self.desk.save("strokes", lambda: store.write_strokes(_unpacked(packed, shape), grid))

    def clear(self) -> None:
        """Take all strokes out."""
        if self.layer is not None:
            self.layer.data = np.zeros_like(self.layer.data)
            self._painted()

    # --- proposals -----------------------------------------------------

    def learn(self) -> None:
        """Train on the strokes and propose zones for the whole section."""
        layer = self.layer
        if layer is None or not layer.data.any():
            self.desk.told.emit("info", "Paint strokes in at least two zones first.")
            return
        strokes, grid = np.array(layer.data), self._strokes_grid

        def propose(features: Any, progress: Any) -> Proposal:
            from coreg.zones.learn import train

            labels = _on_cells(strokes, grid, features.grid)
            return train(features, labels).predict(features, strokes=labels, progress=progress)

        self._propose("Learning from the strokes", propose)

    def propose(self) -> None:
        """Let the program propose zones without strokes."""

        def propose(features: Any, progress: Any) -> Proposal:
            from coreg.zones.propose import propose as without_strokes

            return without_strokes(features, progress=progress)

        self._propose("Proposing zones", propose)

    def _propose(self, title: str, propose: Callable[[Any, Any], Proposal]) -> None:
        if self.desk.store is None:
            return
        folder, known = self.desk.case.folder, self._features

        def work(progress: Any) -> tuple[Any, Proposal, list[Outline]]:
            from coreg.case import open_case

            features = known or case_features(
                open_case(folder), lambda f, text: progress(0.7 * f, text)
            )
            found = propose(features, lambda f, text: progress(0.7 + 0.3 * f, text))
            return features, found, found.outlines(tissue=False)

        self.desk.jobs.run(title, work, self._proposed)

    def _proposed(self, result: tuple[Any, Proposal, list[Outline]]) -> None:
        self._features, self.proposal, outlines = result
        self._outlines = outlines
        scene.put(self.desk.section, contour_layer(outlines, "slide", "proposal", "proposal", 0.08))
        self.desk.told.emit("info", self.proposal.reason)
        self.changed()

    def accept(self) -> list[Outline]:
        """The proposal as the observer's own outlines, to be corrected further."""
        from dataclasses import replace

        outlines = [replace(o, observer=self.desk.observer) for o in self._outlines]
        self.discard()
        return outlines

    def discard(self) -> None:
        """Drop the proposal."""
        self.proposal = None
        scene.take_out(self.desk.section, ["proposal"])
        self.changed()


def case_features(case: Case, progress: Callable[[float, str], None]) -> Any:
    """The section's features, at the pixel size that the case states."""
    from coreg.steps.slides import open_case_slide
    from coreg.zones.features import compute_slide

    with open_case_slide(case) as slide:
        return compute_slide(
            slide,
            case.settings["slide"]["stain"],
            case.settings["outlines"]["spacing_um"],
            progress=progress,
        )


def _on_cells(strokes: np.ndarray, grid: Grid, cells: Grid) -> np.ndarray:
    from coreg.geometry import Image, resample

    return resample(Image(strokes, grid), cells, order=0, fill=0)


def _packed(labels: Any) -> bytes:
    return zlib.compress(np.ascontiguousarray(labels, dtype=np.uint8).tobytes(), 1)


def _unpacked(packed: bytes, shape: tuple[int, ...]) -> np.ndarray:
    return np.frombuffer(zlib.decompress(packed), dtype=np.uint8).reshape(shape).copy()
