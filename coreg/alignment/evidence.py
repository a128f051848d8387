"""Scales that nobody knows beforehand, judged from what is to be aligned.

How far tissue bends and how far observers' points and outlines lie off differ from case to case.
Each is a scale with a weak log-normal prior; the data weigh the scales by the evidence (marginal
likelihood) of a linear Gaussian model (D. J. C. MacKay, Neural Comput. 4, 1992, 415–447).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

# Step in the logarithm of a scale for the evidence's curvature at its maximum.
_STEP = 0.1


@dataclass(frozen=True)
class Scale:
    """A positive number: its median beforehand, and the factor that one standard deviation is."""

    median: float = 1.0
    factor: float = 1.5

    def __post_init__(self) -> None:
        if not (self.median > 0 and self.factor >= 1):
            raise ValueError(f"Expected a median above 0 and a factor of 1 or more, got {self}.")


@dataclass(frozen=True)
class Rows:
    """Observations of one kind: ``data = design @ c + noise``.

    Parameters
    ----------
    design : (m, k), columns ordered (function, direction); data : (m,)
    sd : (m,) standard deviation of the noise, times a common scale
    share : (m,) independent observations that each row stands for
    scale : what multiplies all `sd`
    """

    design: np.ndarray
    data: np.ndarray
    sd: np.ndarray
    share: np.ndarray
    scale: Scale


@dataclass(frozen=True)
class Averaged:
    """The unknowns given the data, averaged over the scales.

    mean (k,), covariance (k, k) : of the unknowns, the scales' uncertainty included
    prior : the likeliest scales of the unknowns' prior; noise : one a kind of rows
    """

    mean: np.ndarray
    covariance: np.ndarray
    prior: tuple[float, ...]
    noise: tuple[float, ...]


def averaged(
    precision: Callable[..., np.ndarray],
    prior: Sequence[Scale],
    rows: Sequence[Rows],
    about: np.ndarray | None = None,
) -> Averaged:
    """Average the posterior of a smooth displacement's coefficients over all scales.

    Parameters
    ----------
    precision : of the prior scales' values gives (k / 2, k / 2), the same for both directions; it
        may be singular: those shapes are flat beforehand, the same ones at all scales (those that
        the data do not hold either get no variance)
    prior, rows : the scales of the prior, and at least one kind of rows
    about : (k,) coefficients from which the rows' data are measured; None is 0

    The evidence is maximised, and its curvature there says how far each scale may be off.
    """
    from scipy import optimize

    parts = [_Part.of(kind, about) for kind in rows]
    every = (*prior, *(kind.scale for kind in rows))
    open_ = [i for i, scale in enumerate(every) if scale.factor > 1]
    sd = np.log([every[i].factor for i in open_])

    def at(z: np.ndarray) -> list[float]:
        scales = [scale.median for scale in every]
        for i, value in zip(open_, z * sd, strict=True):
            scales[i] = every[i].median * float(np.exp(value))
        return scales

    def loss(z: np.ndarray) -> float:
        scales = at(z)
        score, _, _ = _posterior(precision(*scales[: len(prior)]), parts, scales[len(prior) :])
        return 0.5 * float(z @ z) - score

    best = np.zeros(len(open_))
    points = [best]
    if open_:
        found = optimize.minimize(loss, best, method="L-BFGS-B", bounds=[(-3, 3)] * len(open_))
        best = found.x
        points = [best, *_around(loss, best)]
    means, covariances = [], []
    for z in points:
        scales = at(z)
        _, mean, covariance = _posterior(
            precision(*scales[: len(prior)]), parts, scales[len(prior) :], spread=True
        )
        means.append(mean)
        covariances.append(covariance)
    mean = np.mean(means, axis=0)
    off = np.array(means) - mean
    covariance = np.mean(covariances, axis=0) + off.T @ off / len(points)
    scales = at(best)
    return Averaged(mean, covariance, tuple(scales[: len(prior)]), tuple(scales[len(prior) :]))


def _around(loss: Callable[[np.ndarray], float], best: np.ndarray) -> list[np.ndarray]:
    """Points that stand for the scales' spread about the best: two along each."""
    middle, points = loss(best), []
    for i in range(len(best)):
        step = _STEP * np.eye(len(best))[i]
        curve = (loss(best + step) - 2 * middle + loss(best - step)) / _STEP**2
        # The prior alone has curvature 1; equal weights ask for the root of half the points.
        sd = 1 / np.sqrt(max(curve, 1.0))
        reach = sd * np.sqrt(len(best) + 0.5) * np.eye(len(best))[i]
        points += [best + reach, best - reach]
    return points


@dataclass(frozen=True)
class _Part:
    """The sums over one kind of rows that no scale changes."""

    gram: np.ndarray
    slope: np.ndarray
    square: float
    count: float

    @classmethod
    def of(cls, rows: Rows, about: np.ndarray | None) -> _Part:
        data = rows.data if about is None else rows.data + rows.design @ about
        weight = rows.share / rows.sd**2
        weighted = rows.design * weight[:, None]
        return cls(
            rows.design.T @ weighted,
            weighted.T @ data,
            float((weight * data**2).sum()),
            float(rows.share.sum()),
        )


def _posterior(
    precision: np.ndarray, parts: Sequence[_Part], noise: Sequence[float], spread: bool = False
) -> tuple[float, np.ndarray, np.ndarray]:
    """Log evidence (but for a constant), posterior mean, and covariance where `spread` is asked."""
    from scipy import linalg

    held = np.linalg.eigvalsh(precision)
    held = held[held > 1e-9 * held.max()]
    matrix = np.kron(precision, np.eye(2))
    right = np.zeros(len(matrix))
    score = float(np.log(held).sum())  # a half for each of two directions
    for part, scale in zip(parts, noise, strict=True):
        matrix += part.gram / scale**2
        right += part.slope / scale**2
        score -= 0.5 * part.square / scale**2 + part.count * np.log(scale)
    matrix += np.eye(len(matrix)) * 1e-10 * np.trace(matrix) / len(matrix)
    factor = linalg.cho_factor(matrix, lower=True, check_finite=False)
    mean = linalg.cho_solve(factor, right, check_finite=False)
    score += 0.5 * float(right @ mean) - float(np.log(np.diag(factor[0])).sum())
    return score, mean, _inverse(matrix) if spread else matrix


def _inverse(matrix: np.ndarray) -> np.ndarray:
    """Inverse of a covariance's precision; directions that nothing holds get no variance."""
    values, vectors = np.linalg.eigh(matrix)
    kept = values > 1e-9 * values.max()
    return np.asarray((vectors[:, kept] / values[kept]) @ vectors[:, kept].T)
