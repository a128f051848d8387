"""Thin-plate splines through landmarks, with smoothing chosen from the landmarks themselves.

The fit minimises ``sum_i w_i |s_i - f(p_i)|² + smoothing * bending energy`` in coordinates that are
centred and divided by the landmarks' spread, in float64. Smoothing 0 interpolates; infinity is the
affine fit. Sources: F. L. Bookstein, IEEE Trans. Pattern Anal. Mach. Intell. 11, 1989, 567–585;
G. Wahba, Spline Models for Observational Data, SIAM, 1990 (leave-one-out from the hat matrix,
generalised cross-validation).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from coreg.alignment.linear import fit_linear
from coreg.errors import InputError
from coreg.transforms import Affine, ThinPlate, thin_plate_kernel

Smoothing = Literal["leave-one-out", "gcv"] | float

_CANDIDATES = np.concatenate([[0.0], np.logspace(-6, 4, 61), [np.inf]])


@dataclass(frozen=True)
class ThinPlateFit:
    """A fitted spline, its smoothing, and its hat matrix's diagonal (n,) and trace."""

    transform: ThinPlate
    smoothing: float
    leverage: np.ndarray
    degrees: float
    note: str = ""


@dataclass(frozen=True)
class _Basis:
    """The fit's parts that no smoothing changes, in normalised plane coordinates."""

    kernel: np.ndarray  # (n, n)
    root: np.ndarray  # (n,) square root of the weights
    polynomial: np.ndarray  # (n, 3)
    vectors: np.ndarray  # (n, n - 3) eigenvectors of bending, in weighted coordinates
    values: np.ndarray  # (n - 3,) their bending
    centre: np.ndarray
    scale: float


def fit_thin_plate(
    plane: np.ndarray,
    slide: np.ndarray,
    weights: np.ndarray | None = None,
    smoothing: Smoothing = "leave-one-out",
    *,
    check_folds: bool = True,
) -> ThinPlateFit:
    """Fit a thin-plate spline from plane mm (n, 2) to slide mm (n, 2).

    Parameters
    ----------
    weights : (n,) above 0; all equal where None. Scaled to a mean of 1
    smoothing : "leave-one-out" and "gcv" choose it; a number (>= 0, infinity allowed) sets it
    check_folds : whether to look for folds at all (a fit that serves as one of many need not)

    Raises `InputError` where the points are too few, repeated or on one line. Where the chosen
    smoothing would fold the plane, the next larger that does not is taken, and the note says so;
    a set number that folds raises.
    """
    w = np.ones(len(plane)) if weights is None else np.asarray(weights, dtype=np.float64)
    w = w / w.mean()
    fit_linear(plane, slide, "affine", w)  # says what is wrong with degenerate sets
    _check_repeated(plane)
    basis = _basis(plane, w)
    centre_slide = slide.mean(axis=0)
    y = basis.root[:, None] * (slide - centre_slide)
    if isinstance(smoothing, str):
        order = _ranked(basis, y, smoothing)
    else:
        if not smoothing >= 0:
            raise InputError(f"Expected a smoothing of 0 or more, got {smoothing}.")
        order = np.array([float(smoothing)])
    chosen = float(order[0])
    for value in order:
        transform = _solve(basis, y, float(value), plane, centre_slide)
        if not check_folds or not folds(transform, plane):
            break
    else:
        raise InputError(
            f"The spline through these landmarks folds the plane at smoothing {chosen:g}; check "
            "for swapped landmarks, or let the smoothing be chosen."
        )
    note = ""
    if value != chosen:
        note = "The spline was smoothed more than its landmarks ask for, so that it does not fold."
    leverage, degrees = _leverage(basis, float(value))
    return ThinPlateFit(transform, float(value), leverage, degrees, note)


def folds(transform: ThinPlate, plane: np.ndarray, steps: int = 25) -> bool:
    """Whether the map turns over anywhere in the landmarks' bounding box, widened by a tenth."""
    low, high = plane.min(axis=0), plane.max(axis=0)
    margin = 0.1 * (high - low)
    axes = [np.linspace(low[i] - margin[i], high[i] + margin[i], steps) for i in (0, 1)]
    points = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 2)
    determinant = np.linalg.det(transform.jacobian(np.concatenate([points, plane])))
    sign = np.sign(np.linalg.det(transform.affine.matrix))
    return bool((determinant * sign <= 0).any())


def _check_repeated(plane: np.ndarray) -> None:
    spread = np.sqrt(plane.var(axis=0).sum())
    distance = np.linalg.norm(plane[:, None] - plane[None], axis=2)
    distance[np.tril_indices(len(plane))] = np.inf
    if distance.min() < 1e-6 * spread:
        i, j = np.unravel_index(np.argmin(distance), distance.shape)
        raise InputError(
            f"Landmarks {i + 1} and {j + 1} lie at the same place in the imaging plane; remove "
            "one, or use their mean."
        )


def _basis(plane: np.ndarray, w: np.ndarray) -> _Basis:
    centre = plane.mean(axis=0)
    scale = float(np.sqrt(plane.var(axis=0).sum()))
    q = (plane - centre) / scale
    kernel, polynomial = thin_plate_kernel(q, q), np.column_stack([np.ones(len(q)), q])
    root = np.sqrt(w)
    full = np.linalg.qr(root[:, None] * polynomial, mode="complete")[0]
    rest = full[:, 3:]
    values, vectors = np.linalg.eigh(rest.T @ (root[:, None] * kernel * root) @ rest)
    return _Basis(
        kernel, root, polynomial, rest @ vectors, np.maximum(values, 1e-14), centre, scale
    )


def _ranked(basis: _Basis, y: np.ndarray, criterion: str) -> np.ndarray:
    """All candidate smoothings, the best by the criterion first, then growing."""
    n, bends = basis.vectors.shape
    if not bends:
        return np.array([np.inf])
    if criterion not in ("leave-one-out", "gcv"):
        raise InputError(
            f"Expected smoothing 'leave-one-out', 'gcv' or a number, got {criterion!r}."
        )
    modes = basis.vectors.T @ y
    scores = []
    for smoothing in _CANDIDATES:
        # Residual operator divided by the smoothing, so that 0 and infinity need no case apart.
        factor = 1 / (basis.values + smoothing) if np.isfinite(smoothing) else np.ones(bends)
        residual = basis.vectors @ (factor[:, None] * modes)
        if criterion == "gcv":
            scores.append(n * (residual**2).sum() / factor.sum() ** 2)
        else:
            diagonal = (basis.vectors**2) @ factor
            left_out = residual / np.maximum(diagonal, 1e-12)[:, None]
            scores.append((left_out**2).sum())
    best = _CANDIDATES[int(np.argmin(scores))]
    return _CANDIDATES[best <= _CANDIDATES]


def _solve(
    basis: _Basis, y: np.ndarray, smoothing: float, plane: np.ndarray, centre_slide: np.ndarray
) -> ThinPlate:
    factor = 1 / (basis.values + smoothing) if np.isfinite(smoothing) else 0 * basis.values
    weights = basis.root[:, None] * (basis.vectors @ (factor[:, None] * (basis.vectors.T @ y)))
    rest = y - basis.root[:, None] * (basis.kernel @ weights)
    if np.isfinite(smoothing):
        rest = rest - smoothing * weights / basis.root[:, None]
    a = np.linalg.lstsq(basis.root[:, None] * basis.polynomial, rest, rcond=None)[0]
    matrix = a[1:].T / basis.scale
    offset = centre_slide + a[0] - matrix @ basis.centre
    return ThinPlate(Affine(matrix, offset), plane, weights, basis.scale)


def _leverage(basis: _Basis, smoothing: float) -> tuple[np.ndarray, float]:
    kept = 1 / (1 + basis.values / smoothing) if smoothing > 0 else 0 * basis.values
    removed = (basis.vectors**2) @ kept
    return 1 - removed, float(len(basis.root) - kept.sum())
