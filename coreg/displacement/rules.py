"""The limit of relative change that each rule for the predicted lesion uses."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from coreg.displacement.change import Change
from coreg.geometry import Grid

if TYPE_CHECKING:
    from coreg.displacement.lesion import LesionOptions

# Relative changes beyond these are noise over a low baseline; clipped before statistics.
_LOWEST, _HIGHEST = -100.0, 100.0


def find_limit(
    change: Change, trusted: np.ndarray, grid: Grid, options: LesionOptions
) -> tuple[np.ndarray, float, str]:
    """The map that the rule looks at, its limit in per cent, and why there is none.

    Returns
    -------
    percent : (depth, lateral) float64, the smoothed relative change, NaN where not trusted
    limit : per cent
    reason : "" where a limit was found
    """
    raw = np.where(trusted, np.clip(change.percent, _LOWEST, _HIGHEST), np.nan).astype(np.float64)
    if options.rule == "growing":
        percent = edge_preserving(raw, options.edge_weight)
    else:
        percent = smooth(raw, grid, options.smooth_mm)
    if options.rule == "threshold":
        return percent, options.threshold_percent, ""
    window = _window(percent, grid, options)
    values = percent[window]
    if values.size < 16:
        return percent, float("nan"), "Too few trusted pixels around the focus to find a threshold."
    if options.rule == "otsu":
        from skimage.filters import threshold_otsu

        limit = float(threshold_otsu(values, nbins=256)) if np.ptp(values) > 0 else float("nan")
    else:
        limit = _half_way(percent, window, grid, options)
    if not limit <= options.smallest_change_percent:
        return (
            percent,
            float("nan"),
            f"No change of {options.smallest_change_percent:g} % or more stands out from its "
            "surroundings.",
        )
    return percent, limit, ""


def smooth(values: np.ndarray, grid: Grid, sigma_mm: float) -> np.ndarray:
    """Gaussian smoothing that leaves NaN out of its neighbours' mean; NaN stays NaN."""
    if sigma_mm <= 0:
        return values
    sigma = [sigma_mm / s for s in grid.spacing]
    valid = np.isfinite(values)
    top = ndimage.gaussian_filter(np.where(valid, values, 0.0), sigma, mode="nearest")
    bottom = ndimage.gaussian_filter(valid.astype(np.float64), sigma, mode="nearest")
    return np.where(valid, top / np.where(bottom > 0, bottom, 1.0), np.nan)


def noise_deviation(values: np.ndarray) -> float:
    """Standard deviation of the noise from second differences (median absolute deviation)."""
    second = values[:, 2:] - 2 * values[:, 1:-1] + values[:, :-2]
    second = second[np.isfinite(second)]
    if second.size == 0:
        return 0.0
    return float(1.4826 * np.median(np.abs(second - np.median(second))) / np.sqrt(6.0))


def edge_preserving(values: np.ndarray, weight: float) -> np.ndarray:
    """Total-variation smoothing (Chambolle) with strength in noise deviations; NaN stays NaN."""
    from skimage.restoration import denoise_tv_chambolle

    valid = np.isfinite(values)
    strength = weight * noise_deviation(values)
    if strength <= 0 or not valid.any():
        return values
    nearest = ndimage.distance_transform_edt(~valid, return_distances=False, return_indices=True)
    filled = values[tuple(nearest)]
    # The weight is in the units of the data, so the noise's deviation makes it dimensionless.
    smoothed = denoise_tv_chambolle(filled, weight=strength, eps=1e-5, max_num_iter=300)
    return np.where(valid, smoothed, np.nan)


def _window(percent: np.ndarray, grid: Grid, options: LesionOptions) -> np.ndarray:
    window = np.isfinite(percent)
    if options.window_mm is not None and options.focus is not None:
        window &= distance_from(options.focus, grid) <= options.window_mm
    return window


def distance_from(point: tuple[float, float], grid: Grid) -> np.ndarray:
    """Distance in mm of every pixel centre from a (depth, lateral) point, shape `grid.shape`."""
    return np.hypot(grid.rows[:, None] - point[0], grid.columns[None, :] - point[1])


def _half_way(percent: np.ndarray, window: np.ndarray, grid: Grid, options: LesionOptions) -> float:
    """Half-way between the plateau of the most changed region and the background.

    Both levels are medians, of the region found so far and of the rest, repeated to a standstill.
    """
    values = percent[window]
    near = window
    if options.focus is not None:
        near = window & (distance_from(options.focus, grid) <= max(options.focus_radius_mm, 0.0))
        near = near if near.any() else window
    background = float(np.median(values))
    core = percent[near]
    plateau = float(np.percentile(core, 10 if near is not window else 2))
    seed = np.where(near, percent, np.inf)
    start = np.unravel_index(int(np.argmin(seed)), percent.shape)
    limit = (plateau + background) / 2
    for _ in range(20):
        regions, _count = ndimage.label(window & (percent < limit))
        label = regions[start]
        if label == 0:
            break
        region = regions == label
        rest = window & ~ndimage.binary_dilation(region, iterations=2)
        plateau = float(np.median(percent[region]))
        background = float(np.median(percent[rest])) if rest.any() else background
        new = (plateau + background) / 2
        if abs(new - limit) < 0.05:
            break
        limit = new
    return limit
