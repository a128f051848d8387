"""The best agreement that a displacement map could reach, from point-spread and pixels alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coreg.agreement.measures import MEASURES, plain, refined_grid
from coreg.agreement.perturb import FWHM_PER_SD
from coreg.agreement.regions import level_region, measure_regions, outlines_region, valid_region
from coreg.errors import InputError
from coreg.geometry import Grid, Outline, bounding_grid, mask_from_outlines

# Thresholds as shares of the plateau: half-way is the best for a straight edge.
LEVELS = (0.25, 0.5, 0.75)


@dataclass(frozen=True)
class ResolutionLimit:
    """Agreement of a lesion with its own picture, without noise and with perfect alignment.

    dice, mean_boundary_distance_mm, hd95_mm, area_ratio : threshold half-way up to the plateau,
        mean over where the pixels happen to lie
    dice_smallest : over those pixel positions
    dice_by_level : threshold as share of the plateau → Dice; how much a threshold that is not
        half-way costs at this resolution
    """

    dice: float
    dice_smallest: float
    mean_boundary_distance_mm: float
    hd95_mm: float
    area_ratio: float
    dice_by_level: dict[float, float]
    psf_fwhm_mm: tuple[float, float]
    pixel_mm: tuple[float, float]

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; NaN becomes None."""
        values = {key: plain(value) for key, value in vars(self).items()}
        values["dice_by_level"] = {f"{k:g}": plain(v) for k, v in self.dice_by_level.items()}
        values["psf_fwhm_mm"], values["pixel_mm"] = list(self.psf_fwhm_mm), list(self.pixel_mm)
        return values


def resolution_limit(
    psf_fwhm_mm: tuple[float, float],
    grid: Grid,
    lesion: Sequence[Outline],
    *,
    shifts: int = 3,
) -> ResolutionLimit:
    """Blur a lesion by the point-spread function, sample it on the grid, threshold, and compare.

    Parameters
    ----------
    psf_fwhm_mm : full width at half maximum of a Gaussian point-spread along (depth, lateral); 0
        for none
    grid : the displacement map's grid; the map is taken at pixel centres
    lesion : outlines in plane mm; the change is taken to be constant inside and none outside
    shifts : pixel positions tried along each axis

    Raises
    ------
    InputError : no lesion, or a negative width
    """
    from scipy import ndimage

    fwhm = tuple(float(f) for f in psf_fwhm_mm)
    if len(fwhm) != 2 or not all(np.isfinite(f) and f >= 0 for f in fwhm):
        raise InputError(f"Expected the point-spread's two widths in mm, got {psf_fwhm_mm}.")
    if not lesion:
        raise InputError("Expected a lesion to judge the resolution for, got no outline.")
    margin = 3 * max(fwhm) + 3 * max(grid.spacing)
    around = bounding_grid(
        np.concatenate([outline.exterior for outline in lesion]),
        min(grid.spacing),
        grid.frame,
        margin,
    )
    fine = refined_grid(around, lesion, 100, most_px=1_000_000)
    sd = [f / FWHM_PER_SD / s for f, s in zip(fwhm, fine.spacing, strict=True)]
    blurred = ndimage.gaussian_filter(mask_from_outlines(lesion, fine).astype(np.float64), sd)
    truth, everywhere = outlines_region(list(lesion)), valid_region(None, around)
    results = {level: [] for level in LEVELS}  # type: dict[float, list[np.ndarray]]
    for i in range(shifts):
        for j in range(shifts):
            coarse = _shifted(around, grid, (i / shifts, j / shifts))
            index = fine.to_index(coarse.centres()).T
            values = ndimage.map_coordinates(blurred, index, order=1, mode="nearest")
            for level in LEVELS:
                region = level_region(values.reshape(coarse.shape) - level, coarse)
                results[level].append(measure_regions(region, truth, everywhere))
    half = dict(zip(MEASURES, np.stack(results[0.5]).T, strict=True))
    dice = MEASURES.index("dice")
    return ResolutionLimit(
        dice=float(half["dice"].mean()),
        dice_smallest=float(half["dice"].min()),
        mean_boundary_distance_mm=float(half["mean_boundary_distance_mm"].mean()),
        hd95_mm=float(half["hd95_mm"].mean()),
        area_ratio=float(half["area_ratio"].mean()),
        dice_by_level={
            level: float(np.mean([row[dice] for row in rows])) for level, rows in results.items()
        },
        psf_fwhm_mm=(fwhm[0], fwhm[1]),
        pixel_mm=grid.spacing,
    )


def _shifted(around: Grid, grid: Grid, share: tuple[float, float]) -> Grid:
    """A grid with the map's pixel size over an area, moved by a share of a pixel."""
    coarse = around.with_spacing(grid.spacing)
    origin = tuple(o + s * d for o, s, d in zip(coarse.origin, share, coarse.spacing, strict=True))
    return Grid(coarse.shape, coarse.spacing, (origin[0], origin[1]), grid.frame)
