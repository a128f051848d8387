"""The aligned section: a slide brought onto the imaging plane's grid, block by block."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from scipy import ndimage

from coreg.errors import FrameError
from coreg.geometry import Grid, Image
from coreg.sources.slides.base import WHITE, Progress, Slide
from coreg.transforms import Transform

_BLOCK = 256


def resample_slide(
    slide: Slide,
    transform: Transform,
    plane_grid: Grid,
    spacing: float | tuple[float, float] | None = None,
    *,
    fill: int = WHITE,
    progress: Progress | None = None,
) -> Image:
    """Bring a slide onto the imaging plane through ``transform.to_slide``.

    The part of the slide that the grid covers is read once, as area means at half the pixel size
    that is asked for, and from these each pixel takes the mean over its own size around its centre,
    so fine texture is averaged and does not alias. Memory is that of the result and of that part at
    half the pixel size, whatever the slide's size.

    Parameters
    ----------
    plane_grid : the area to fill (frame "plane")
    spacing : mm per pixel of the result, e.g. 0.01; the grid's own by default
    fill : value where the slide does not reach

    Returns
    -------
    Image, uint8 (rows, columns, 3), frame "plane"
    """
    if plane_grid.frame != "plane":
        raise FrameError(f"Expected a grid in plane mm, got frame {plane_grid.frame!r}.")
    target = plane_grid if spacing is None else plane_grid.with_spacing(spacing)
    out = np.full((*target.shape, 3), fill, dtype=np.uint8)
    part = _covered(slide, transform, target)
    if part is None:
        return Image(out, target)

    def reading(share: float, text: str) -> None:
        if progress is not None:
            progress(0.5 * share, text)

    source = _means_of_four(slide.image(part.spacing, part, reading))
    edges = slide.levels[0].grid.bounds
    windows = [
        (slice(row, min(row + _BLOCK, target.shape[0])), slice(column, column + _BLOCK))
        for row in range(0, target.shape[0], _BLOCK)
        for column in range(0, target.shape[1], _BLOCK)
    ]

    def fill_in(window: tuple[slice, slice]) -> int:
        _pull(out[window], source, edges, transform, target, window)
        return window[0].stop

    with ThreadPoolExecutor(min(4, os.cpu_count() or 1)) as pool:
        for done in pool.map(fill_in, windows):
            if progress is not None:
                try:
                    progress(0.5 + 0.5 * done / target.shape[0], "Aligning the section")
                except BaseException:
                    pool.shutdown(wait=True, cancel_futures=True)
                    raise
    return Image(out, target)


def _pull(
    out: np.ndarray,
    source: Image,
    edges: tuple[float, float, float, float],
    transform: Transform,
    target: Grid,
    window: tuple[slice, slice],
) -> None:
    """Fill one block of the result, `out`, where the slide reaches."""
    rows, columns = target.rows[window[0]], target.columns[window[1]]
    centres = np.stack(np.meshgrid(rows, columns, indexing="ij"), axis=-1).reshape(-1, 2)
    points = transform.to_slide(centres)
    y, x = points.T
    top, left, bottom, right = edges
    inside = (y >= top) & (y <= bottom) & (x >= left) & (x <= right)
    if not inside.any():
        return
    index = source.grid.to_index(points[inside]).T
    values = np.stack(
        [
            ndimage.map_coordinates(
                source.data[..., c], index, np.float32, order=1, mode="nearest", prefilter=False
            )
            for c in range(3)
        ],
        axis=-1,
    )
    out[inside.reshape(out.shape[:2])] = np.rint(values).astype(np.uint8)


def _means_of_four(image: Image) -> Image:
    """Means over 2 × 2 neighbouring pixels, at every pixel corner within the image."""
    grid = image.grid
    # One row or column has no neighbour; it stands for itself.
    data = image.data
    if 1 in grid.shape:
        data = np.pad(data, [(0, int(n == 1)) for n in grid.shape] + [(0, 0)], mode="edge")
    means = np.empty((data.shape[0] - 1, data.shape[1] - 1, 3), dtype=np.uint8)
    for top in range(0, len(means), _BLOCK):
        part = data[top : top + _BLOCK + 1].astype(np.uint16)
        part = part[:-1] + part[1:]
        means[top : top + _BLOCK] = (part[:, :-1] + part[:, 1:] + 2) // 4
    shift = [s / 2 if n > 1 else 0.0 for s, n in zip(grid.spacing, grid.shape, strict=True)]
    origin = (grid.origin[0] + shift[0], grid.origin[1] + shift[1])
    return Image(means, Grid(means.shape[:2], grid.spacing, origin, grid.frame))


def _covered(slide: Slide, transform: Transform, target: Grid) -> Grid | None:
    """The slide area that the target needs, at half its pixel size; None where they are apart."""
    rows = np.unique(np.append(np.arange(0, target.shape[0], 16), target.shape[0] - 1))
    columns = np.unique(np.append(np.arange(0, target.shape[1], 16), target.shape[1] - 1))
    at = np.stack(np.meshgrid(rows, columns, indexing="ij"), axis=-1).reshape(-1, 2)
    points = transform.to_slide(target.to_mm(at))
    scale = np.linalg.svd(transform.jacobian(target.to_mm(at)), compute_uv=False)
    finite = np.isfinite(points).all(axis=1) & np.isfinite(scale).all(axis=1)
    if not finite.any():
        return None
    points, scale = points[finite], scale[finite]
    pixel = min(target.spacing) * max(float(np.median(scale[:, 1])), 1e-6) / 2
    # Between the points looked at, a bent map strays by at most about one step.
    margin = 16 * max(target.spacing) * float(scale[:, 0].max())
    bounds = np.array(slide.levels[0].grid.bounds)
    low = np.maximum(points.min(axis=0) - margin, bounds[:2])
    high = np.minimum(points.max(axis=0) + margin, bounds[2:])
    if (high <= low).any():
        return None
    shape = np.maximum(1, np.ceil((high - low) / pixel)).astype(int)
    origin = low + pixel / 2
    return Grid((shape[0], shape[1]), (pixel, pixel), (origin[0], origin[1]), "slide")
