"""Bootstrap over animals: all lesions of an animal are drawn together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coreg.errors import InputError

DRAWS = 2000


@dataclass(frozen=True)
class Estimate:
    """A statistic with its interval.

    low, high : 95 % limits, NaN where none could be had
    n : pairs (lesions) used; animals : how many animals they come from
    method : how the interval was made
    """

    value: float
    low: float
    high: float
    n: int
    animals: int
    method: str

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; NaN becomes None."""
        return {
            key: (None if isinstance(value, float) and not np.isfinite(value) else value)
            for key, value in vars(self).items()
        }


def cluster_bootstrap(
    statistic: Callable[..., float],
    columns: Sequence[np.ndarray],
    animals: Sequence[Any] | np.ndarray | None = None,
    *,
    draws: int = DRAWS,
    seed: int = 0,
) -> Estimate:
    """A statistic with its bias-corrected percentile interval, animals resampled whole.

    Bias-corrected percentile limits: Efron & Tibshirani 1993, chapter 14 (from memory), without
    acceleration. Draws in which the statistic has no value are left out.

    Parameters
    ----------
    statistic : called with the columns, each (n,), gives a float
    columns : arrays of one length; rows with NaN in any are dropped first
    animals : (n,) names; None takes every row for its own animal
    """
    arrays, names = complete_rows(columns, animals)
    unique, which = np.unique(names, return_inverse=True)
    value = float(statistic(*arrays)) if len(which) else float("nan")
    nothing = Estimate(value, np.nan, np.nan, len(which), len(unique), "none: under 3 animals")
    if len(unique) < 3:
        return nothing
    rows = [np.flatnonzero(which == k) for k in range(len(unique))]
    rng = np.random.default_rng(seed)
    found = np.full(draws, np.nan)
    for i in range(draws):
        chosen = np.concatenate([rows[k] for k in rng.integers(len(rows), size=len(rows))])
        found[i] = statistic(*(array[chosen] for array in arrays))
    low, high = bias_corrected_limits(found, value)
    return Estimate(value, low, high, len(which), len(unique), "bootstrap over animals")


def cluster_mean(
    values: np.ndarray,
    animals: Sequence[Any] | np.ndarray | None = None,
    *,
    draws: int = DRAWS,
    seed: int = 0,
) -> Estimate:
    """The mean over lesions with the interval of `cluster_bootstrap`, all draws at once."""
    (array,), names = complete_rows([values], animals)
    count = len(np.unique(names))
    value = float(array.mean()) if len(array) else float("nan")
    if count < 3:
        return Estimate(value, np.nan, np.nan, len(array), count, "none: under 3 animals")
    n, total = resampled_sums([np.ones(len(array)), array - value], names, draws, seed)
    low, high = bias_corrected_limits(value + total / n, value)
    return Estimate(value, low, high, len(array), count, "bootstrap over animals")


def resampled_sums(
    columns: Sequence[np.ndarray], names: np.ndarray, draws: int, seed: int
) -> list[np.ndarray]:
    """Sums of columns (n,) over animals drawn with replacement, each (draws,).

    What depends on sums alone (means, deviations, slopes, correlations) needs no more than these.
    """
    unique, which = np.unique(names, return_inverse=True)
    of_animal = np.stack([np.bincount(which, weights=c, minlength=len(unique)) for c in columns])
    rng = np.random.default_rng(seed)
    times = rng.multinomial(len(unique), np.full(len(unique), 1 / len(unique)), size=draws)
    return list(of_animal @ times.T)


def bias_corrected_limits(found: np.ndarray, value: float) -> tuple[float, float]:
    """95 % limits from draws (n,) of a statistic; NaN where fewer than half have a value."""
    from scipy.stats import norm

    known = found[np.isfinite(found)]
    if len(known) < max(20, len(found) / 2) or not np.isfinite(value):
        return float("nan"), float("nan")
    below = (np.sum(known < value) + np.sum(known == value) / 2) / len(known)
    shift = norm.ppf(np.clip(below, 1 / len(known), 1 - 1 / len(known)))
    shares = norm.cdf(2 * shift + norm.ppf([0.025, 0.975]))
    low, high = np.quantile(known, shares)
    return float(low), float(high)


def complete_rows(
    columns: Sequence[np.ndarray], animals: Sequence[Any] | np.ndarray | None
) -> tuple[list[np.ndarray], np.ndarray]:
    """The rows without NaN, and the animal of each."""
    arrays = [np.asarray(column, dtype=np.float64) for column in columns]
    if any(array.ndim != 1 or len(array) != len(arrays[0]) for array in arrays):
        raise InputError(
            f"Expected columns of one length, got shapes {[array.shape for array in arrays]}."
        )
    names = np.arange(len(arrays[0])) if animals is None else np.asarray(animals).astype(str)
    if len(names) != len(arrays[0]):
        raise InputError(f"Expected {len(arrays[0])} names of animals, got {len(names)}.")
    keep = np.all([np.isfinite(array) for array in arrays], axis=0)
    return [array[keep] for array in arrays], names[keep]
