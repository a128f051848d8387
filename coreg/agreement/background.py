"""How uneven a change map is where nothing should have changed.

The standard error of an amplitude fit knows the noise of one recording, not that push and echoes
differ from one recording to the next. Tissue away from the lesion shows both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coreg.agreement.perturb import FWHM_PER_SD
from coreg.errors import InputError
from coreg.geometry import Grid

# Tissue nearer to the lesion may have warmed; slower changes than TREND_MM are no noise.
MARGIN_MM = 3.0
TREND_MM = 3.0
LEAST_PIXELS = 400


@dataclass(frozen=True)
class MapNoise:
    """Noise of a change map.

    error_percent : (rows, columns) float64, standard error of the change at each pixel
    fwhm_mm : full width at half maximum, along (depth, lateral), of the kernel that correlates it
    extra_percent : standard deviation of unchanged tissue beyond the fit's own error; 0 for none
    pixels : how many background pixels said so; 0 where there were too few, and then the error and
        the width are those given
    """

    error_percent: np.ndarray
    fwhm_mm: tuple[float, float]
    extra_percent: float
    pixels: int


def map_noise(
    change_percent: np.ndarray,
    error_percent: np.ndarray | None,
    grid: Grid,
    lesion: np.ndarray,
    valid: np.ndarray,
    fwhm_mm: tuple[float, float],
) -> MapNoise:
    """Judge the noise of an unsmoothed change map by its unchanged tissue.

    The extra error is relative to the amplitude, so it falls with it: at a change c per cent it is
    ``extra (1 + c / 100)``.

    Parameters
    ----------
    change_percent : (rows, columns), not smoothed; NaN without an estimate
    error_percent : the fit's standard error, NaN or None where unknown (taken as 0)
    lesion : (rows, columns) bool; all further than 3 mm from it counts as unchanged
    valid : (rows, columns) bool, tissue with a trusted estimate
    fwhm_mm : point-spread of the displacement estimate: the width where the map cannot tell
    """
    from scipy import ndimage

    for name, array in (("change", change_percent), ("lesion", lesion), ("valid", valid)):
        if array.shape != grid.shape:
            raise InputError(f"Expected the {name} on the grid {grid.shape}, got {array.shape}.")
    known = np.isfinite(change_percent)
    given = np.zeros(grid.shape) if error_percent is None else np.nan_to_num(error_percent, nan=0.0)
    away = np.ones(grid.shape, dtype=bool)
    if lesion.any():
        away = ndimage.distance_transform_edt(~lesion, sampling=grid.spacing) > MARGIN_MM
    background = known & valid & away
    # Where the fit itself is poor the rest cannot be told from it.
    background &= given <= np.median(given[background]) if background.any() else False
    if background.sum() < LEAST_PIXELS:
        return MapNoise(given, fwhm_mm, 0.0, 0)
    sd = [TREND_MM / spacing for spacing in grid.spacing]
    weight = ndimage.gaussian_filter((known & valid).astype(np.float64), sd)
    slow = ndimage.gaussian_filter(np.where(known & valid, change_percent, 0.0), sd)
    rest = np.where(background, change_percent - slow / np.maximum(weight, 1e-9), np.nan)
    spread = 1.4826 * np.nanmedian(np.abs(rest - np.nanmedian(rest)))
    extra = float(np.sqrt(max(spread**2 - np.median(given[background]) ** 2, 0.0)))
    change = np.nan_to_num(change_percent, nan=0.0)
    error = np.hypot(given, extra * np.clip(1 + change / 100, 0.0, 2.0))
    clipped = np.clip(rest, -4 * spread, 4 * spread)
    widths = tuple(
        _kernel_fwhm(clipped, axis, grid.spacing[axis], fwhm_mm[axis]) for axis in (0, 1)
    )
    return MapNoise(error, (widths[0], widths[1]), extra, int(background.sum()))


def _kernel_fwhm(rest: np.ndarray, axis: int, spacing: float, given: float) -> float:
    """Width of the Gaussian kernel from where the autocorrelation of `rest` falls to one half."""
    variance = np.nanmean(rest**2)
    before = 1.0
    for lag in range(1, max(2, int(TREND_MM / spacing)) + 1):
        if lag >= rest.shape[axis]:
            break
        first = np.take(rest, range(rest.shape[axis] - lag), axis)
        second = np.take(rest, range(lag, rest.shape[axis]), axis)
        both = first * second
        if np.isfinite(both).sum() < LEAST_PIXELS // 2:
            break
        now = float(np.nanmean(both) / variance)
        if now <= 0.5:
            half = (lag - 1 + (before - 0.5) / max(before - now, 1e-9)) * spacing
            # White noise through a kernel of deviation s correlates as exp(-lag² / (4 s²)).
            return float(half / (2 * np.sqrt(np.log(2))) * FWHM_PER_SD)
        before = now
    return given
