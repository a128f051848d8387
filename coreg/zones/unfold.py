"""The surroundings of a region in distance from its edge and place along it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coreg.geometry import Grid

STEP_MM = 0.1
# Corners of the edge smaller than this would cross one another a little way out.
_SMOOTH_MM = 0.12
_FEWEST_PLACES = 12


@dataclass(frozen=True)
class Unfolded:
    """The cells around the edges of a region.

    inside : bool (rows, columns), the region within its edges
    near : bool (rows, columns), the cells, n of them
    distance : (n,) mm from the nearest edge, negative inside
    piece : (n,) the number of that edge
    place : (n,) the place along it
    places : how many places each edge has
    step_mm : from one place to the next
    """

    inside: np.ndarray
    near: np.ndarray
    distance: np.ndarray
    piece: np.ndarray
    place: np.ndarray
    places: tuple[int, ...]
    step_mm: float


def unfold(mask: np.ndarray, grid: Grid, reach_mm: float) -> Unfolded | None:
    """Unfold what lies up to `reach_mm` around the edges of a mask (rows, columns).

    Returns
    -------
    Unfolded, or None where no edge is long enough
    """
    from scipy.spatial import cKDTree
    from skimage.measure import points_in_poly

    edges = _edges(mask, grid)
    if not edges:
        return None
    near = grown(mask, grid, reach_mm + 2 * max(grid.spacing))
    cells = grid.centres().reshape(*grid.shape, 2)[near]
    sizes = np.array([len(edge) for edge in edges])
    first = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    points = np.concatenate(edges)
    away, index = cKDTree(points).query(cells)
    piece = np.repeat(np.arange(len(edges)), sizes)[index]
    place = index - first[piece]
    along = points[first[piece] + (place + 1) % sizes[piece]]
    along = along - points[first[piece] + (place - 1) % sizes[piece]]
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-12)
    # From the line through the place, not from the place itself.
    beside = ((cells - points[index]) * along).sum(axis=1).clip(-STEP_MM / 2, STEP_MM / 2)
    distance = np.sqrt(np.maximum(away**2 - beside**2, 0))
    within = np.zeros(len(cells), dtype=bool)
    for edge in edges:
        within ^= points_in_poly(cells, edge)
    inside = np.zeros(grid.shape, dtype=bool)
    inside[near] = within
    places = tuple(int(size) for size in sizes)
    return Unfolded(
        inside, near, np.where(within, -distance, distance), piece, place, places, STEP_MM
    )


def grown(mask: np.ndarray, grid: Grid, radius_mm: float) -> np.ndarray:
    """A mask grown by a radius in mm, or shrunk where it is below 0.

    What lies outside the grid neither grows into it nor shrinks the mask.
    """
    from scipy import ndimage

    if not mask.any() or radius_mm == 0:
        return mask.copy()
    if radius_mm > 0:
        return ndimage.distance_transform_edt(~mask, sampling=grid.spacing) <= radius_mm
    if mask.all():
        return mask.copy()
    return ndimage.distance_transform_edt(mask, sampling=grid.spacing) > -radius_mm


def _cells(grid: Grid, length_mm: float) -> int:
    return int(np.ceil(length_mm / min(grid.spacing)))


def _edges(mask: np.ndarray, grid: Grid) -> list[np.ndarray]:
    """The outer and inner edges in mm, (places, 2) each, evenly apart and closed."""
    from scipy import ndimage
    from skimage.measure import find_contours

    sigma = [_SMOOTH_MM / spacing for spacing in grid.spacing]
    pad = _cells(grid, 3 * _SMOOTH_MM)
    soft = ndimage.gaussian_filter(np.pad(mask, pad).astype(np.float32), sigma, mode="constant")
    edges = []
    for contour in find_contours(soft, 0.5):
        line = grid.to_mm(contour - pad)
        lengths = np.linalg.norm(np.diff(line, axis=0), axis=1)
        at = np.concatenate([[0.0], np.cumsum(lengths)])
        count = round(at[-1] / STEP_MM)
        if count < _FEWEST_PLACES:
            continue
        places = np.linspace(0, at[-1], count, endpoint=False)
        edges.append(np.stack([np.interp(places, at, line[:, k]) for k in (0, 1)], axis=1))
    return edges
