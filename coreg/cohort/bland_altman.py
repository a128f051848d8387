"""Bland–Altman analysis: bias, limits of agreement with intervals, and proportional bias."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

import numpy as np

from coreg.cohort.bootstrap import (
    DRAWS,
    bias_corrected_limits,
    complete_rows,
    resampled_sums,
)
from coreg.errors import InputError

Method = Literal["exact", "approximate", "bootstrap"]


@dataclass(frozen=True)
class BlandAltman:
    """Differences first − second, in the unit of the values.

    Each `_ci` is a 95 % interval. slope : of the differences on the means; `slope_ci` without 0
    says that the bias grows or falls with size. sd : n − 1 in the denominator.
    multiplier : the limits are bias ± multiplier · sd.
    """

    n: int
    animals: int
    bias: float
    bias_ci: tuple[float, float]
    sd: float
    lower: float
    lower_ci: tuple[float, float]
    upper: float
    upper_ci: tuple[float, float]
    slope: float
    slope_ci: tuple[float, float]
    slope_p: float
    multiplier: float
    method: Method

    @property
    def proportional(self) -> bool:
        """Whether the interval of the slope leaves out 0."""
        return bool(self.slope_ci[0] > 0 or self.slope_ci[1] < 0)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {**vars(self), "proportional": self.proportional}


def bland_altman(
    first: Sequence[float] | np.ndarray,
    second: Sequence[float] | np.ndarray,
    animals: Sequence[Any] | np.ndarray | None = None,
    *,
    method: Method | None = None,
    multiplier: float | None = None,
    draws: int = DRAWS,
    seed: int = 0,
) -> BlandAltman:
    """Agreement of two measurements of the same things.

    Parameters
    ----------
    first, second : (n,); pairs with NaN are dropped; at least 3 are needed
    animals : (n,) names. Where an animal gives several pairs the intervals are bootstrapped over
        animals (bias and sd stay those of all pairs).
    method : "exact": intervals of the limits from the noncentral t distribution (Carkeet 2015,
        Optom Vis Sci 92:e71-e80, from memory); "approximate": standard error sqrt(3 sd² / n)
        (Bland & Altman 1986); "bootstrap"; None chooses exact, or bootstrap where an animal
        gives several pairs
    multiplier : None is 1.96 (normal quantile); Bland & Altman 1986 used 2

    Raises
    ------
    InputError : fewer than 3 complete pairs
    """
    (a, b), names = complete_rows([np.asarray(first), np.asarray(second)], animals)
    n, clusters = len(a), len(np.unique(names))
    if n < 3:
        raise InputError(f"Bland–Altman limits need at least 3 complete pairs, got {n}.")
    if method is None:
        method = "exact" if clusters == n else "bootstrap"
    difference, mean = a - b, (a + b) / 2
    k = multiplier if multiplier is not None else 1.959963984540054
    bias, sd = float(difference.mean()), float(difference.std(ddof=1))
    slope, slope_ci, p = _slope(mean, difference)
    if method == "bootstrap":
        bias_ci, lower_ci, upper_ci, slope_ci = _bootstrap(difference, mean, names, k, draws, seed)
    else:
        bias_ci = _bias_interval(bias, sd, n)
        spread = _exact(sd, n, k) if method == "exact" else _approximate(sd, n, k)
        lower_ci = bias - spread[1], bias - spread[0]
        upper_ci = bias + spread[0], bias + spread[1]
    return BlandAltman(
        n, clusters, bias, bias_ci, sd, bias - k * sd, lower_ci, bias + k * sd, upper_ci,
        slope, slope_ci, p, k, method,
    )  # fmt: skip


def _bias_interval(bias: float, sd: float, n: int) -> tuple[float, float]:
    from scipy.stats import t

    half = t.ppf(0.975, n - 1) * sd / np.sqrt(n)
    return float(bias - half), float(bias + half)


def _exact(sd: float, n: int, k: float) -> tuple[float, float]:
    """Distances of the upper limit's interval from the bias."""
    low, high = _tolerance_factors(n, k)
    return low * sd, high * sd


@lru_cache(maxsize=64)
def _tolerance_factors(n: int, k: float) -> tuple[float, float]:
    """The limits of a normal quantile in standard deviations, by the noncentral t distribution."""
    from scipy.stats import nct

    factors = nct.ppf([0.025, 0.975], n - 1, k * np.sqrt(n)) / np.sqrt(n)
    return float(factors[0]), float(factors[1])


def _approximate(sd: float, n: int, k: float) -> tuple[float, float]:
    from scipy.stats import t

    half = t.ppf(0.975, n - 1) * np.sqrt(3 * sd**2 / n)
    return float(k * sd - half), float(k * sd + half)


def _slope(mean: np.ndarray, difference: np.ndarray) -> tuple[float, tuple[float, float], float]:
    from scipy.stats import linregress, t

    if np.ptp(mean) == 0:
        return float("nan"), (float("nan"), float("nan")), float("nan")
    fit = linregress(mean, difference)
    half = t.ppf(0.975, len(mean) - 2) * fit.stderr
    return float(fit.slope), (float(fit.slope - half), float(fit.slope + half)), float(fit.pvalue)


def _bootstrap(
    difference: np.ndarray, mean: np.ndarray, names: np.ndarray, k: float, draws: int, seed: int
) -> tuple[tuple[float, float], ...]:
    """Intervals of bias, lower limit, upper limit and slope from the same draws of animals."""
    if len(np.unique(names)) < 3:
        nothing = (float("nan"), float("nan"))
        return nothing, nothing, nothing, nothing
    # Centred, so that the sums of squares keep their digits.
    shift, d, m = difference.mean(), difference - difference.mean(), mean - mean.mean()
    columns = [np.ones(len(d)), d, m, d * d, m * m, d * m]
    found = _four(k, *resampled_sums(columns, names, draws, seed))
    point = _four(k, *(np.array([column.sum()]) for column in columns))
    limits = [bias_corrected_limits(f, float(v[0])) for f, v in zip(found, point, strict=True)]
    moved = [(low + shift, high + shift) for low, high in limits[:3]]
    return (*moved, limits[3])


def _four(k: float, *sums: np.ndarray) -> tuple[np.ndarray, ...]:
    """Bias, lower and upper limit, slope from the sums of 1, d, m, d², m², d·m, (draws,) each."""
    n, d, m, dd, mm, dm = sums
    with np.errstate(invalid="ignore", divide="ignore"):
        bias = d / n
        sd = np.sqrt(np.maximum(dd - d * bias, 0) / (n - 1))
        slope = (dm - d * m / n) / (mm - m * m / n)
    return bias, bias - k * sd, bias + k * sd, slope


def repeatability(first: np.ndarray, second: np.ndarray, multiplier: float = 2.0) -> float:
    """Coefficient of repeatability of two readings: multiplier · sqrt(mean of squared differences).

    Bland & Altman 1986 take the mean difference of replicates as zero and the factor 2.
    """
    (a, b), _ = complete_rows([np.asarray(first), np.asarray(second)], None)
    if not len(a):
        raise InputError("Repeatability needs at least one complete pair of readings.")
    return float(multiplier * np.sqrt(np.mean((a - b) ** 2)))
