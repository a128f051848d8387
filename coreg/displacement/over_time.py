"""Change over treatment inside an outline: level, spread, onset of stiffening, lesion area."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from coreg.displacement.change import Change
from coreg.displacement.lesion import LesionOptions, predict_lesion
from coreg.errors import InputError
from coreg.geometry import Grid, Outline, mask_from_outlines


@dataclass(frozen=True)
class Onset:
    """When the change starts.

    Attributes
    ----------
    time_s : onset of stiffening; NaN where no change was found
    interval_s : (low, high) profile-likelihood interval at `level`
    end_s : when the change stops growing; the last time where it does not
    plateau_percent : level after `end_s`
    level : e.g. 0.95
    p_value : of the test (F) that there is any change at all
    reason : "" or why there is no onset
    """

    time_s: float
    interval_s: tuple[float, float]
    end_s: float
    plateau_percent: float
    level: float
    p_value: float
    reason: str = ""


@dataclass(frozen=True)
class Course:
    """Change over treatment inside an outline.

    Attributes
    ----------
    times_s : (times,)
    mean, median, deviation, low, high : (times,) per cent; `low` and `high` are the quartiles. NaN
        at times without a valid pixel
    pixels : (times,) how many valid pixels
    area_mm2 : (times,) area of the predicted lesion by the same rule at every time
    onset : when stiffening starts
    """

    times_s: np.ndarray
    mean: np.ndarray
    median: np.ndarray
    deviation: np.ndarray
    low: np.ndarray
    high: np.ndarray
    pixels: np.ndarray
    area_mm2: np.ndarray
    onset: Onset


def course(
    change: Change,
    times_s: np.ndarray,
    region: Iterable[Outline] | np.ndarray,
    grid: Grid,
    *,
    options: LesionOptions | None = None,
    valid: np.ndarray | None = None,
    level: float = 0.95,
) -> Course:
    """Follow the change inside a region.

    Parameters
    ----------
    change : a series, maps of shape (times, depth, lateral)
    times_s : (times,) rising
    region : outlines in plane mm, or a (depth, lateral) bool mask
    options : the rule for the lesion's area at each time
    valid : (depth, lateral) bool, pixels to trust
    """
    if change.percent.ndim != 3:
        raise InputError("A course needs a series of maps over treatment, got a single map.")
    times = np.asarray(times_s, dtype=np.float64)
    if times.shape != (len(change.percent),) or (np.diff(times) <= 0).any():
        raise InputError(
            f"Expected {len(change.percent)} rising treatment times, got shape {times.shape}."
        )
    inside = region if isinstance(region, np.ndarray) else mask_from_outlines(region, grid)
    if inside.shape != grid.shape:
        raise InputError(f"Expected a region of shape {grid.shape}, got {inside.shape}.")
    if valid is not None:
        inside = inside & valid
    if not inside.any():
        raise InputError("The outline holds no valid pixel of the displacement map; move it.")
    statistics = np.full((6, len(times)), np.nan)
    areas = np.zeros(len(times))
    for i in range(len(times)):
        now = change.at(i)
        values = now.percent[inside].astype(np.float64)
        values = values[np.isfinite(values)]
        statistics[5, i] = len(values)
        if len(values):
            statistics[:5, i] = (
                values.mean(),
                np.median(values),
                values.std(ddof=1) if len(values) > 1 else np.nan,
                *np.percentile(values, [25, 75]),
            )
        areas[i] = predict_lesion(now, options, grid=grid, valid=valid).area
    mean, median, deviation, low, high, pixels = statistics
    return Course(
        times,
        mean,
        median,
        deviation,
        low,
        high,
        pixels.astype(np.int64),
        areas,
        onset_of_change(times, median, level=level),
    )


def onset_of_change(times_s: np.ndarray, values: np.ndarray, *, level: float = 0.95) -> Onset:
    """Change point of a course that is flat, then falls, then may level off.

    The course is modelled as constant up to the onset, straight to the end of the fall, constant
    after; onset and end are searched on a fine grid, the two levels by least squares. The interval
    holds all onsets whose residual sum of squares is within an F quantile of the best (profile
    likelihood). Neighbouring residuals that go together, as where a lesion grows into the outline
    and rounds the course, count for fewer degrees of freedom and widen it.

    Parameters
    ----------
    times_s : (times,) rising
    values : (times,) per cent; NaN is left out

    Returns
    -------
    Onset; with a reason and NaN where fewer than 6 values are finite, or no fall stands out
    """
    from scipy.stats import f as f_distribution

    good = np.isfinite(values)
    t, y = np.asarray(times_s, float)[good], np.asarray(values, float)[good]
    nothing = (float("nan"), float("nan"))
    if len(t) < 6:
        reason = f"An onset needs at least 6 treatment times with a valid change, got {len(t)}."
        return Onset(float("nan"), nothing, float("nan"), float("nan"), level, float("nan"), reason)
    knots = np.linspace(t[0], t[-1], 5 * min(len(t), 40) + 1)
    # Ramp from 0 at the start to 1 at the end, for every pair start < end: (pairs, times).
    first, last = np.triu_indices(len(knots), k=1)
    ramps = np.clip((t - knots[first, None]) / (knots[last] - knots[first])[:, None], 0, 1)
    centred = ramps - ramps.mean(axis=1, keepdims=True)
    deviation = y - y.mean()
    power = (centred**2).sum(axis=1)
    slope = np.divide(centred @ deviation, power, out=np.zeros_like(power), where=power > 1e-12)
    total = float((deviation**2).sum())
    rest = total - slope**2 * power
    rest[(slope >= 0) | (power <= 1e-12)] = total
    best = int(np.argmin(rest))
    residual = deviation - slope[best] * centred[best]
    freedom = _freedom(residual, 4)  # onset, end and two levels
    scale = max(float(rest[best]), 1e-12 * max(total, 1e-300)) / freedom
    statistic = (total - float(rest[best])) / 3 / scale
    p_value = float(f_distribution.sf(statistic, 3, freedom))
    if total == 0 or not p_value < 1 - level:
        reason = "No fall of displacement stands out over treatment."
        return Onset(float("nan"), nothing, float("nan"), float("nan"), level, p_value, reason)
    profile = np.full(len(knots), np.inf)
    np.minimum.at(profile, first, rest)
    limit = float(rest[best]) + scale * float(f_distribution.ppf(level, 1, freedom))
    inside, step = knots[profile <= limit], float(knots[1] - knots[0])
    start = float(y.mean() - slope[best] * ramps[best].mean())
    return Onset(
        float(knots[first[best]]),
        # The limit is crossed somewhere in the next step of the grid: take all of that step.
        (
            max(float(inside.min()) - step, float(t[0])),
            min(float(inside.max()) + step, float(t[-1])),
        ),
        float(knots[last[best]]),
        start + float(slope[best]),
        level,
        p_value,
    )


def _freedom(residual: np.ndarray, parameters: int) -> float:
    """Degrees of freedom left, fewer where neighbouring residuals correlate (first order)."""
    power = float((residual**2).sum())
    together = float((residual[1:] * residual[:-1]).sum()) / power if power > 0 else 0.0
    together = min(max(together, 0.0), 0.9)
    return max(1.0, len(residual) * (1 - together) / (1 + together) - parameters)
