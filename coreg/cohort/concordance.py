"""Concordance: Lin's coefficient and the six intraclass correlations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coreg.cohort.bootstrap import complete_rows
from coreg.errors import InputError


@dataclass(frozen=True)
class Concordance:
    """Lin's concordance correlation coefficient.

    value : 2 s_xy / (s_x² + s_y² + (mean difference)²), moments with 1/n
    pearson, bias_correction : value = pearson · bias_correction
    low, high : 95 % limits by the z transformation
    """

    value: float
    low: float
    high: float
    pearson: float
    bias_correction: float
    n: int

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return dict(vars(self))


def concordance(
    first: Sequence[float] | np.ndarray, second: Sequence[float] | np.ndarray
) -> Concordance:
    """Lin 1989 (Biometrics 45:255–268), with the variance of the 2000 erratum (from memory).

    Parameters
    ----------
    first, second : (n,); pairs with NaN are dropped; at least 3 are needed. Limits are NaN where
        the coefficient is 1 or has no spread to judge.
    """
    (x, y), _ = complete_rows([np.asarray(first), np.asarray(second)], None)
    n = len(x)
    if n < 3:
        raise InputError(f"Concordance needs at least 3 complete pairs, got {n}.")
    value = concordance_value(x, y)
    sx, sy = x.std(), y.std()
    r = float(np.mean((x - x.mean()) * (y - y.mean())) / (sx * sy)) if sx > 0 < sy else np.nan
    low = high = float("nan")
    if np.isfinite(r) and r != 0 and abs(value) < 1 - 1e-12:
        u = (x.mean() - y.mean()) / np.sqrt(sx * sy)
        c = value
        variance = (
            (1 - r**2) * c**2 / ((1 - c**2) * r**2)
            + 2 * c**3 * (1 - c) * u**2 / (r * (1 - c**2) ** 2)
            - c**4 * u**4 / (2 * r**2 * (1 - c**2) ** 2)
        ) / (n - 2)
        half = 1.959963984540054 * np.sqrt(max(variance, 0.0))
        low, high = (float(v) for v in np.tanh(np.arctanh(c) + np.array([-half, half])))
    return Concordance(value, low, high, r, value / r if r else float("nan"), n)


def concordance_value(x: np.ndarray, y: np.ndarray) -> float:
    """The coefficient alone, for complete arrays (n,); NaN where both are constant and equal."""
    spread = x.var() + y.var() + (x.mean() - y.mean()) ** 2
    return float(2 * np.mean((x - x.mean()) * (y - y.mean())) / spread) if spread > 0 else np.nan


@dataclass(frozen=True)
class Intraclass:
    """One intraclass correlation.

    form : Shrout & Fleiss' name, e.g. "ICC(2,1)"
    description : what it assumes, in words
    low, high : 95 % limits; f, df1, df2, p : the test against 0
    """

    form: str
    description: str
    value: float
    low: float
    high: float
    f: float
    df1: int
    df2: int
    p: float
    targets: int
    judges: int

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return dict(vars(self))


FORMS: dict[str, str] = {
    "ICC(1,1)": "one-way random, single measurement",
    "ICC(2,1)": "two-way random, absolute agreement, single measurement",
    "ICC(3,1)": "two-way mixed, consistency, single measurement",
    "ICC(1,k)": "one-way random, mean of k measurements",
    "ICC(2,k)": "two-way random, absolute agreement, mean of k measurements",
    "ICC(3,k)": "two-way mixed, consistency, mean of k measurements",
}


def intraclass(ratings: np.ndarray) -> dict[str, Intraclass]:
    """All six intraclass correlations of Shrout & Fleiss 1979 (Psychol Bull 86:420–428).

    Limits after McGraw & Wong 1996 (Psychol Methods 1:30–46, from memory).

    Parameters
    ----------
    ratings : (targets, judges); targets with NaN are dropped. At least 3 targets, 2 judges.
    """
    table = np.asarray(ratings, dtype=np.float64)
    if table.ndim != 2 or table.shape[1] < 2:
        raise InputError(f"Expected ratings of (targets, 2 or more judges), got {table.shape}.")
    table = table[np.isfinite(table).all(axis=1)]
    n, k = table.shape
    if n < 3:
        raise InputError(f"Intraclass correlation needs at least 3 complete targets, got {n}.")
    rows, columns, total = table.mean(axis=1), table.mean(axis=0), table.mean()
    between = k * ((rows - total) ** 2).sum() / (n - 1)
    within = ((table - rows[:, None]) ** 2).sum() / (n * (k - 1))
    judges = n * ((columns - total) ** 2).sum() / (k - 1)
    rest = table - rows[:, None] - columns + total
    error = (rest**2).sum() / ((n - 1) * (k - 1))
    singles = {
        "ICC(1,1)": _divide(between - within, between + (k - 1) * within),
        "ICC(2,1)": _divide(between - error, between + (k - 1) * error + k * (judges - error) / n),
        "ICC(3,1)": _divide(between - error, between + (k - 1) * error),
        "ICC(1,k)": _divide(between - within, between),
        "ICC(2,k)": _divide(between - error, between + (judges - error) / n),
        "ICC(3,k)": _divide(between - error, between),
    }
    one_way = (_divide(between, within), n - 1, n * (k - 1))
    two_way = (_divide(between, error), n - 1, (n - 1) * (k - 1))
    absolute = _absolute_limits(singles["ICC(2,1)"], between, judges, error, n, k)
    limits = {
        "1": _ratio_limits(*one_way, k),
        "2": (absolute, (_stepped_up(absolute[0], k), _stepped_up(absolute[1], k))),
        "3": _ratio_limits(*two_way, k),
    }
    from scipy.stats import f as f_distribution

    result = {}
    for form, value in singles.items():
        f, df1, df2 = one_way if form[4] == "1" else two_way
        low, high = limits[form[4]][0 if form[6] == "1" else 1]
        p = float(f_distribution.sf(f, df1, df2))
        result[form] = Intraclass(form, FORMS[form], value, low, high, f, df1, df2, p, n, k)
    return result


def _divide(part: float, whole: float) -> float:
    return float(part / whole) if whole != 0 else float("nan")


def _ratio_limits(
    f: float, df1: int, df2: int, k: int
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Limits of a correlation that is a function of one F: for one and for k measurements."""
    from scipy.stats import f as f_distribution

    low = f / f_distribution.ppf(0.975, df1, df2)
    high = f * f_distribution.ppf(0.975, df2, df1)
    single = (low - 1) / (low + k - 1), (high - 1) / (high + k - 1)
    return (float(single[0]), float(single[1])), (1 - _divide(1, low), 1 - _divide(1, high))


def _absolute_limits(
    value: float, between: float, judges: float, error: float, n: int, k: int
) -> tuple[float, float]:
    from scipy.stats import f as f_distribution

    if not np.isfinite(value) or value >= 1 or error <= 0 or between <= 0:
        return float("nan"), float("nan")
    a = k * value / (n * (1 - value))
    b = 1 + k * value * (n - 1) / (n * (1 - value))
    degrees = (a * judges + b * error) ** 2 / (
        (a * judges) ** 2 / (k - 1) + (b * error) ** 2 / ((n - 1) * (k - 1))
    )
    spread = k * judges + (k * n - k - n) * error
    f_low = f_distribution.ppf(0.975, n - 1, degrees)
    f_high = f_distribution.ppf(0.975, degrees, n - 1)
    low = n * (between - f_low * error) / (f_low * spread + n * between)
    high = n * (f_high * between - error) / (spread + n * f_high * between)
    return float(low), float(high)


def _stepped_up(single: float, k: int) -> float:
    """Spearman–Brown: the correlation of the mean of k from that of one."""
    return k * single / (1 + (k - 1) * single)
