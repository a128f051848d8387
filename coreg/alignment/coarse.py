"""The coarse search: all turns, both faces, scales within ±35 %, ranked and scored."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import fft, ndimage

from coreg.errors import InputError
from coreg.geometry import Grid, Image, resample
from coreg.transforms import Affine

Progress = Callable[[float, str], None]


@dataclass(frozen=True)
class CoarseOptions:
    """How finely to search.

    size_px : pixels along the longer side of the plane, at which turns are tried
    turn_step_deg : between turns over the full circle
    scales : range of slide length per plane length
    scale_step : ratio of neighbouring scales
    mirrored : True, False, or None to try both
    least_overlap : share of the smaller image's known part that must overlap
    keep : how many candidates to return
    """

    size_px: int = 40
    turn_step_deg: float = 15.0
    scales: tuple[float, float] = (0.65, 1.35)
    scale_step: float = 1.1
    mirrored: bool | None = None
    least_overlap: float = 0.5
    keep: int = 8


@dataclass(frozen=True)
class Candidate:
    """One way in which the section may lie, with its score (correlation, 1 is perfect)."""

    transform: Affine
    score: float

    @property
    def mirrored(self) -> bool:
        """Whether the section lies face down."""
        return self.transform.mirrored

    @property
    def turn_deg(self) -> float:
        """Turn of the plane's depth axis on the slide, degrees from the slide's y towards x."""
        return float(np.degrees(np.arctan2(*self.transform.matrix[::-1, 0])))

    @property
    def scale(self) -> float:
        """Slide length per plane length."""
        return float(np.sqrt(abs(np.linalg.det(self.transform.matrix))))

    def __str__(self) -> str:
        face = "mirrored" if self.mirrored else "not mirrored"
        return (
            f"turned {self.turn_deg:.0f}°, {face}, scale {self.scale:.2f}, score {self.score:.2f}"
        )


def search(
    plane: Image,
    plane_mask: np.ndarray,
    slide: Image,
    slide_mask: np.ndarray,
    options: CoarseOptions | None = None,
    progress: Progress | None = None,
) -> list[Candidate]:
    """Try every turn, face and scale, with all shifts at once, on small images.

    Parameters
    ----------
    plane, slide : one contrast map each, in which the same tissue has the same look
    plane_mask, slide_mask : bool, where each is known

    Returns
    -------
    list of Candidate, best first; neighbours of a better one are left out. The score is the
    correlation coefficient over the overlap (masked as in D. Padfield, IEEE Trans. Image Process.
    21, 2012, 2706–2718). Empty masks raise `InputError`.
    """
    options = options or CoarseOptions()
    if not plane_mask.any() or not slide_mask.any():
        raise InputError("One of the images has no tissue to align; check its mask or outline.")
    spacing = max(plane.grid.size) / options.size_px
    grid = plane.grid.with_spacing(spacing)
    fixed, known = _small(plane, plane_mask, grid)
    middle = slide.grid.to_mm(np.argwhere(slide_mask).mean(axis=0))[0]
    low, high = (np.argwhere(slide_mask).min(axis=0), np.argwhere(slide_mask).max(axis=0))
    extent = float(np.linalg.norm((high - low + 1) * np.array(slide.grid.spacing)))
    steps = round(np.log(options.scales[1] / options.scales[0]) / np.log(options.scale_step))
    scales = np.geomspace(*options.scales, max(steps, 1) + 1)
    turns = np.arange(0, 360, options.turn_step_deg)
    faces = [False, True] if options.mirrored is None else [options.mirrored]
    found: list[Candidate] = []
    for count, scale in enumerate(scales):
        if progress is not None:
            progress(count / len(scales), "Trying all turns")
        # One square large enough for every turn at this scale; its centre is the slide's.
        side = int(np.ceil(extent / scale / spacing)) + 2
        square = Grid((side, side), (spacing, spacing), (-(side - 1) * spacing / 2,) * 2)
        reduced = _at_scale(slide, slide_mask, spacing * scale)
        matcher = _Matcher(fixed, known, side, options.least_overlap)
        for mirrored in faces:
            for turn in turns:
                matrix = scale * _turned(turn, mirrored)
                about = Affine(matrix, middle)
                moving, seen = _turned_image(*reduced, square, about)
                score, shift = matcher.best(moving, seen)
                if not np.isfinite(score):
                    continue
                # Pixel (0, 0) of the square lies at pixel `shift` of the plane's grid.
                corner = np.array(grid.origin) + shift * spacing
                offset = middle - matrix @ (corner - np.array(square.origin))
                found.append(Candidate(Affine(matrix, offset), score))
    return _distinct(found, grid, options.keep)


class _Matcher:
    """Masked correlation of one fixed image with many moving ones of a size, over all shifts."""

    def __init__(self, fixed: np.ndarray, known: np.ndarray, side: int, least: float) -> None:
        self.full = tuple(n + side - 1 for n in fixed.shape)
        self.fast = tuple(fft.next_fast_len(n, real=True) for n in self.full)
        self.side = side
        k = known.astype(np.float32)
        f = np.where(known, fixed, 0).astype(np.float32)
        self.parts = [fft.rfft2(a, self.fast) for a in (k, f, f * f)]
        self.known_px = float(k.sum())
        self.least = least

    def best(self, moving: np.ndarray, seen: np.ndarray) -> tuple[float, np.ndarray]:
        """The highest correlation and where the moving image's pixel (0, 0) then lies."""
        s = seen.astype(np.float32)
        m = np.where(seen, moving, 0).astype(np.float32)
        flipped = [fft.rfft2(a[::-1, ::-1], self.fast) for a in (s, m, m * m)]
        products = [
            self.parts[0] * flipped[0],  # overlap
            self.parts[1] * flipped[0],  # sum of fixed
            self.parts[2] * flipped[0],  # sum of fixed²
            self.parts[0] * flipped[1],  # sum of moving
            self.parts[0] * flipped[2],  # sum of moving²
            self.parts[1] * flipped[1],  # sum of products
        ]
        n, f, ff, g, gg, fg = fft.irfft2(np.stack(products), self.fast, axes=(1, 2))
        enough = n > self.least * min(self.known_px, float(s.sum()))
        n = np.maximum(n, 1)
        spread = np.maximum(ff - f * f / n, 0) * np.maximum(gg - g * g / n, 0)
        usable = enough & (spread > 1e-6 * spread.max())
        score = np.where(usable, (fg - f * g / n) / np.sqrt(np.maximum(spread, 1e-12)), -np.inf)
        at = np.unravel_index(np.argmax(score), score.shape)
        return float(score[at]), np.array(at, dtype=np.float64) - (self.side - 1)


def _turned(turn_deg: float, mirrored: bool) -> np.ndarray:
    angle = np.radians(turn_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return turn @ np.diag([1.0, -1.0 if mirrored else 1.0])


def _small(image: Image, mask: np.ndarray, grid: Grid) -> tuple[np.ndarray, np.ndarray]:
    reduced, known = _at_scale(image, mask, grid.spacing[0])
    values = resample(reduced, grid)
    inside = resample(known, grid)
    seen = np.isfinite(values) & (np.nan_to_num(inside) > 0.5)
    return np.where(seen, values, 0), seen


def _at_scale(image: Image, mask: np.ndarray, spacing: float) -> tuple[Image, Image]:
    """The image and its mask smoothed to a pixel size; the mask's rim does not darken the image."""
    from coreg.alignment.contrast import smoothed_to

    known = smoothed_to(Image(mask.astype(np.float32), image.grid), spacing)
    values = smoothed_to(
        Image(np.where(mask, image.data, 0).astype(np.float32), image.grid), spacing
    )
    return Image(values.data / np.maximum(known.data, 0.05), values.grid), known


def _turned_image(
    values: Image, known: Image, square: Grid, about: Affine
) -> tuple[np.ndarray, np.ndarray]:
    index = values.grid.to_index(about.to_slide(square.centres())).T
    a = ndimage.map_coordinates(values.data, index, order=1, mode="nearest").reshape(square.shape)
    s = ndimage.map_coordinates(known.data, index, order=1, cval=0.0).reshape(square.shape)
    return a, s > 0.5


def _distinct(found: list[Candidate], grid: Grid, keep: int) -> list[Candidate]:
    """The best candidates, none of which maps the plane nearly as a better one does."""
    if not found:
        raise InputError(
            "No turn, face or scale brings the images over each other; check the pixel sizes."
        )
    top, left, bottom, right = grid.bounds
    corners = np.array([(top, left), (top, right), (bottom, left), (bottom, right)])
    near = 0.25 * max(grid.size)
    kept: list[Candidate] = []
    for candidate in sorted(found, key=lambda c: -c.score):
        place = candidate.transform.to_slide(corners)
        apart = [
            np.linalg.norm(place - other.transform.to_slide(corners), axis=1).mean()
            / candidate.scale
            for other in kept
        ]
        if not kept or min(apart) > near:
            kept.append(candidate)
        if len(kept) == keep:
            break
    return kept
