"""Which pieces of tissue on a slide belong together: each section is one that can be chosen."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from coreg.errors import InputError
from coreg.geometry import Grid, Image, Outline, outlines_from_mask


@dataclass(frozen=True)
class Section:
    """One section on a slide.

    Parameters
    ----------
    number : from 1, left to right, then top to bottom
    mask : bool, its own pixels, on its own `grid` (frame "slide")
    area : mm², holes taken out
    centroid : mm (row, column)
    pieces : how many separate pieces of tissue it is made of
    """

    number: int
    mask: np.ndarray = field(repr=False)
    grid: Grid
    area: float
    centroid: tuple[float, float]
    pieces: int

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Outer edges in slide mm: (row min, column min, row max, column max)."""
        return self.grid.bounds

    def on(self, grid: Grid) -> np.ndarray:
        """The section's mask on another slide grid; bool of its shape."""
        from coreg.geometry import resample

        return resample(Image(self.mask, self.grid), grid, order=0, fill=0).astype(bool)

    def outlines(self) -> list[Outline]:
        """Its outlines in slide mm, zone "tissue"."""
        grid = self.grid
        # The mask fills its own window; contours need empty pixels around it.
        shape = (grid.shape[0] + 2, grid.shape[1] + 2)
        origin = (grid.origin[0] - grid.spacing[0], grid.origin[1] - grid.spacing[1])
        around = Grid(shape, grid.spacing, origin, grid.frame)
        mask = np.pad(self.mask, 1)
        return outlines_from_mask(mask, around, zone="tissue", made_by="tissue mask")


def sections(
    mask: np.ndarray, grid: Grid, *, gap: float = 0.5, smallest_mm2: float = 0.5
) -> list[Section]:
    """Group the pieces of a tissue mask into sections.

    Parameters
    ----------
    mask : bool (rows, columns) on `grid`
    gap : pieces nearer than this, in mm, belong to one section
    smallest_mm2 : sections with less tissue are dropped

    Returns
    -------
    Sections from left to right (by the column of their centre, then its row); none for an
    empty mask.
    """
    from scipy import ndimage

    tissue = np.asarray(mask, dtype=bool)
    if tissue.shape != grid.shape:
        raise InputError(f"Expected a mask of shape {grid.shape}, got {tissue.shape}.")
    if not tissue.any():
        return []
    near = ndimage.distance_transform_edt(~tissue, sampling=grid.spacing) <= gap / 2
    groups, _ = ndimage.label(near, structure=np.ones((3, 3)))
    groups[~tissue] = 0
    found = []
    for number, window in enumerate(ndimage.find_objects(groups), start=1):
        if window is None:
            continue
        own = groups[window] == number
        area = float(own.sum()) * grid.pixel_area
        if area < smallest_mm2:
            continue
        shape = (own.shape[0], own.shape[1])
        first = grid.to_mm((window[0].start, window[1].start))[0]
        part = Grid(shape, grid.spacing, (first[0], first[1]), grid.frame)
        centre = part.to_mm(np.argwhere(own).mean(axis=0))[0]
        pieces = int(ndimage.label(own, structure=np.ones((3, 3)))[1])
        found.append(Section(0, own, part, area, (float(centre[0]), float(centre[1])), pieces))
    found.sort(key=lambda s: (round(s.centroid[1], 1), s.centroid[0]))
    return [
        Section(k, s.mask, s.grid, s.area, s.centroid, s.pieces) for k, s in enumerate(found, 1)
    ]
