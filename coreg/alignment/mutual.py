"""Mutual information as a term of the optimisation: for contrasts that no formula relates.

Source: P. Viola, W. M. Wells, Int. J. Comput. Vis. 24, 1997, 137–154; P. Thévenaz, M. Unser, IEEE
Trans. Image Process. 9, 2000, 2083–2099 (joint histogram by Parzen windows).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from coreg.alignment.terms import Basis, ImageTerm, Sums

# Bins a side of the joint histogram, and the Parzen window's standard deviation in bins.
BINS, WINDOW = 32, 1.0
# Range of a channel that the bins span, in its standard deviations about its mean.
_SPAN = 3.0


@dataclass(frozen=True)
class JointHistogram:
    """How often two maps' values occur together.

    table : (BINS, BINS) probabilities of (fixed, moving), sum 1, smoothed by the Parzen window
    low, step : value of the first bin's centre and between bins, for (fixed, moving)
    """

    table: np.ndarray
    low: tuple[float, float]
    step: tuple[float, float]

    @classmethod
    def of(
        cls,
        fixed: np.ndarray,
        moving: np.ndarray,
        weights: np.ndarray,
        *,
        bins: int = BINS,
        window: float = WINDOW,
    ) -> JointHistogram:
        """From values (n,) each and weights (n,) of 0 or more, not all 0."""
        ranges = [_range_of(v, weights) for v in (fixed, moving)]
        index = [
            np.clip(((v - low) / (high - low) * bins).astype(int), 0, bins - 1)
            for v, (low, high) in zip((fixed, moving), ranges, strict=True)
        ]
        counts = np.bincount(index[0] * bins + index[1], weights, bins * bins).reshape(bins, bins)
        if window > 0:
            counts = ndimage.gaussian_filter(counts, window, mode="constant")
        steps = [(high - low) / bins for low, high in ranges]
        first = [low + step / 2 for (low, _), step in zip(ranges, steps, strict=True)]
        return cls(counts / counts.sum(), (first[0], first[1]), (steps[0], steps[1]))

    @property
    def information(self) -> float:
        """Mutual information in nats; 0 where the maps tell nothing of each other."""
        return float((self.table * self._log_ratio()).sum())

    def _log_ratio(self) -> np.ndarray:
        expected = self.table.sum(axis=1, keepdims=True) * self.table.sum(axis=0)
        known = self.table > 0
        return np.log(np.where(known, self.table, 1) / np.where(known, expected, 1))

    def look_up(self, fixed: np.ndarray, moving: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """``log p(f, m) / p(f) p(m)`` at each pair, and its derivative with m; shape of `fixed`."""
        floor = 1e-3 / self.table.size
        ratio = JointHistogram(self.table + floor, self.low, self.step)._log_ratio()
        slope = np.gradient(ratio, axis=1) / self.step[1]
        at = [
            (v - low) / step
            for v, low, step in zip((fixed, moving), self.low, self.step, strict=True)
        ]
        return (
            ndimage.map_coordinates(ratio, at, order=1, mode="nearest"),
            ndimage.map_coordinates(slope, at, order=1, mode="nearest"),
        )


@dataclass(frozen=True)
class MutualTerm(ImageTerm):
    """Mutual information of the channels, each with its partner.

    Each pixel's log ratio of joint to separate probability is a log likelihood: its derivative
    gives the slope, and the derivative's square the curvature (Fisher scoring).
    """

    def add(self, sums: Sums, basis: Basis, coefficients: np.ndarray) -> None:
        index, seen = self._look_up(basis.field(coefficients))
        if float(seen.sum()) < 0.05 * seen.size:
            return
        curves, pulls = np.zeros((3, *seen.shape)), np.zeros((2, *seen.shape))
        for k, (fixed, moving) in enumerate(zip(self.fixed, self.moving, strict=True)):
            values = ndimage.map_coordinates(moving.values, index, order=1)
            joint = JointHistogram.of(fixed.values.ravel(), values.ravel(), seen.ravel())
            ratio, pull = joint.look_up(fixed.values, values)
            hold = seen * self.weight / fixed.alike_px
            slopes = [
                ndimage.map_coordinates(m, index, order=1) / step
                for m, step in zip(
                    self._moving_slopes[k],  # type: ignore[attr-defined]
                    self.grid.spacing,
                    strict=True,
                )
            ]
            curves[0] += hold * pull**2 * slopes[0] ** 2
            curves[1] += hold * pull**2 * slopes[0] * slopes[1]
            curves[2] += hold * pull**2 * slopes[1] ** 2
            for i in (0, 1):
                pulls[i] -= hold * pull * slopes[i]
            sums.energy -= float((hold * ratio).sum())
        sums.add_maps(basis, curves, pulls)

    def similarity(self, u: np.ndarray) -> float:
        """Mean of ``sqrt(1 - exp(-2 information))`` times the share of the fixed image seen: the
        correlation that normal values of that information would have (E. H. Linfoot, Inf. Control
        1, 1957, 85–89)."""
        index, seen = self._look_up(u)
        if seen.sum() < 0.05 * seen.size:
            return 0.0
        scores = []
        for fixed, moving in zip(self.fixed, self.moving, strict=True):
            values = ndimage.map_coordinates(moving.values, index, order=1)
            joint = JointHistogram.of(fixed.values.ravel(), values.ravel(), seen.ravel())
            scores.append(np.sqrt(1 - np.exp(-2 * max(joint.information, 0.0))))
        return float(seen.sum() / self.fixed_mask.sum()) * float(np.mean(scores))


def _range_of(values: np.ndarray, weights: np.ndarray) -> tuple[float, float]:
    """Where most of the values lie; outliers fall into the outermost bins."""
    total = weights.sum()
    mean = float((weights * values).sum() / total)
    spread = float(np.sqrt((weights * (values - mean) ** 2).sum() / total)) or 1.0
    used = values[weights > 0]
    low = max(float(used.min()), mean - _SPAN * spread)
    high = min(float(used.max()), mean + _SPAN * spread)
    return (low, high) if high > low else (low - 0.5, low + 0.5)
