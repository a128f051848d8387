"""What is left open about an optimum on the lattice: the posterior of image and outline fits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from coreg.alignment.evidence import Scale, averaged
from coreg.alignment.lattice import Lattice
from coreg.alignment.terms import CurveTerm, PointTerm, Sums, Term, solve
from coreg.alignment.uncertainty import Posterior
from coreg.geometry import Grid
from coreg.transforms import Affine, Family, Warp

if TYPE_CHECKING:
    from coreg.alignment.intensity import IntensityOptions

# Pieces along the longer side: errors that matter over a lesion are at least as smooth as this.
_PIECES = 8
_MOST_MODES = 40

# What is believed of a case before its outlines and landmarks are looked at, in units of the
# options: chosen on demo cases of seeds from 200 on, so that intervals hold there.
_STRAIN, _POINTS, _CURVES = Scale(0.25, 2.0), Scale(1.0, 1.4), Scale(0.75, 1.5)
_SMOOTHER = 2.5  # length over which displacement is alike; images resolve shorter bends
# Cases differ more than one posterior knows (sections off the plane): heavy tails.
_DEGREES = 5.0


def curvature_posterior(
    affine: Affine,
    lattice: Lattice,
    coefficients: np.ndarray,
    terms: Sequence[Term],
    options: IntensityOptions,
) -> Posterior:
    """Laplace's approximation: the inverse of the curvature of terms and prior at the optimum.

    The curvature is taken on a coarser lattice, and brought from plane to slide mm by the affine
    part.
    """
    longest = max(lattice.grid.size)
    coarse = Lattice(lattice.grid, longest / _PIECES)
    sums = Sums(coarse.size)
    shifted = _Shifted(coarse, lattice, coefficients)
    for term in terms:
        term.add(sums, shifted, np.zeros((coarse.size, 2)))
    prior = coarse.prior(options.strain, options.bend_length * longest)
    matrix = sums.curvature.reshape(2 * coarse.size, -1) + np.kron(prior, np.eye(2))
    values, vectors = np.linalg.eigh(matrix)
    keep = values > 1e-9 * values.max()
    root = vectors[:, keep] / np.sqrt(values[keep])
    return _posterior(as_warp(affine, lattice, coefficients), coarse, root)


def judged_posterior(
    affine: Affine,
    lattice: Lattice,
    coefficients: np.ndarray,
    terms: Sequence[Term],
    options: IntensityOptions,
) -> tuple[np.ndarray, Posterior]:
    """The optimum and its posterior with the case's own strain and spreads.

    `terms` are landmarks and outlines. How far the tissue bends and how far they lie off is judged
    from them (`coreg.alignment.evidence`); the optimum is found anew with what was judged, and the
    posterior is averaged over what they leave open.

    Returns the lattice's new coefficients (size, 2) and the posterior.
    """
    held = [term for term in terms if isinstance(term, PointTerm | CurveTerm)]
    longest = max(lattice.grid.size)
    length = _SMOOTHER * options.bend_length * longest
    coarse = Lattice(lattice.grid, longest / _PIECES)
    start = coarse.carried(lattice, coefficients)
    rows = []
    for term in held:
        at = term.points + lattice.at(term.points) @ coefficients
        scale = _POINTS if isinstance(term, PointTerm) else _CURVES
        rows.append(term.linear(at, coarse.at(term.points), scale))
    smooth = coarse.prior(options.strain, length, flat=True)
    found = averaged(lambda strain: smooth / strain**2, [_STRAIN], rows, start.ravel())
    best, _ = solve(
        lattice,
        [term.scaled(by) for term, by in zip(held, found.noise, strict=True)],
        lattice.prior(options.strain * found.prior[0], length, flat=True),
        coefficients,
        iterations=6,
        tolerance_mm=0.02 * lattice.grid.spacing[0],
        area_range=options.area_range,
    )
    values, vectors = np.linalg.eigh(found.covariance)
    keep = values > 1e-9 * values.max()
    # The average lies a little beside the optimum; this is part of the error.
    beside = found.mean - coarse.carried(lattice, best).ravel()
    root = np.column_stack([vectors[:, keep] * np.sqrt(values[keep]), beside])
    return best, _posterior(as_warp(affine, lattice, best), coarse, root, _DEGREES)


def as_warp(affine: Affine, lattice: Lattice, coefficients: np.ndarray) -> Warp:
    """Sample the lattice at a third of its step: between the samples splines differ by little."""
    top, left, bottom, right = lattice.grid.bounds
    shape = tuple(
        max(4, int(np.ceil((b - a) / lattice.step * 3)) + 1)
        for a, b in ((top, bottom), (left, right))
    )
    spacing = ((bottom - top) / (shape[0] - 1), (right - left) / (shape[1] - 1))
    grid = Grid((shape[0], shape[1]), spacing, (top, left), "plane")
    return Warp(affine, grid, lattice.field_on(grid, coefficients))


def _posterior(
    transform: Warp, coarse: Lattice, root: np.ndarray, degrees: float = np.inf
) -> Posterior:
    """Deviations ``root @ z`` of the lattice's coefficients, as the few shapes that carry them.

    root : (2 size, k) in plane mm, rows ordered (function, direction)
    """
    root = root.reshape(coarse.size, 2, -1)
    root = np.einsum("ij,mjk->mik", transform.affine.matrix, root)
    step = max(1, int(np.sqrt(np.prod(coarse.grid.shape) / 900)))
    points = coarse.grid.to_mm(
        np.stack(
            np.meshgrid(*[np.arange(0, n, step) for n in coarse.grid.shape], indexing="ij"),
            axis=-1,
        ).reshape(-1, 2)
    )
    basis = coarse.at(points)
    moved = np.concatenate([basis @ root[:, 0], basis @ root[:, 1]], axis=1)
    left, singular, _ = np.linalg.svd(moved, full_matrices=False)
    share = np.cumsum(singular**2) / (singular**2).sum()
    r = min(int(np.searchsorted(share, 0.995)) + 1, _MOST_MODES)
    # Shapes as coefficients: the leading left directions, solved back.
    left = left[:, :r]
    shapes = np.linalg.lstsq(basis, left, rcond=1e-6)[0]
    family = Family(
        transform,
        coarse.grid.to_mm((0, 0))[0],
        coarse.step,
        coarse.nodes,
        "b-spline",
        np.concatenate([np.zeros((3, r)), shapes]),
    )
    projected = np.stack([left.T @ (basis @ root[:, i]) for i in (0, 1)], axis=1)
    return Posterior(family, projected, degrees)


class _Shifted:
    """A lattice whose terms are looked at about another lattice's displacement."""

    def __init__(self, coarse: Lattice, fine: Lattice, coefficients: np.ndarray) -> None:
        self.grid = coarse.grid
        self.size = coarse.size
        self._coarse = coarse
        self._fine = fine
        self._coefficients = coefficients

    def at(self, points: np.ndarray) -> np.ndarray:
        return self._coarse.at(points)

    def field(self, coefficients: np.ndarray) -> np.ndarray:
        return self._fine.field(self._coefficients)

    def gradient(self, coefficients: np.ndarray) -> np.ndarray:
        return self._fine.gradient(self._coefficients)

    def gram(self, weights: np.ndarray) -> np.ndarray:
        return self._coarse.gram(weights)

    def project(self, values: np.ndarray) -> np.ndarray:
        return self._coarse.project(values)
