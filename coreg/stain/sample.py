"""Pieces of a whole slide's tissue at fine pixels, for what an overview blurs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from coreg.errors import InputError
from coreg.geometry import Grid

if TYPE_CHECKING:
    from coreg.sources.slides import Slide


def sample_tissue(
    slide: Slide,
    tissue: np.ndarray,
    grid: Grid,
    *,
    spacing_um: float = 2.0,
    pieces: int = 8,
    side_px: int = 192,
    seed: int = 0,
) -> np.ndarray:
    """Read square pieces of tissue spread over a section.

    Stain vectors mix where a pixel is larger than a nucleus, so they are estimated on these and
    not on an overview.

    Parameters
    ----------
    tissue : bool (rows, columns) on `grid`, frame "slide"
    spacing_um : pixel size; a coarser slide is read at its own
    pieces, side_px : how many, and pixels along their sides
    seed : draws where they lie

    Returns
    -------
    uint8 (pieces * side_px, side_px, 3), one piece below the other

    Raises
    ------
    InputError : the mask is empty or not of the grid's shape
    """
    mask = np.asarray(tissue, dtype=bool)
    if mask.shape != grid.shape:
        raise InputError(f"Expected a tissue mask of shape {grid.shape}, got {mask.shape}.")
    index = np.argwhere(mask)
    if not len(index):
        raise InputError("The slide shows no tissue to sample; check the tissue mask.")
    spacing = max(spacing_um / 1000, *slide.pixel_size)
    chosen = np.random.default_rng(seed).choice(
        len(index), size=pieces, replace=len(index) < pieces
    )
    found = []
    for centre in grid.to_mm(index[np.sort(chosen)]):
        corner = centre - (side_px - 1) / 2 * spacing
        piece = Grid((side_px, side_px), (spacing, spacing), tuple(corner), "slide")
        found.append(slide.image(spacing, piece).data)
    return np.concatenate(found)
