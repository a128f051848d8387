"""Which section: several sections of a block against one imaging plane.

Each section is aligned; the places where it looks most like the plane tell where the plane passes
through the block, also between two sections and at an angle.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from coreg.alignment.contrast import channels
from coreg.alignment.intensity import ImageFit, IntensityOptions, align_images
from coreg.alignment.workspace import NoOverlap
from coreg.errors import InputError
from coreg.geometry import Grid, Image, resample
from coreg.transforms import Transform

Progress = Callable[[float, str], None]

# Tiles along the plane's longer side within which likeness is measured.
_TILES = 6
# Pixels along the longer side at which it is, and the least share of a tile that both must show.
_SIZE_PX, _LEAST_SHARE = 224, 0.5
# Sections within this many spacings of the best, three at least, tell how likeness falls off with
# distance: farther ones look nothing like the plane, however far they are.
_REACH = 1.6


@dataclass(frozen=True)
class SectionChoice:
    """Where the imaging plane passes through a block of sections. Lengths in mm.

    Parameters
    ----------
    best : index of the section that looks most like the plane
    scores : (n,) mean correlation over the plane of each section, 1 is perfect; NaN where it could
        not be aligned
    fits : one a section, None where it could not be aligned
    elevation_mm : of the plane above the first section, at the plane's middle; `tilt_deg` its
        steepest slope against the sections, towards `tilt_direction_deg` (0 lateral, 90 depth).
        Where fewer than three sections tell it, the best section's elevation and NaN
    sd_mm : standard deviation of the elevation over the plane
    out_of_plane_mm : root mean square distance over the plane between it and the best section, with
        `sd_mm` in it
    reason : "" or why only a section can be named, not a position between
    """

    best: int
    scores: np.ndarray
    fits: tuple[ImageFit | None, ...]
    elevation_mm: float
    tilt_deg: float
    tilt_direction_deg: float
    sd_mm: float
    out_of_plane_mm: float
    reason: str = ""

    @property
    def fit(self) -> ImageFit:
        """The best section's alignment."""
        found = self.fits[self.best]
        assert found is not None
        return found


def which_section(
    plane_image: Image,
    sections: Sequence[Image],
    elevations_mm: Sequence[float],
    options: IntensityOptions | None = None,
    *,
    initial: Sequence[Transform | None] | None = None,
    plane_mask: np.ndarray | None = None,
    slide_masks: Sequence[np.ndarray | None] | None = None,
    progress: Progress | None = None,
) -> SectionChoice:
    """Align every section of a block to the plane and find where the plane lies among them.

    Parameters
    ----------
    sections : at least two, each on a grid of its own slide
    elevations_mm : of each in the block, from the block's one face; any order, none twice
    initial, slide_masks, plane_mask, options : as for `align_images`, one a section

    The local correlation is taken to fall with the square of the distance between plane and
    section; with three sections or more around the best the plane ``z(p) = a + b · p`` follows by
    linear least squares. Raises `InputError` where no section can be aligned.
    """
    options = options or IntensityOptions()
    z = _checked(sections, elevations_mm)
    if not options.features:
        raise InputError("Choosing a section needs images to compare; give features.")
    starts = list(initial) if initial is not None else [None] * len(sections)
    masks = list(slide_masks) if slide_masks is not None else [None] * len(sections)
    if len(starts) != len(sections) or len(masks) != len(sections):
        raise InputError(f"Expected a start and a mask for each of {len(sections)} sections.")
    fits: list[ImageFit | None] = []
    for count, section in enumerate(sections):

        def part(fraction: float, text: str, count: int = count) -> None:
            if progress is not None:
                progress((count + fraction) / len(sections), f"Section {count + 1}: {text}")

        try:
            fits.append(
                align_images(
                    plane_image,
                    section,
                    options,
                    initial=starts[count],
                    plane_mask=plane_mask,
                    slide_mask=masks[count],
                    progress=part,
                )
            )
        except NoOverlap:
            fits.append(None)
    if not any(fits):
        raise InputError("None of the sections can be aligned to the plane; check the masks.")
    maps = [
        None
        if fit is None
        else _likeness(plane_image, plane_mask, section, mask, fit.transform, options)
        for fit, section, mask in zip(fits, sections, masks, strict=True)
    ]
    return _chosen(z, fits, maps, plane_image.grid)


def _checked(sections: Sequence[Image], elevations_mm: Sequence[float]) -> np.ndarray:
    z = np.asarray(elevations_mm, dtype=np.float64)
    if len(sections) < 2 or z.shape != (len(sections),):
        raise InputError(
            f"Expected at least two sections and an elevation for each, got {len(sections)} "
            f"and {z.size}."
        )
    if not np.isfinite(z).all() or len(np.unique(z)) < len(z):
        raise InputError("Expected finite elevations in mm, none twice.")
    return z


def _likeness(
    plane: Image,
    plane_mask: np.ndarray | None,
    section: Image,
    mask: np.ndarray | None,
    transform: Transform,
    options: IntensityOptions,
) -> np.ndarray:
    """Correlation of the compared maps in each tile of the plane; (tiles, tiles), NaN unseen."""
    from coreg.alignment.contrast import density, on_grid, smoothed_to

    spacing = max(max(plane.grid.size) / _SIZE_PX, min(plane.grid.spacing))
    grid = plane.grid.with_spacing(spacing)
    level = options.levels[-1]
    both, known = [], np.ones(grid.shape, dtype=bool)
    for image, where, pull in ((plane, plane_mask, None), (section, mask, transform.to_slide)):
        values, seen = on_grid(smoothed_to(density(image), spacing), None, grid, pull)
        if where is not None:
            seen &= resample(Image(where, image.grid), grid, pull, order=0, fill=0).astype(bool)
        both.append(channels(values, seen, options.features, level.blur, level.window))
        known &= seen
    out = np.full((_TILES, _TILES), np.nan)
    rows, columns = (np.array_split(np.arange(n), _TILES) for n in grid.shape)
    for i, r in enumerate(rows):
        for j, c in enumerate(columns):
            here = known[np.ix_(r, c)]
            if here.mean() < _LEAST_SHARE:
                continue
            found = []
            for a, b in zip(*both, strict=True):
                x, y = a.values[np.ix_(r, c)][here], b.values[np.ix_(r, c)][here]
                spread = float(x.std() * y.std())
                if spread > 0:
                    found.append(float(((x - x.mean()) * (y - y.mean())).mean()) / spread)
            if found:
                out[i, j] = np.mean(found)
    return out


def _chosen(
    z: np.ndarray, fits: list[ImageFit | None], maps: list[np.ndarray | None], grid: Grid
) -> SectionChoice:
    tiles = np.array([np.full((_TILES, _TILES), np.nan) if m is None else m for m in maps])
    common = np.isfinite(tiles[[m is not None for m in maps]]).all(axis=0)
    if not common.any():
        raise InputError("No part of the plane is shown by all sections; check the masks.")
    scores = np.array([np.nan if m is None else float(m[common].mean()) for m in maps])
    best = int(np.nanargmax(scores))
    places = _tile_places(grid)[common.ravel()]
    found = _plane_through(z, tiles[:, common], scores, best, places)
    gap = float(np.min(np.abs(np.delete(z, best) - z[best])))
    if isinstance(found, str):
        # Any place nearer to this section than to the next is as likely as another.
        sd = gap / np.sqrt(12)
        nan = float("nan")
        return SectionChoice(best, scores, tuple(fits), float(z[best]), nan, nan, sd, sd, found)
    height, slope, variance = found
    off = height + places @ slope - z[best]
    sd = float(np.sqrt(variance))
    return SectionChoice(
        best,
        scores,
        tuple(fits),
        float(height),
        float(np.degrees(np.arctan(np.linalg.norm(slope)))),
        float(np.degrees(np.arctan2(slope[0], slope[1]))),
        sd,
        float(np.sqrt((off**2).mean() + variance)),
    )


def _plane_through(
    z: np.ndarray, tiles: np.ndarray, scores: np.ndarray, best: int, places: np.ndarray
) -> tuple[float, np.ndarray, float] | str:
    """Elevation at the middle, slope (2,) and mean variance of the plane; a reason where open.

    ``likeness = m_tile - c (z - a - b · p)²`` is linear in m, c, 2ca and 2cb but for the tile's
    own constant, which takes up the rest.
    """
    step = float(np.median(np.diff(np.sort(z))))
    away = np.where(np.isfinite(scores), np.abs(z - z[best]), np.inf)
    reach = max(_REACH * step, float(np.sort(away)[min(2, len(away) - 1)]))
    near = np.flatnonzero(np.isfinite(away) & (away <= reach))
    if len(near) < 3:
        return "Fewer than three sections around the best show where between them the plane lies."
    t = (z[near] - z[best]) / step
    rows, data = [], []
    n = len(places)
    tilted = n >= 6 and np.linalg.matrix_rank(places - places.mean(axis=0)) == 2
    scale = float(np.abs(places).max()) or 1.0
    q = places / scale
    for k, at in enumerate(t):
        own = np.eye(n)
        shape = np.column_stack([np.full(n, -(at**2)), np.full(n, at)])
        if tilted:
            shape = np.column_stack([shape, at * q])
        rows.append(np.hstack([own, shape]))
        data.append(tiles[near[k]])
    design, wanted = np.concatenate(rows), np.concatenate(data)
    solution, *_ = np.linalg.lstsq(design, wanted, rcond=None)
    free = len(wanted) - design.shape[1]
    if free < 1:
        return "Too little of the plane is shown by all sections to tell where it lies."
    noise = float(((design @ solution - wanted) ** 2).sum() / free)
    covariance = noise * np.linalg.pinv(design.T @ design)[n:, n:]
    curve, lean = solution[n], solution[n + 1 :]
    if curve <= 2 * np.sqrt(covariance[0, 0]):
        return (
            "The likeness does not fall off on both sides of a section: the plane may lie beyond."
        )
    # Elevations of the tiles and their variance by the delta method.
    local = np.column_stack([np.ones(n), q]) if tilted else np.ones((n, 1))
    height = local @ lean / (2 * curve)
    slopes = np.column_stack([-height / curve, local / (2 * curve)])
    variance = float(np.einsum("ni,ij,nj->n", slopes, covariance, slopes).mean()) * step**2
    if np.abs(height.mean()) > np.abs(t).max() + 0.5:
        return "The plane lies beyond the sections; cut or give more on that side."
    slope = lean[1:] / (2 * curve) * step / scale if tilted else np.zeros(2)
    return float(z[best] + step * lean[0] / (2 * curve)), slope, variance


def _tile_places(grid: Grid) -> np.ndarray:
    """Middles of the tiles about the plane's middle, mm; (tiles², 2)."""
    axes = [(np.arange(_TILES) + 0.5) / _TILES * size - size / 2 for size in grid.size]
    return np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 2)
