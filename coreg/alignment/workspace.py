"""What one alignment works on: both sides, and the terms that they give at a resolution."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from coreg.alignment.coarse import Candidate
from coreg.alignment.contrast import channels, on_grid, smoothed_to
from coreg.alignment.linear import fit_linear
from coreg.alignment.mutual import MutualTerm
from coreg.alignment.terms import CurveTerm, ImageTerm, PointTerm, Term
from coreg.errors import InputError
from coreg.geometry import Grid, Image, Outline, mask_from_outlines
from coreg.landmark_pairs import LandmarkPairs
from coreg.transforms import Affine

if TYPE_CHECKING:
    from coreg.alignment.intensity import IntensityOptions, Level

# The moving image is brought over from this share of the plane's longer side beyond its edges.
_BORDER = 0.12
# The maps that the coarse search starts from are this many times finer than its own pixels.
_FINER = 2


class NoOverlap(InputError):
    """Under this map the images lie nowhere over each other."""


@dataclass(frozen=True)
class Sides:
    """Both images as densities, with what is known of each."""

    plane: Image
    plane_mask: np.ndarray
    slide: Image
    slide_mask: np.ndarray


@dataclass
class Workspace:
    """Both sides, the options, and what else pulls on the map."""

    sides: Sides
    options: IntensityOptions
    landmarks: LandmarkPairs | None = None
    tissue_plane: tuple[Outline, ...] = ()
    tissue_slide: tuple[Outline, ...] = ()

    def __post_init__(self) -> None:
        if bool(self.tissue_plane) != bool(self.tissue_slide):
            raise InputError(
                "Expected outlines of the tissue on both sides or on none; draw the missing ones."
            )
        self._smoothed: dict[tuple[str, float], Image] = {}

    def grid(self, size_px: int) -> Grid:
        """The plane's area at a resolution."""
        grid = self.sides.plane.grid
        return grid.with_spacing(max(max(grid.size) / size_px, min(grid.spacing)))

    def terms(
        self, affine: Affine, grid: Grid, level: Level
    ) -> tuple[ImageTerm | None, list[Term]]:
        """The image term (None without features) and all terms, about an affine map."""
        image = self._image_term(affine, grid, level) if self.options.features else None
        terms: list[Term] = [] if image is None else [image]
        if self.landmarks is not None and len(self.landmarks):
            terms.append(self._point_term(affine))
        if self.tissue_plane:
            terms.append(self._curve_term(affine))
        if not terms:
            raise InputError(
                "Nothing to align by: no image features, no landmarks and no outlines; give some."
            )
        return image, terms

    def score(self, affine: Affine, grid: Grid, level: Level) -> float:
        """How well an affine map fits: the images' correlation, less the misfit of the outlines."""
        image, terms = self.terms(affine, grid, level)
        total = 0.0
        if image is not None:
            total += image.similarity(np.zeros((*grid.shape, 2)))
        for term in terms:
            if isinstance(term, CurveTerm):
                miss, _ = term.misses(term.points)
                spread = self.options.outline_sd_mm + 0.05 * max(grid.size)
                total -= float(np.mean(np.minimum(np.abs(miss) / spread, 2)))
        return total

    def landmark_candidates(self) -> list[Candidate]:
        """Similarity fits of the landmarks, both faces, by the share of spread they explain."""
        pairs = self.landmarks
        if pairs is None or len(pairs) < 2:
            return []
        found = []
        wanted = self.options.coarse.mirrored
        for mirrored in [False, True] if wanted is None else [wanted]:
            affine = fit_linear(pairs.plane, pairs.slide, "similarity", None, mirrored)
            miss = affine.to_slide(pairs.plane) - pairs.slide
            spread = pairs.slide - pairs.slide.mean(axis=0)
            found.append(Candidate(affine, 1 - float((miss**2).sum() / (spread**2).sum())))
        return sorted(found, key=lambda c: -c.score)

    def coarse_pair(self) -> tuple[Image, np.ndarray, Image, np.ndarray]:
        """The two maps that the coarse search correlates, and where each is known."""
        spacing = max(self.sides.plane.grid.size) / self.options.coarse.size_px / _FINER
        if self.tissue_plane:
            plane, slide = (
                self._depth_map(o, spacing) for o in (self.tissue_plane, self.tissue_slide)
            )
            known = (np.ones(plane.grid.shape, dtype=bool), np.ones(slide.grid.shape, dtype=bool))
            return plane, known[0], slide, known[1]
        both = []
        for image, mask in (
            (self.sides.plane, self.sides.plane_mask),
            (self.sides.slide, self.sides.slide_mask),
        ):
            grid = image.grid.with_spacing(max(spacing, min(image.grid.spacing)))
            values, known_here = on_grid(smoothed_to(image, grid.spacing[0]), None, grid)
            whole = on_grid(Image(mask.astype(np.float32), image.grid), None, grid)[0] > 0.5
            both.append((Image(ndimage.gaussian_filter(values, _FINER), grid), known_here & whole))
        return both[0][0], both[0][1], both[1][0], both[1][1]

    def _depth_map(self, outlines: tuple[Outline, ...], spacing: float) -> Image:
        """How deep in the tissue each place lies, levelled off: alike wherever the outline is."""
        from coreg.geometry import bounding_grid

        points = np.concatenate([o.exterior for o in outlines])
        reach = 0.15 * float(np.ptp(points, axis=0).max())
        grid = bounding_grid(points, spacing, outlines[0].frame, margin=reach)
        return Image(np.clip(signed_distance(outlines, grid), -reach, reach), grid)

    def _image_term(self, affine: Affine, grid: Grid, level: Level) -> ImageTerm:
        border = int(np.ceil(_BORDER * max(grid.shape)))
        step = grid.spacing
        wide = Grid(
            (grid.shape[0] + 2 * border, grid.shape[1] + 2 * border),
            step,
            (grid.origin[0] - border * step[0], grid.origin[1] - border * step[1]),
        )
        scale = float(np.sqrt(abs(np.linalg.det(affine.matrix))))
        fixed, fixed_mask = on_grid(
            self._smooth("plane", step[0]), self._mask("plane", step[0]), grid
        )
        moving, moving_mask = on_grid(
            self._smooth("slide", step[0] * scale),
            self._mask("slide", step[0] * scale),
            wide,
            affine.to_slide,
        )
        if not fixed_mask.any() or not moving_mask.any():
            raise NoOverlap("The images do not overlap; check the start, or the masks.")
        made = [
            channels(values, mask, self.options.features, level.blur, level.window)
            for values, mask in ((fixed, fixed_mask), (moving, moving_mask))
        ]
        # Features near the end of what is known see beyond it.
        reach = max(1, round(2 * level.blur))
        known = [
            ndimage.binary_erosion(mask, iterations=reach, border_value=edge)
            for mask, edge in ((fixed_mask, 1), (moving_mask, 0))
        ]
        kind = MutualTerm if self.options.metric == "mutual information" else ImageTerm
        return kind(grid, made[0], made[1], known[0], known[1], border, self.options.image_weight)

    def _smooth(self, side: str, spacing: float) -> Image:
        # Maps a hair apart in scale share one smoothed image.
        rounded = float(np.exp(np.round(np.log(spacing) * 12) / 12))
        if (side, rounded) not in self._smoothed:
            image = self.sides.plane if side == "plane" else self.sides.slide
            self._smoothed[side, rounded] = smoothed_to(image, rounded)
        return self._smoothed[side, rounded]

    def _mask(self, side: str, spacing: float) -> np.ndarray | None:
        from coreg.geometry import resample

        mask = self.sides.plane_mask if side == "plane" else self.sides.slide_mask
        if mask.all():
            return None
        source = self.sides.plane.grid if side == "plane" else self.sides.slide.grid
        target = self._smooth(side, spacing).grid
        return resample(Image(mask, source), target, order=0, fill=0).astype(bool)

    def _point_term(self, affine: Affine) -> PointTerm:
        assert self.landmarks is not None
        pairs = self.landmarks
        sd = np.full(len(pairs), self.options.landmark_sd_mm)
        if pairs.sd_mm is not None:
            sd = np.where(np.isfinite(pairs.sd_mm), pairs.sd_mm, sd)
        return PointTerm(pairs.plane, affine.to_plane(pairs.slide), sd)

    @cached_property
    def _curve_points(self) -> tuple[np.ndarray, float]:
        """Points along the plane's outlines inside the image, and the spacing between them in mm.

        Where the outline runs along the edge of the image it is the edge of view, not of tissue.
        """
        rings = [ring for o in self.tissue_plane for ring in (o.exterior, *o.holes)]
        length = sum(
            float(np.linalg.norm(np.diff(ring, axis=0, append=ring[:1]), axis=1).sum())
            for ring in rings
        )
        spacing = length / 300
        points = np.concatenate(
            [_along(ring, spacing) for o in self.tissue_plane for ring in (o.exterior, *o.holes)]
        )
        grid = self.sides.plane.grid
        top, left, bottom, right = grid.bounds
        near = 0.01 * max(grid.size) + max(grid.spacing)
        inside = (
            (points[:, 0] > top + near)
            & (points[:, 0] < bottom - near)
            & (points[:, 1] > left + near)
            & (points[:, 1] < right - near)
        )
        return points[inside], spacing

    def _curve_term(self, affine: Affine) -> CurveTerm:
        points, spacing = self._curve_points
        mapped = [o.map(affine.to_plane, "plane") for o in self.tissue_slide]
        grid = self.sides.plane.grid
        reach = 0.25 * max(grid.size)
        top, left, bottom, right = grid.bounds
        step = max(grid.size) / 200
        wide = Grid(
            (int((bottom - top + 2 * reach) / step), int((right - left + 2 * reach) / step)),
            (step, step),
            (top - reach, left - reach),
        )
        alike = 0.05 * max(grid.size)  # an outline's errors are alike over about this length
        return CurveTerm(
            points,
            signed_distance(mapped, wide),
            wide,
            self.options.outline_sd_mm,
            min(1.0, spacing / alike),
            reach=4 * self.options.outline_sd_mm,
        )


def signed_distance(outlines: tuple[Outline, ...] | list[Outline], grid: Grid) -> np.ndarray:
    """Distance in mm to the outlines' edge, positive inside; (rows, columns)."""
    inside = mask_from_outlines(outlines, grid)
    if not inside.any():
        raise InputError("The outlines of the tissue lie outside the image; check their frame.")
    depth = ndimage.distance_transform_edt(inside, sampling=grid.spacing)
    away = ndimage.distance_transform_edt(~inside, sampling=grid.spacing)
    half = min(grid.spacing) / 2
    return np.where(inside, depth - half, half - away)


def _along(ring: np.ndarray, spacing: float) -> np.ndarray:
    """Points at about equal spacing along a closed ring."""
    closed = np.concatenate([ring, ring[:1]])
    steps = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    at = np.linspace(0, steps[-1], max(3, round(steps[-1] / spacing)), endpoint=False)
    return np.stack([np.interp(at, steps, closed[:, i]) for i in (0, 1)], axis=1)
