"""Groups of animals compared, with an effect size and an interval rather than a p value alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coreg.errors import InputError


@dataclass(frozen=True)
class GroupComparison:
    """One measure in two groups; the animal is the unit (its lesions are averaged).

    difference : mean of the second group minus that of the first, in the measure's unit, with its
        95 % interval by Welch's t
    hedges_g : standardised difference, corrected for small samples, with its interval (Hedges &
        Olkin 1985, from memory)
    p : Welch's test
    """

    first: str
    second: str
    animals: tuple[int, int]
    means: tuple[float, float]
    difference: float
    difference_ci: tuple[float, float]
    hedges_g: float
    hedges_g_ci: tuple[float, float]
    p: float

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return dict(vars(self))


@dataclass(frozen=True)
class MixedModel:
    """Random intercept for each animal: mean of a measure and where its variance lies.

    mean, mean_ci : fixed intercept with 95 % limits
    between_sd, within_sd : between animals, and between the lesions of one
    converged : False says that the numbers are not to be used
    """

    mean: float
    mean_ci: tuple[float, float]
    between_sd: float
    within_sd: float
    n: int
    animals: int
    converged: bool

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return dict(vars(self))


def per_animal(
    values: Sequence[float] | np.ndarray, animals: Sequence[Any] | np.ndarray
) -> tuple[np.ndarray, list[str]]:
    """Mean of each animal's values, NaN left out, and the animals in order of name."""
    array, names = np.asarray(values, dtype=np.float64), np.asarray(animals).astype(str)
    known = np.isfinite(array)
    unique = sorted(set(names[known].tolist()))
    return np.array([array[known & (names == name)].mean() for name in unique]), unique


def compare_groups(
    values: Sequence[float] | np.ndarray,
    groups: Sequence[Any] | np.ndarray,
    animals: Sequence[Any] | np.ndarray,
) -> list[GroupComparison]:
    """Compare every two groups.

    Parameters
    ----------
    values : (n,) a measure; NaN left out
    groups, animals : (n,) names; an animal belongs to one group

    Raises
    ------
    InputError : an animal in two groups. A group with fewer than 2 animals is left out.
    """
    from itertools import combinations

    array = np.asarray(values, dtype=np.float64)
    of_group, of_animal = np.asarray(groups).astype(str), np.asarray(animals).astype(str)
    for name in np.unique(of_animal):
        if len(set(of_group[of_animal == name])) > 1:
            raise InputError(
                f"Animal {name} is in more than one group; give every animal one group."
            )
    means = {}
    for group in sorted(set(of_group.tolist())):
        here = of_group == group
        found, _ = per_animal(array[here], of_animal[here])
        if len(found) >= 2:
            means[group] = found
    return [_compare(a, means[a], b, means[b]) for a, b in combinations(means, 2)]


def mixed_model(
    values: Sequence[float] | np.ndarray, animals: Sequence[Any] | np.ndarray
) -> MixedModel:
    """Random-intercept model by restricted maximum likelihood (statsmodels).

    Raises
    ------
    InputError : fewer than 3 animals, or no animal with more than one value
    """
    import warnings

    from statsmodels.regression.mixed_linear_model import MixedLM
    from statsmodels.tools.sm_exceptions import ConvergenceWarning

    array, names = np.asarray(values, dtype=np.float64), np.asarray(animals).astype(str)
    known = np.isfinite(array)
    array, names = array[known], names[known]
    count = len(np.unique(names))
    if count < 3 or len(array) == count:
        raise InputError(
            f"A mixed model needs at least 3 animals, some with several lesions; got {len(array)} "
            f"values of {count} animals."
        )
    centre, scale = array.mean(), array.std()
    if scale == 0:
        return MixedModel(float(centre), (float(centre),) * 2, 0.0, 0.0, len(array), count, True)
    with warnings.catch_warnings():
        # A variance of 0 between animals lies on the edge of the allowed; the fit is still right.
        warnings.simplefilter("ignore", ConvergenceWarning)
        warnings.simplefilter("ignore", UserWarning)
        fit = MixedLM((array - centre) / scale, np.ones((len(array), 1)), names).fit(reml=True)
    mean, error = float(fit.fe_params[0]), float(fit.bse_fe[0])
    half = 1.959963984540054 * error
    return MixedModel(
        mean * scale + centre,
        ((mean - half) * scale + centre, (mean + half) * scale + centre),
        float(np.sqrt(max(np.asarray(fit.cov_re)[0, 0], 0.0)) * scale),
        float(np.sqrt(fit.scale) * scale),
        len(array),
        count,
        bool(fit.converged),
    )


def _compare(first: str, a: np.ndarray, second: str, b: np.ndarray) -> GroupComparison:
    from scipy.stats import norm, ttest_ind

    n, m = len(a), len(b)
    difference = float(b.mean() - a.mean())
    nan = float("nan")
    if a.std() == 0 and b.std() == 0:
        return GroupComparison(
            first, second, (n, m), (float(a.mean()), float(b.mean())), difference,
            (nan, nan), nan, (nan, nan), nan,
        )  # fmt: skip
    test = ttest_ind(b, a, equal_var=False)
    ci = test.confidence_interval(0.95)
    pooled = np.sqrt(((n - 1) * a.var(ddof=1) + (m - 1) * b.var(ddof=1)) / (n + m - 2))
    g = difference / pooled * (1 - 3 / (4 * (n + m) - 9))
    half = norm.ppf(0.975) * np.sqrt((n + m) / (n * m) + g**2 / (2 * (n + m)))
    return GroupComparison(
        first,
        second,
        (n, m),
        (float(a.mean()), float(b.mean())),
        difference,
        (float(ci.low), float(ci.high)),
        float(g),
        (float(g - half), float(g + half)),
        float(test.pvalue),
    )
