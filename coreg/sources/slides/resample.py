"""The aligned section: a slide brought onto the imaging plane's grid, block by block."""

from __future__ import annotations

import numpy as np

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
    that is asked for; each pixel of the result is the mean of four bilinear samples of it, so fine
    texture is averaged and does not alias. Memory is that of the result and of that part at half
    the pixel size, whatever the slide's size.

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

    source = slide.image(part.spacing, part, reading)
    top, left, bottom, right = slide.levels[0].grid.bounds
    for row in range(0, target.shape[0], _BLOCK):
        for column in range(0, target.shape[1], _BLOCK):
            window = (
                slice(row, min(row + _BLOCK, target.shape[0])),
                slice(column, min(column + _BLOCK, target.shape[1])),
            )
            centres, corners = _sample_points(transform, target, window)
            y, x = centres[..., 0], centres[..., 1]
            inside = (y >= top) & (y <= bottom) & (x >= left) & (x <= right)
            if inside.any():
                out[window][inside] = _sample(source, corners[:, inside])
        if progress is not None:
            progress(0.5 + 0.5 * window[0].stop / target.shape[0], "Aligning the section")
    return Image(out, target)


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


def _sample_points(
    transform: Transform, target: Grid, window: tuple[slice, slice]
) -> tuple[np.ndarray, np.ndarray]:
    """Slide mm of the pixel centres (h, w, 2) and of four points within each pixel (4, h, w, 2).

    The four lie a quarter pixel from the centre, found from the neighbouring centres, so the map is
    evaluated once a pixel.
    """
    rows = np.arange(window[0].start - 1, window[0].stop + 1)
    columns = np.arange(window[1].start - 1, window[1].stop + 1)
    at = np.stack(np.meshgrid(rows, columns, indexing="ij"), axis=-1)
    mapped = transform.to_slide(target.to_mm(at.reshape(-1, 2))).reshape(at.shape)
    down = (mapped[2:, 1:-1] - mapped[:-2, 1:-1]) / 8
    across = (mapped[1:-1, 2:] - mapped[1:-1, :-2]) / 8
    centre = mapped[1:-1, 1:-1]
    return centre, np.stack(
        [centre + a * down + b * across for a, b in ((-1, -1), (-1, 1), (1, -1), (1, 1))]
    )


def _sample(image: Image, points: np.ndarray) -> np.ndarray:
    """Means over the first axis of bilinear samples at slide points (k, n, 2); uint8 (n, 3)."""
    index = image.grid.to_index(points.reshape(-1, 2))
    index = np.clip(index, 0, np.array(image.grid.shape) - 1.0)
    low = np.minimum(index.astype(np.intp), np.maximum(np.array(image.grid.shape) - 2, 0))
    part = (index - low).astype(np.float32)
    high = np.minimum(low + 1, np.array(image.grid.shape) - 1)
    (r0, c0), (r1, c1), (fr, fc) = low.T, high.T, part.T[..., None]
    data = image.data
    values = (data[r0, c0] * (1 - fc) + data[r0, c1] * fc) * (1 - fr)
    values += (data[r1, c0] * (1 - fc) + data[r1, c1] * fc) * fr
    means = values.reshape(*points.shape[:2], 3).mean(axis=0)
    return np.rint(means).astype(np.uint8)
