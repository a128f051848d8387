"""Agreement on zone labels beyond chance: Cohen's and Fleiss' kappa."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from coreg.errors import InputError

Weights = Literal["none", "linear", "quadratic"]


@dataclass(frozen=True)
class Kappa:
    """A kappa with its 95 % limits.

    value : NaN where only one category occurs (chance agreement is complete)
    standard_error : for the limits; zero_error : under the hypothesis of no agreement
    n : subjects (labelled regions, or pixels: pixels are not independent and make the limits too
        narrow)
    """

    value: float
    low: float
    high: float
    standard_error: float
    zero_error: float
    n: int
    form: str

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return dict(vars(self))


def cohen_kappa(table: np.ndarray, weights: Weights = "none") -> Kappa:
    """Cohen's kappa of two observers, by statsmodels.

    Parameters
    ----------
    table : (categories, categories) counts, rows the first observer
    weights : disagreement weights; for zones, which are no scale, use "none"
    """
    from statsmodels.stats.inter_rater import cohens_kappa

    counts = np.asarray(table, dtype=np.float64)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or not counts.sum() > 0:
        raise InputError(f"Expected a square table of counts, got shape {counts.shape}.")
    if weights not in ("none", "linear", "quadratic"):
        raise InputError(f"Unknown weights {weights!r}; use 'none', 'linear' or 'quadratic'.")
    n = int(counts.sum())
    form = "Cohen" if weights == "none" else f"Cohen, {weights} weights"
    if (counts.sum(axis=0) + counts.sum(axis=1) > 0).sum() < 2:
        return Kappa(*(float("nan"),) * 5, n, form)
    kind = {"none": None, "linear": "linear", "quadratic": "quadratic"}[weights]
    found = cohens_kappa(counts, wt=kind, return_results=True)
    return Kappa(
        float(found.kappa),
        float(found.kappa_low),
        float(found.kappa_upp),
        float(found.std_kappa),
        float(found.std_kappa0),
        n,
        form,
    )


def label_table(first: np.ndarray, second: np.ndarray, categories: int) -> np.ndarray:
    """Counts (categories, categories) of two label arrays with values from 0."""
    a, b = np.asarray(first).ravel().astype(int), np.asarray(second).ravel().astype(int)
    if a.shape != b.shape:
        raise InputError(f"Expected label maps of one shape, got {a.size} and {b.size} labels.")
    if len(a) and (min(a.min(), b.min()) < 0 or max(a.max(), b.max()) >= categories):
        raise InputError(f"Expected labels from 0 to {categories - 1}.")
    flat = np.bincount(a * categories + b, minlength=categories**2)
    return flat.reshape(categories, categories)


def fleiss_kappa(counts: np.ndarray) -> Kappa:
    """Fleiss' kappa of several observers (value by statsmodels), limits by jackknife over subjects.

    zero_error is the formula of Fleiss, Nee & Landis 1979 (from memory).

    Parameters
    ----------
    counts : (subjects, categories), how many observers chose each category; equal row sums of at
        least 2
    """
    from scipy.stats import t
    from statsmodels.stats.inter_rater import fleiss_kappa as value_of

    table = np.asarray(counts, dtype=np.float64)
    if table.ndim != 2 or len(table) < 2 or table.shape[1] < 2:
        raise InputError(f"Expected counts of (subjects, categories), got shape {table.shape}.")
    raters = table.sum(axis=1)
    if np.ptp(raters) != 0 or raters[0] < 2:
        raise InputError("Expected the same number of observers (2 or more) for every subject.")
    n, m = len(table), raters[0]
    share = table.sum(axis=0) / table.sum()
    if (share > 0).sum() < 2:
        return Kappa(*(float("nan"),) * 5, n, "Fleiss")
    value = float(value_of(table))
    spread = (share * (1 - share)).sum()
    skew = (share * (1 - share) * (1 - 2 * share)).sum()
    zero = np.sqrt(2 * (spread**2 - skew) / (n * m * (m - 1))) / spread
    left_out = np.array([_fleiss(np.delete(table, i, axis=0)) for i in range(n)])
    error = np.sqrt((n - 1) / n * ((left_out - left_out.mean()) ** 2).sum())
    half = t.ppf(0.975, n - 1) * error
    return Kappa(value, value - half, value + half, float(error), float(zero), n, "Fleiss")


def _fleiss(table: np.ndarray) -> float:
    m = table[0].sum()
    share = table.sum(axis=0) / table.sum()
    seen = ((table**2).sum(axis=1) - m).mean() / (m * (m - 1))
    chance = (share**2).sum()
    return float((seen - chance) / (1 - chance)) if chance < 1 else float("nan")
