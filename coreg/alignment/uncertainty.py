"""How far a map may be off: a posterior over smooth deviations, and draws from it.

A landmark fit's posterior is the Bayesian one of the linear model (flat prior on the map) or of the
thin-plate spline (G. Wahba, J. R. Stat. Soc. B 45, 1983, 133–150), with the landmarks' spread
estimated from the misfit. Image fits bring their own posterior.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from coreg.alignment.landmarks import LandmarkFit, fit_once
from coreg.transforms import Affine, Family, Perturbed, ThinPlate, Transform

# What is assumed of a landmark's spread before the landmarks are looked at, and how many
# observations that is worth: it decides where hardly any landmark is to spare.
PRIOR_SD_MM = 0.3
PRIOR_DEGREES = 3.0
# Bending beyond the affine part that tissue is taken to allow, as a share of the landmarks' spread.
PRIOR_BEND = 0.05
# A spline replaces a linear model's posterior from this many landmarks on, where it lowers the sum
# of squared leave-one-out errors below this share.
_ENOUGH_TO_SEE_A_BEND, _GAIN = 7, 0.8


@dataclass(frozen=True)
class Posterior:
    """Deviations from a map: ``coefficients = factor @ z``, z normal (Student's t with `degrees`).

    factor : (basis functions, 2, k) in slide mm
    """

    family: Family
    factor: np.ndarray
    degrees: float = np.inf

    def sd(self, points: np.ndarray) -> np.ndarray:
        """Root mean square length of the deviation at plane points, in slide mm; (n,)."""
        moved = np.einsum("nm,mik->nik", self.family.basis(points), self.factor)
        spread = 1.0 if not self.degrees > 2 else self.degrees / (self.degrees - 2)
        if not np.isfinite(self.degrees):
            spread = 1.0
        return np.asarray(np.sqrt(spread * (moved**2).sum(axis=(1, 2))))


class HasPosterior(Protocol):
    """A fit that carries its own posterior."""

    @property
    def posterior(self) -> Posterior: ...


def posterior_of(fit: LandmarkFit | HasPosterior) -> Posterior:
    """The posterior of a fit; that of a landmark fit is computed here."""
    if not isinstance(fit, LandmarkFit):
        return fit.posterior
    if fit.model == "thin-plate":
        return _spline_posterior(fit)
    bent = _bend_that_was_left(fit)
    return _linear_posterior(fit) if bent is None else _spline_posterior(bent)


def _bend_that_was_left(fit: LandmarkFit) -> LandmarkFit | None:
    """A spline fit where the landmarks show that the section is bent and the model is not.

    Without it a linear fit would take the bend for noise that averages out, and be too sure.
    """
    used = fit.weights > 0
    if used.sum() < _ENOUGH_TO_SEE_A_BEND:
        return None
    bent = fit_once(fit.pairs, fit.weights, "thin-plate", "leave-one-out", None)
    if not np.isfinite(bent.smoothing):
        return None
    miss = np.linalg.norm(bent.transform.to_slide(fit.pairs.plane) - fit.pairs.slide, axis=1)
    left_out = miss[used] / np.maximum(1 - bent.leverage[used], 1e-9)
    flat = fit.leave_one_out[used] ** 2 * abs(np.linalg.det(fit.affine.matrix))  # to slide mm
    return bent if (left_out**2).sum() < _GAIN * flat.sum() else None


def sample_transforms(fit: LandmarkFit | HasPosterior, n: int, seed: int) -> list[Transform]:
    """Draw `n` maps from a fit's posterior, for intervals on whatever depends on the map.

    The draws share what they compute: mapping the same points with each of them in turn costs one
    evaluation of the fit and `n` small matrix products.
    """
    posterior = posterior_of(fit)
    rng = np.random.default_rng(seed)
    z = rng.standard_normal((n, posterior.factor.shape[2]))
    if np.isfinite(posterior.degrees):
        z /= np.sqrt(rng.chisquare(posterior.degrees, n) / posterior.degrees)[:, None]
    coefficients = np.einsum("mik,nk->nmi", posterior.factor, z)
    return [Perturbed(posterior.family, part) for part in coefficients]


def rigid_target_error(landmarks: np.ndarray, sd_mm: float, points: np.ndarray) -> np.ndarray:
    """Expected root mean square target error of a rigid fit in two dimensions; (n,) mm.

    ``TRE² = 2 sd² / N (1 + |r - centre|² / (2 f²))``: the two-dimensional form (derived) of
    J. M. Fitzpatrick, J. B. West, C. R. Maurer, IEEE Trans. Med. Imaging 17, 1998, 694–702, with f
    half the mean squared distance of the landmarks (N, 2) from their centre, per axis.
    """
    centre = landmarks.mean(axis=0)
    mean_square = ((landmarks - centre) ** 2).sum(axis=1).mean()
    far = ((points - centre) ** 2).sum(axis=1) / (2 * mean_square)
    return np.asarray(np.sqrt(2 * sd_mm**2 / len(landmarks) * (1 + far)))


def _noise(fit: LandmarkFit) -> tuple[float, float]:
    """Standard deviation of a landmark coordinate in slide mm and its degrees of freedom."""
    used = fit.weights > 0
    free = max(2 * used.sum() - fit.degrees, 0.0)
    prior = PRIOR_SD_MM
    if fit.pairs.sd_mm is not None and np.isfinite(fit.pairs.sd_mm).any():
        prior = float(np.nanmedian(fit.pairs.sd_mm))
    seen = fit.noise_sd_mm**2 * free if np.isfinite(fit.noise_sd_mm) else 0.0
    degrees = free + PRIOR_DEGREES
    return float(np.sqrt((seen + PRIOR_DEGREES * prior**2) / degrees)), float(degrees)


def _linear_posterior(fit: LandmarkFit) -> Posterior:
    assert isinstance(fit.transform, Affine)
    sd, degrees = _noise(fit)
    p, w = fit.pairs.plane, fit.weights
    centre = np.average(p, axis=0, weights=w)
    q = p - centre
    scale = float(np.sqrt(np.average((q**2).sum(axis=1), weights=w)))
    family = Family(fit.transform, centre, scale, np.empty((0, 2)))
    if fit.model == "affine":
        design = np.column_stack([np.ones(len(q)), q / scale])
        root = np.linalg.cholesky(np.linalg.inv(design.T @ (w[:, None] * design)))
        factor = np.zeros((3, 2, 6))
        factor[:, 0, :3] = factor[:, 1, 3:] = sd * root
        return Posterior(family, factor, degrees)
    matrix = fit.transform.matrix
    reach = np.sqrt((w[:, None] * (q @ matrix.T) ** 2).sum())
    factor = np.zeros((3, 2, 3 if fit.model == "rigid" else 4))
    factor[0, 0, 0] = factor[0, 1, 1] = sd / np.sqrt(w.sum())
    factor[1:, :, 2] = sd / reach * scale * (np.array([[0, -1], [1, 0]]) @ matrix).T
    if fit.model == "similarity":
        factor[1:, :, 3] = sd / reach * scale * matrix.T
    return Posterior(family, factor, degrees)


def _spline_posterior(fit: LandmarkFit) -> Posterior:
    """Landmarks and a coarse lattice carry the bending: it is free between landmarks too."""
    assert isinstance(fit.transform, ThinPlate)
    sd, degrees = _noise(fit)
    used = fit.weights > 0
    p, w, scale = fit.pairs.plane[used], fit.weights[used], fit.transform.scale
    centre = p.mean(axis=0)
    if not np.isfinite(fit.smoothing):
        flat = Family(fit.transform, centre, scale, np.empty((0, 2)))
        basis = flat.basis(p)
        root = sd * np.linalg.cholesky(np.linalg.inv(basis.T @ (w[:, None] * basis)))
        return _with_modes(flat, root, p, degrees)
    family = Family(fit.transform, centre, scale, np.concatenate([p, _lattice(p)]), "thin-plate")
    basis, at_nodes = family.basis(p), family.basis(family.nodes)
    # Weights that carry no affine part: orthogonal to 1 and to both coordinates of the nodes.
    free = np.linalg.qr(at_nodes[:, :3], mode="complete")[0][:, 3:]
    lift = np.zeros((family.size, 3 + free.shape[1]))
    lift[:3, :3], lift[3:, 3:] = np.eye(3), free
    bending = free.T @ at_nodes[:, 3:] @ free
    # Noise over bending variance: as fitted, but never looser than tissue can bend.
    per_node = np.trace(bending) / len(family.nodes)
    smoothing = max(fit.smoothing, sd**2 * per_node / (PRIOR_BEND * scale) ** 2)
    inner = lift.T @ (basis.T @ (w[:, None] * basis)) @ lift
    inner[3:, 3:] += smoothing * bending
    values, vectors = np.linalg.eigh((inner + inner.T) / 2)
    keep = values > 1e-12 * values.max()
    root = sd * (lift @ vectors[:, keep]) / np.sqrt(values[keep])
    return _with_modes(family, root, p, degrees)


def _with_modes(family: Family, root: np.ndarray, p: np.ndarray, degrees: float) -> Posterior:
    """Keep the few combinations of ``basis @ root`` that carry 99 % of the variance near p."""
    near = np.concatenate([p, _lattice(p, 15)])
    _, singular, vt = np.linalg.svd(family.basis(near) @ root, full_matrices=False)
    share = np.cumsum(singular**2) / (singular**2).sum()
    r = int(np.searchsorted(share, 0.99)) + 1
    factor = np.zeros((r, 2, 2 * r))
    factor[:, 0, :r] = factor[:, 1, r:] = np.eye(r)
    return Posterior(replace(family, modes=root @ vt[:r].T), factor, degrees)


def _lattice(p: np.ndarray, steps: int = 6) -> np.ndarray:
    low, high = p.min(axis=0), p.max(axis=0)
    margin = 0.15 * (high - low)
    axes = [np.linspace(low[i] - margin[i], high[i] + margin[i], steps) for i in (0, 1)]
    points = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 2)
    gap = np.linalg.norm(points[:, None] - p[None], axis=2).min(axis=1)
    return points[gap > 0.05 * np.linalg.norm(high - low)]
