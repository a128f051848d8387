"""Regression of two measurements that both have errors: Deming and Passing–Bablok; and r²."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coreg.cohort.bootstrap import (
    DRAWS,
    Estimate,
    bias_corrected_limits,
    complete_rows,
    resampled_sums,
)
from coreg.errors import InputError

# Pairwise slopes that a bootstrap may compute.
_MOST_SLOPES = 2e8


@dataclass(frozen=True)
class Regression:
    """A line ``y = intercept + slope · x`` with 95 % limits.

    x is the pathology (reference), y the prediction. method : "Deming" or "Passing–Bablok".
    intervals : how the limits were made.
    """

    method: str
    slope: float
    slope_ci: tuple[float, float]
    intercept: float
    intercept_ci: tuple[float, float]
    n: int
    animals: int
    intervals: str

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return dict(vars(self))


def deming(
    x: Sequence[float] | np.ndarray,
    y: Sequence[float] | np.ndarray,
    animals: Sequence[Any] | np.ndarray | None = None,
    *,
    variance_ratio: float = 1.0,
) -> Regression:
    """Deming regression, limits by the jackknife over animals (Linnet 1993, from memory).

    Parameters
    ----------
    x, y : (n,); pairs with NaN are dropped; at least 3 animals are needed
    variance_ratio : variance of the errors of y over that of x (some programs ask for its
        inverse); 1 is orthogonal regression

    Raises
    ------
    InputError : too few pairs, or a ratio that is not above 0
    """
    from scipy.stats import t

    if not (np.isfinite(variance_ratio) and variance_ratio > 0):
        raise InputError(f"Expected a ratio of error variances above 0, got {variance_ratio}.")
    (a, b), names = _pairs(x, y, animals)
    unique = np.unique(names)
    slope, intercept = _deming(a, b, variance_ratio)
    left_out = np.array([_deming(a[names != u], b[names != u], variance_ratio) for u in unique])
    m = len(unique)
    pseudo = m * np.array([slope, intercept]) - (m - 1) * left_out
    half = t.ppf(0.975, max(m - 2, 1)) * pseudo.std(axis=0, ddof=1) / np.sqrt(m)
    return Regression(
        "Deming",
        slope,
        (slope - float(half[0]), slope + float(half[0])),
        intercept,
        (intercept - float(half[1]), intercept + float(half[1])),
        len(a),
        m,
        "jackknife over animals",
    )


def passing_bablok(
    x: Sequence[float] | np.ndarray,
    y: Sequence[float] | np.ndarray,
    animals: Sequence[Any] | np.ndarray | None = None,
    *,
    draws: int = DRAWS,
    seed: int = 0,
) -> Regression:
    """Passing & Bablok 1983 (J Clin Chem Clin Biochem 21:709–720): shifted median of all slopes.

    Limits by the paper's normal approximation; where an animal gives several pairs these are not
    independent, and the limits are bootstrapped over animals.
    """
    (a, b), names = _pairs(x, y, animals)
    slope, intercept = passing_bablok_line(a, b)
    unique, which = np.unique(names, return_inverse=True)
    if len(unique) == len(a):
        slope_ci, intercept_ci = _passing_bablok_limits(a, b)
        how = "normal approximation"
    else:
        rows = [np.flatnonzero(which == i) for i in range(len(unique))]
        rng = np.random.default_rng(seed)
        # All pairwise slopes of a large study are costly; fewer draws then give a normal interval.
        affordable = int(np.clip(_MOST_SLOPES / len(a) ** 2, 100, draws))
        lines = _Lines(a, b)
        found = np.empty((affordable, 2))
        for k in range(affordable):
            chosen = np.concatenate([rows[i] for i in rng.integers(len(rows), size=len(rows))])
            found[k] = lines.of(np.bincount(chosen, minlength=len(a)))
        slope_ci, intercept_ci = (
            bias_corrected_limits(found[:, i], value)
            if affordable >= 500
            else _normal_limits(found[:, i], value)
            for i, value in enumerate((slope, intercept))
        )
        how = "bootstrap over animals"
    return Regression(
        "Passing–Bablok", slope, slope_ci, intercept, intercept_ci, len(a), len(unique), how
    )


def _normal_limits(found: np.ndarray, value: float) -> tuple[float, float]:
    half = 1.959963984540054 * float(np.nanstd(found, ddof=1))
    return value - half, value + half


def passing_bablok_line(x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    """Slope and intercept alone; NaN where no slope can be had."""
    return _Lines(x, y).of(np.ones(len(x), dtype=np.int64))


class _Lines:
    """Passing–Bablok lines through points taken any number of times each.

    All slopes but -1 are sorted once; a sample with repeats then only counts them.

    slopes : (m,) rising; below : how many lie under -1 (the shift)
    """

    def __init__(self, x: np.ndarray, y: np.ndarray) -> None:
        self._x, self._y = x, y
        first, second = np.triu_indices(len(x), 1)
        dx, dy = x[second] - x[first], y[second] - y[first]
        with np.errstate(divide="ignore", invalid="ignore"):
            slopes = dy / dx
        keep = np.flatnonzero(np.isfinite(slopes) | (dy != 0))  # a point on another has no slope
        keep = keep[slopes[keep] != -1]
        keep = keep[np.argsort(slopes[keep], kind="stable")]
        self.slopes = slopes[keep]
        self._first, self._second = first[keep], second[keep]
        self.below = int(np.searchsorted(self.slopes, -1.0))

    def of(self, times: np.ndarray) -> tuple[float, float]:
        """Slope and intercept where point i is taken times[i] times; NaN without any slope."""
        upto = np.cumsum(times[self._first] * times[self._second])
        if not len(upto) or not upto[-1]:
            return float("nan"), float("nan")
        n, shift = int(upto[-1]), int(upto[self.below - 1]) if self.below else 0
        ranks = [(n - 1) // 2 + shift] if n % 2 else [n // 2 - 1 + shift, n // 2 + shift]
        at = np.searchsorted(upto, np.minimum(ranks, n - 1), side="right")
        slope = float(self.slopes[at].mean())
        return slope, float(np.median(np.repeat(self._y - slope * self._x, times)))


def r_squared(
    x: Sequence[float] | np.ndarray,
    y: Sequence[float] | np.ndarray,
    animals: Sequence[Any] | np.ndarray | None = None,
    *,
    draws: int = DRAWS,
    seed: int = 0,
) -> Estimate:
    """Squared Pearson correlation, limits by bootstrap over animals."""
    (a, b), names = complete_rows([np.asarray(x), np.asarray(y)], animals)
    animals_used = len(np.unique(names))
    if animals_used < 3:
        value = _squared_correlation(a, b) if len(a) > 1 else float("nan")
        return Estimate(value, np.nan, np.nan, len(a), animals_used, "none: under 3 animals")
    a, b = a - a.mean(), b - b.mean()
    sums = resampled_sums([np.ones(len(a)), a, b, a * a, b * b, a * b], names, draws, seed)
    n, sa, sb, saa, sbb, sab = sums
    with np.errstate(invalid="ignore", divide="ignore"):
        power = (saa - sa * sa / n) * (sbb - sb * sb / n)
        found = (sab - sa * sb / n) ** 2 / np.where(power > 0, power, np.nan)
    value = _squared_correlation(a, b)
    low, high = bias_corrected_limits(found, value)
    return Estimate(value, low, high, len(a), animals_used, "bootstrap over animals")


def _squared_correlation(x: np.ndarray, y: np.ndarray) -> float:
    dx, dy = x - x.mean(), y - y.mean()
    power = (dx @ dx) * (dy @ dy)
    return float((dx @ dy) ** 2 / power) if power > 0 else float("nan")


def _pairs(x: Any, y: Any, animals: Any) -> tuple[list[np.ndarray], np.ndarray]:
    arrays, names = complete_rows([np.asarray(x), np.asarray(y)], animals)
    if len(np.unique(names)) < 3:
        raise InputError(
            f"A regression needs complete pairs of at least 3 animals, got {len(np.unique(names))}."
        )
    if np.ptp(arrays[0]) == 0:
        raise InputError("All pathology values are equal; no line can be fitted through them.")
    return arrays, names


def _deming(x: np.ndarray, y: np.ndarray, ratio: float) -> tuple[float, float]:
    dx, dy = x - x.mean(), y - y.mean()
    sxx, syy, sxy = dx @ dx, dy @ dy, dx @ dy
    if sxy == 0:
        return float("nan"), float("nan")
    gap = syy - ratio * sxx
    slope = (gap + np.sqrt(gap**2 + 4 * ratio * sxy**2)) / (2 * sxy)
    return float(slope), float(y.mean() - slope * x.mean())


def _passing_bablok_limits(
    x: np.ndarray, y: np.ndarray
) -> tuple[tuple[float, float], tuple[float, float]]:
    lines = _Lines(x, y)
    slopes, shift = lines.slopes, lines.below
    n, count = len(x), len(slopes)
    half = 1.959963984540054 * np.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    first = round((count - half) / 2)
    last = count - first + 1
    low, high = (float(slopes[np.clip(r + shift - 1, 0, count - 1)]) for r in (first, last))
    return (low, high), (float(np.median(y - high * x)), float(np.median(y - low * x)))
