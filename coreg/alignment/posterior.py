"""The posterior of an image fit: Laplace's approximation on a coarse lattice."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from coreg.alignment.lattice import Lattice
from coreg.alignment.terms import Sums, Term
from coreg.alignment.uncertainty import Posterior
from coreg.transforms import Family, Warp

if TYPE_CHECKING:
    from coreg.alignment.intensity import IntensityOptions

# Pieces along the longer side: errors that matter over a lesion are at least as smooth as this.
_PIECES = 8
_MOST_MODES = 40


def lattice_posterior(
    transform: Warp,
    lattice: Lattice,
    coefficients: np.ndarray,
    terms: Sequence[Term],
    options: IntensityOptions,
) -> Posterior:
    """Deviations that the terms and the prior leave open about the optimum.

    The terms' curvature is taken at the optimum, on a coarser lattice; its inverse is the
    covariance, brought from plane to slide mm by the affine part.
    """
    from coreg.alignment.intensity import prior_of

    longest = max(lattice.grid.size)
    coarse = Lattice(lattice.grid, longest / _PIECES)
    sums = Sums(coarse.size)
    shifted = _Shifted(coarse, lattice, coefficients)
    for term in terms:
        term.add(sums, shifted, np.zeros((coarse.size, 2)))
    prior = np.kron(prior_of(coarse, options, longest), np.eye(2))
    matrix = sums.curvature.reshape(2 * coarse.size, -1) + prior
    values, vectors = np.linalg.eigh(matrix)
    keep = values > 1e-9 * values.max()
    root = (vectors[:, keep] / np.sqrt(values[keep])).reshape(coarse.size, 2, -1)
    root = np.einsum("ij,mjk->mik", transform.affine.matrix, root)
    # The few shapes that carry the spread over the plane, shared by both directions.
    step = max(1, int(np.sqrt(np.prod(lattice.grid.shape) / 900)))
    points = lattice.grid.to_mm(
        np.stack(
            np.meshgrid(*[np.arange(0, n, step) for n in lattice.grid.shape], indexing="ij"),
            axis=-1,
        ).reshape(-1, 2)
    )
    basis = coarse.at(points)
    moved = np.concatenate([basis @ root[:, 0], basis @ root[:, 1]], axis=1)
    _, singular, _ = np.linalg.svd(moved, full_matrices=False)
    share = np.cumsum(singular**2) / (singular**2).sum()
    r = min(int(np.searchsorted(share, 0.995)) + 1, _MOST_MODES)
    # Shapes as coefficients: the leading left directions of basis @ root, solved back.
    left = np.linalg.svd(moved, full_matrices=False)[0][:, :r]
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
    return Posterior(family, projected)


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
