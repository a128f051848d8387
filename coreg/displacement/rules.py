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
# Standard error in per cent above which a pixel says nothing about where a threshold should lie.
_LARGEST_ERROR = 20.0
_FEWEST_PIXELS = 64


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
    percent = relative_change(change, trusted, grid, options.smooth_mm)
    if options.rule == "threshold":
        return percent, options.threshold_percent, ""
    window = _window(change, percent, grid, options)
    if options.rule == "growing":
        noise = change.percent_error[window]
        noise = noise[np.isfinite(noise)]
        level = float(np.median(noise)) if noise.size else noise_deviation(percent)
        percent = edge_preserving(percent, options.edge_weight * level)
    values = percent[window]
    if values.size < 16:
        return percent, float("nan"), "Too few trusted pixels around the focus to find a threshold."
    if options.rule == "otsu":
        from skimage.filters import threshold_otsu

        # Only a fall is looked for: rises would be a class of their own, and they are noise.
        falls = np.minimum(values, 0.0)
        limit = float(threshold_otsu(falls, nbins=256)) if np.ptp(falls) > 0 else float("nan")
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


def relative_change(change: Change, trusted: np.ndarray, grid: Grid, sigma_mm: float) -> np.ndarray:
    """Relative change in per cent, smoothed, (depth, lateral) float64; NaN where not trusted.

    Change and baseline are smoothed apart and then divided, so that pixels that hardly move, whose
    ratio is mostly noise, weigh little in their neighbours' mean.
    """
    use = trusted & np.isfinite(change.um) & np.isfinite(change.baseline)
    um = np.where(use, change.um, np.nan).astype(np.float64)
    baseline = np.where(use, change.baseline, np.nan).astype(np.float64)
    baseline = smooth(baseline, grid, sigma_mm)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = 100 * smooth(um, grid, sigma_mm) / np.where(baseline > 0, baseline, np.nan)
    return np.clip(ratio, _LOWEST, _HIGHEST)


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
    """Total-variation smoothing (Chambolle); `weight` in the values' unit, 0 for none.

    NaN is filled from the nearest pixel for its neighbours' sake, and stays NaN.
    """
    from skimage.restoration import denoise_tv_chambolle

    valid = np.isfinite(values)
    if weight <= 0 or not valid.any():
        return values
    nearest = ndimage.distance_transform_edt(~valid, return_distances=False, return_indices=True)
    filled = values[tuple(nearest)]
    smoothed = denoise_tv_chambolle(filled, weight=weight, eps=1e-5, max_num_iter=300)
    return np.where(valid, smoothed, np.nan)


def _window(change: Change, percent: np.ndarray, grid: Grid, options: LesionOptions) -> np.ndarray:
    """Pixels that the rules that choose their own threshold look at: near, and with a stable ratio.

    Far from the focus the force, and with it the baseline, is so low that noise would swamp both
    classes.
    """
    window = np.isfinite(percent)
    if options.window_mm is not None and options.focus is not None:
        window &= distance_from(options.focus, grid) <= options.window_mm
    stable = window & ~change.low_baseline & ~(change.percent_error > _LARGEST_ERROR)
    return stable if stable.sum() >= _FEWEST_PIXELS else window


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
        # Near the focus only: where the region leaks into noise, its plateau must not follow.
        plateau = float(np.median(percent[region & near]))
        background = float(np.median(percent[rest])) if rest.any() else background
        new = (plateau + background) / 2
        if abs(new - limit) < 0.05:
            break
        limit = new
    return limit
