"""Terms of the optimisation: each adds its curvature and slope to a Gauss–Newton step.

All work in the plane's frame after the current affine map: the moving image, landmarks and outlines
of the slide are brought there first, and the unknown displacement u(p) is in plane mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np
from scipy import ndimage

from coreg.alignment.contrast import Channel
from coreg.alignment.evidence import Rows, Scale
from coreg.geometry import Grid


class Basis(Protocol):
    """What `Lattice` and `Tilted` offer."""

    @property
    def size(self) -> int: ...
    def at(self, points: np.ndarray) -> np.ndarray: ...
    def field(self, coefficients: np.ndarray) -> np.ndarray: ...
    def gradient(self, coefficients: np.ndarray) -> np.ndarray: ...
    def gram(self, weights: np.ndarray) -> np.ndarray: ...
    def project(self, values: np.ndarray) -> np.ndarray: ...


@dataclass
class Sums:
    """Energy, its slope (size, 2) and curvature (size, 2, size, 2), added up over terms."""

    size: int
    energy: float = 0.0
    slope: np.ndarray = field(default_factory=lambda: np.empty(0))
    curvature: np.ndarray = field(default_factory=lambda: np.empty(0))

    def __post_init__(self) -> None:
        self.slope = np.zeros((self.size, 2))
        self.curvature = np.zeros((self.size, 2, self.size, 2))

    def add_maps(self, basis: Basis, curves: np.ndarray, pulls: np.ndarray) -> None:
        """Add what each pixel gives: curvature (yy, yx, xx) and slope (y, x) maps."""
        blocks = [basis.gram(curve) for curve in curves]
        self.curvature[:, 0, :, 0] += blocks[0]
        self.curvature[:, 0, :, 1] += blocks[1]
        self.curvature[:, 1, :, 0] += blocks[1]
        self.curvature[:, 1, :, 1] += blocks[2]
        self.slope += np.stack([basis.project(pull) for pull in pulls], axis=1)


class Term(Protocol):
    """Something that pulls on the displacement."""

    def add(self, sums: Sums, basis: Basis, coefficients: np.ndarray) -> None: ...


@dataclass(frozen=True)
class ImageTerm:
    """Squared differences of channels, with outliers (tears, folds, lost tissue) held back.

    Parameters
    ----------
    grid : pixels of the fixed image (plane)
    fixed, moving : channels; the moving ones lie on a wider grid of the same pixels
    fixed_mask, moving_mask : bool, where each is known
    border : pixels by which the moving grid is wider on each side
    robust : differences beyond this many typical ones count ever less (Cauchy weights)
    """

    grid: Grid
    fixed: Sequence[Channel]
    moving: Sequence[Channel]
    fixed_mask: np.ndarray
    moving_mask: np.ndarray
    border: int
    weight: float = 1.0
    robust: float = 1.5

    def __post_init__(self) -> None:
        slopes = [np.gradient(c.values) for c in self.fixed]
        object.__setattr__(self, "_fixed_slopes", slopes)
        object.__setattr__(self, "_moving_slopes", [np.gradient(c.values) for c in self.moving])
        object.__setattr__(self, "_mask", self.moving_mask.astype(np.float32))
        index = np.indices(self.grid.shape, dtype=np.float32) + self.border
        object.__setattr__(self, "_index", index)

    def _look_up(self, u: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        steps = np.asarray(self.grid.spacing, dtype=np.float32)[:, None, None]
        index = self._index + np.moveaxis(u, -1, 0) / steps  # type: ignore[attr-defined]
        seen = ndimage.map_coordinates(self._mask, index, order=1)  # type: ignore[attr-defined]
        return index, np.where(self.fixed_mask, seen, 0)

    def add(self, sums: Sums, basis: Basis, coefficients: np.ndarray) -> None:
        index, seen = self._look_up(basis.field(coefficients))
        total = float(seen.sum())
        if total < 0.05 * seen.size:
            return
        curves = np.zeros((3, *seen.shape))
        pulls = np.zeros((2, *seen.shape))
        for k, (fixed, moving) in enumerate(zip(self.fixed, self.moving, strict=True)):
            difference = ndimage.map_coordinates(moving.values, index, order=1) - fixed.values
            spread = np.sqrt((seen * difference**2).sum() / total) + 1e-9
            weight = self.weight / (spread**2 * fixed.alike_px)
            hold = seen * weight / (1 + (difference / (self.robust * spread)) ** 2)
            slopes = [
                0.5 * (ndimage.map_coordinates(m, index, order=1) + f) / step
                for m, f, step in zip(
                    self._moving_slopes[k],  # type: ignore[attr-defined]
                    self._fixed_slopes[k],  # type: ignore[attr-defined]
                    self.grid.spacing,
                    strict=True,
                )
            ]
            curves[0] += hold * slopes[0] ** 2
            curves[1] += hold * slopes[0] * slopes[1]
            curves[2] += hold * slopes[1] ** 2
            for i in (0, 1):
                pulls[i] += hold * slopes[i] * difference
            sums.energy += 0.5 * float((hold * difference**2).sum())
        sums.add_maps(basis, curves, pulls)

    def similarity(self, u: np.ndarray) -> float:
        """Mean correlation of the channels times the share of the fixed image that is seen."""
        index, seen = self._look_up(u)
        if seen.sum() < 0.05 * seen.size:
            return 0.0
        share = float(seen.sum() / self.fixed_mask.sum())
        scores = []
        for fixed, moving in zip(self.fixed, self.moving, strict=True):
            a, b = fixed.values, ndimage.map_coordinates(moving.values, index, order=1)
            a, b = a - np.average(a, weights=seen), b - np.average(b, weights=seen)
            spread = np.sqrt((seen * a * a).sum() * (seen * b * b).sum())
            scores.append(float((seen * a * b).sum() / spread) if spread > 0 else 0.0)
        return share * float(np.mean(scores))


@dataclass(frozen=True)
class PointTerm:
    """Landmarks: ``u(points) = targets - points``, each with its standard deviation in mm."""

    points: np.ndarray
    targets: np.ndarray
    sd_mm: np.ndarray

    def linear(self, at: np.ndarray, basis: np.ndarray, scale: Scale) -> Rows:
        """What the landmarks say of a displacement's coefficients about points moved to `at`.

        basis : (n, size) at the points; the rows' data are how far they are still off
        """
        miss = self.targets - at
        share = np.minimum(1, 3 / np.maximum(np.linalg.norm(miss, axis=1) / self.sd_mm, 1e-9))
        return Rows(
            np.kron(basis, np.eye(2)),
            miss.ravel(),
            np.repeat(self.sd_mm, 2),
            np.repeat(share, 2),
            scale,
        )

    def scaled(self, by: float) -> PointTerm:
        """The same with all standard deviations multiplied."""
        return replace(self, sd_mm=self.sd_mm * by)

    def add(self, sums: Sums, basis: Basis, coefficients: np.ndarray) -> None:
        b = basis.at(self.points)
        miss = self.points + b @ coefficients - self.targets
        weight = 1 / self.sd_mm**2
        # Beyond three standard deviations the pull no longer grows (Huber): one wrong landmark
        # must not bend the map.
        size = np.linalg.norm(miss, axis=1) / self.sd_mm
        weight = weight * np.minimum(1, 3 / np.maximum(size, 1e-9))
        block = b.T @ (weight[:, None] * b)
        for i in (0, 1):
            sums.curvature[:, i, :, i] += block
            sums.slope[:, i] += b.T @ (weight * miss[:, i])
        sums.energy += 0.5 * float((weight[:, None] * miss**2).sum())


@dataclass(frozen=True)
class CurveTerm:
    """Outlines: points of the plane's curve come to lie on the slide's, free to slide along it.

    Parameters
    ----------
    points : (n, 2) plane mm along the plane's curve
    distance : signed distance in mm to the slide's curve (already in the plane's frame), on `grid`
    sd_mm : standard deviation of the distance between two faithful curves
    share : independent points a point stands for (spacing over the length of alike errors)
    reach : mm beyond which a point is taken to have no partner (a tear, the edge of view)
    """

    points: np.ndarray
    distance: np.ndarray
    grid: Grid
    sd_mm: float
    share: float
    reach: float

    def __post_init__(self) -> None:
        slopes = np.gradient(self.distance, *self.grid.spacing)
        object.__setattr__(self, "_slopes", slopes)

    def misses(self, moved: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Distance of moved points from the curve, and its direction; (n,), (n, 2)."""
        index = self.grid.to_index(moved).T
        miss = ndimage.map_coordinates(self.distance, index, order=1, mode="nearest")
        slopes = self._slopes  # type: ignore[attr-defined]
        normal = [ndimage.map_coordinates(s, index, order=1, mode="nearest") for s in slopes]
        return miss, np.stack(normal, axis=1)

    def linear(self, at: np.ndarray, basis: np.ndarray, scale: Scale) -> Rows:
        """As `PointTerm.linear`; each point of a curve is held across it only."""
        miss, normal = self.misses(at)
        return Rows(
            (basis[:, :, None] * normal[:, None, :]).reshape(len(basis), -1),
            -miss,
            np.full(len(miss), self.sd_mm),
            self.share / (1 + (miss / self.reach) ** 2) ** 2,
            scale,
        )

    def scaled(self, by: float) -> CurveTerm:
        """The same with the standard deviation multiplied."""
        return replace(self, sd_mm=self.sd_mm * by)

    def add(self, sums: Sums, basis: Basis, coefficients: np.ndarray) -> None:
        b = basis.at(self.points)
        miss, normal = self.misses(self.points + b @ coefficients)
        hold = self.share / self.sd_mm**2 / (1 + (miss / self.reach) ** 2) ** 2
        for i in (0, 1):
            for j in (0, 1):
                weight = hold * normal[:, i] * normal[:, j]
                sums.curvature[:, i, :, j] += b.T @ (weight[:, None] * b)
            sums.slope[:, i] += b.T @ (hold * normal[:, i] * miss)
        sums.energy += 0.5 * float((hold * miss**2).sum())


def solve(
    basis: Basis,
    terms: Sequence[Term],
    prior: np.ndarray,
    coefficients: np.ndarray,
    *,
    iterations: int,
    tolerance_mm: float,
    area_range: tuple[float, float],
) -> tuple[np.ndarray, np.ndarray]:
    """Gauss–Newton steps on the sum of terms and the prior ``½ c' prior c`` (for each direction).

    Each step is shortened until the local area stays inside `area_range`: nothing folds.

    Returns
    -------
    coefficients (size, 2) and the curvature there (2 size, 2 size), ordered (function, direction)
    """
    both = np.kron(prior, np.eye(2))
    matrix = both
    for _ in range(iterations):
        sums = Sums(basis.size)
        for term in terms:
            term.add(sums, basis, coefficients)
        matrix = sums.curvature.reshape(2 * basis.size, -1) + both
        slope = sums.slope.ravel() + both @ coefficients.ravel()
        step = _solved(matrix, slope).reshape(-1, 2)
        share = _longest_share(basis, coefficients, step, area_range)
        coefficients = coefficients - share * step
        if np.abs(basis.field(share * step)).max() < tolerance_mm:
            break
    return coefficients, matrix


def _solved(matrix: np.ndarray, slope: np.ndarray) -> np.ndarray:
    from scipy import linalg

    # A trace of damping: functions that nothing holds (beyond the image) stay where they are.
    damped = matrix + np.eye(len(matrix)) * 1e-9 * np.trace(matrix) / len(matrix)
    return np.asarray(linalg.solve(damped, slope, assume_a="pos", check_finite=False))


def _longest_share(
    basis: Basis, coefficients: np.ndarray, step: np.ndarray, area_range: tuple[float, float]
) -> float:
    share = 1.0
    for _ in range(8):
        area = _determinant(basis.gradient(coefficients - share * step))
        if area_range[0] < area.min() and area.max() < area_range[1]:
            return share
        share /= 2
    return 0.0


def _determinant(gradient: np.ndarray) -> np.ndarray:
    return np.asarray(
        (1 + gradient[..., 0, 0]) * (1 + gradient[..., 1, 1])
        - gradient[..., 0, 1] * gradient[..., 1, 0]
    )
