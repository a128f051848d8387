"""Which tiles of a section are out of focus."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from coreg.geometry import Grid, Image, resample
from coreg.stain.density import optical_density

if TYPE_CHECKING:
    from coreg.sources.slides.base import Progress, Slide

_TILE = 0.25  # mm
_FEWEST = 0.25  # share of a tile that must be tissue for it to be judged
_BELOW = 0.4


def sharpness(grey: np.ndarray, tissue: np.ndarray, pixel: float) -> np.ndarray:
    """The share of fine in middling detail, in tiles of 0.25 mm.

    Fine is what a blur of 1 pixel takes away, middling what a further blur of 3 pixels does; their
    ratio does not depend on how strongly a tile is stained.

    Parameters
    ----------
    grey : (h, w) density
    tissue : bool (h, w)
    pixel : mm

    Returns
    -------
    float32 (tile rows, tile columns); NaN where a tile has too little tissue
    """
    once = ndimage.gaussian_filter(grey, 1.0)
    fine = (grey - once) ** 2
    middling = (once - ndimage.gaussian_filter(once, 3.0)) ** 2
    # The tissue's own edge is sharp on any background; it says nothing.
    inner = ndimage.binary_erosion(tissue, iterations=3)
    step = tile_px(pixel)
    share = _sums(inner.astype(np.float32), step) / step**2
    total = _sums(np.where(inner, middling, 0), step)
    ratio = _sums(np.where(inner, fine, 0), step) / np.maximum(total, 1e-12)
    return np.where((share >= _FEWEST) & (total > 1e-9), ratio, np.nan).astype(np.float32)


def blurred(grey: np.ndarray, tissue: np.ndarray, pixel: float) -> np.ndarray:
    """Tissue in tiles whose `sharpness` is below 0.4 of the slide's median; bool (h, w)."""
    ratio = sharpness(grey, tissue, pixel)
    known = ratio[np.isfinite(ratio)]
    if known.size < 4:
        return np.zeros(tissue.shape, dtype=bool)
    low = np.isfinite(ratio) & (ratio < _BELOW * np.median(known))
    step = tile_px(pixel)
    wide = np.repeat(np.repeat(low, step, axis=0), step, axis=1)
    return wide[: tissue.shape[0], : tissue.shape[1]] & tissue


def out_of_focus(
    slide: Slide, tissue: Image, spacing: float = 0.002, progress: Progress | None = None
) -> np.ndarray:
    """Tissue of a slide of any size that is out of focus, read at `spacing` mm in bounded memory.

    Parameters
    ----------
    tissue : bool (h, w) on a slide grid, e.g. of an overview

    Returns
    -------
    bool (h, w) on the grid of `tissue`
    """
    fine = slide.levels[0].grid.with_spacing(max(spacing, *slide.pixel_size))
    step = tile_px(fine.spacing[0])
    rows: list[np.ndarray] = []
    held = np.zeros((0, fine.shape[1], 3), dtype=np.uint8)
    for first, band in slide.bands(fine.spacing, fine, progress):
        held = np.concatenate([held, band])
        last = first + len(band) == fine.shape[0]
        while len(held) >= step or (last and len(held)):
            strip, held = held[:step], held[step:]
            top = fine.origin[0] + len(rows) * step * fine.spacing[0]
            part = Grid(strip.shape[:2], fine.spacing, (top, fine.origin[1]), fine.frame)
            inside = resample(tissue, part, order=0, fill=0).astype(bool)
            # The white point only shifts the density, and shifts take no part in its detail.
            grey = optical_density(strip, (255, 255, 255)).mean(axis=2)
            rows.append(sharpness(grey, inside, fine.spacing[0])[0])
    ratio = np.stack(rows)
    known = ratio[np.isfinite(ratio)]
    if known.size < 4:
        return np.zeros(tissue.grid.shape, dtype=bool)
    low = np.isfinite(ratio) & (ratio < _BELOW * np.median(known))
    size = (fine.spacing[0] * step, fine.spacing[1] * step)
    tiles = Grid(low.shape, size, (size[0] / 2, size[1] / 2), fine.frame)
    found = resample(Image(low, tiles), tissue.grid, order=0, fill=0).astype(bool)
    return found & tissue.data.astype(bool)


def tile_px(pixel: float) -> int:
    """Pixels along a tile's side, at least 8."""
    return max(8, round(_TILE / pixel))


def _sums(values: np.ndarray, step: int) -> np.ndarray:
    for axis in (0, 1):
        starts = np.arange(0, values.shape[axis], step)
        values = np.add.reduceat(values, starts, axis=axis)
    return values
