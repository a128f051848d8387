"""Fits through landmark pairs, each with its leave-one-out error in millimetres of the plane.

Fits are made in slide mm (that is where landmarks are hardest to place); errors are reported on the
imaging plane's side, where the treatment happened.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from coreg.alignment.linear import (
    LEAST_LANDMARKS,
    PARAMETERS,
    LinearModel,
    fit_linear,
    principal_stretches,
    shrinkage_of,
)
from coreg.alignment.thin_plate import Smoothing, fit_thin_plate
from coreg.errors import InputError
from coreg.landmark_pairs import LandmarkPairs
from coreg.transforms import Affine, ThinPlate, Transform

__all__ = ["LandmarkFit", "LandmarkPairs", "fit_landmarks"]

Model = Literal["rigid", "similarity", "affine", "thin-plate"]

# Tukey's biweight at 95 % efficiency for normal errors, and what a robust fit calls an outlier.
_TUKEY = 4.685
_TRIALS = 500


@dataclass(frozen=True)
class LandmarkFit:
    """A map through landmarks and how far it can be trusted.

    Parameters
    ----------
    transform : plane to slide
    model : "rigid", "similarity", "affine" or "thin-plate"
    pairs : the landmarks that it was fitted to
    weights : (n,) final weights, mean 1; 0 for a landmark that a robust fit left out
    residuals : (n,) mm in the plane, distance between landmark and mapped-back slide landmark
    leave_one_out : (n,) the same distance with the landmark itself left out of the fit; NaN where
        too few landmarks remain
    smoothing : of the thin-plate spline (infinity is affine); NaN for the other models
    degrees : free parameters of the fit a coordinate pair (6 for affine; the trace for a spline)
    leverage : (n,) how much each spline landmark determines the map at itself, 0–1; NaN elsewhere
    noise_sd_mm : standard deviation of a landmark's coordinate about the fit, slide mm; NaN where
        no landmark is to spare
    suspects : names of landmarks that do not fit the others (5 % level over all landmarks)
    reason : "" or why the fit should not be used as it is, in one sentence
    """

    transform: Affine | ThinPlate
    model: Model
    pairs: LandmarkPairs
    weights: np.ndarray
    residuals: np.ndarray
    leave_one_out: np.ndarray
    smoothing: float
    degrees: float
    noise_sd_mm: float
    leverage: np.ndarray
    suspects: tuple[str, ...] = ()
    reason: str = ""

    @property
    def affine(self) -> Affine:
        """The affine part of the map."""
        return self.transform if isinstance(self.transform, Affine) else self.transform.affine

    @property
    def mirrored(self) -> bool:
        """Whether the section lies face down."""
        return self.affine.mirrored

    @property
    def mirror_certain(self) -> bool:
        """False where the landmarks fit as well mirrored (two landmarks, or all on one line)."""
        return _area_of(self.pairs.plane[self.weights > 0]) > 1e-3

    @property
    def shrinkage(self) -> tuple[float, float]:
        """Fraction by which the section is smaller than the plane along (depth, lateral)."""
        return shrinkage_of(self.affine.matrix)

    @property
    def stretches(self) -> tuple[float, float]:
        """Largest and smallest slide length per plane length, over all directions."""
        return principal_stretches(self.affine.matrix)

    @property
    def worst(self) -> str:
        """Name of the landmark with the largest leave-one-out error (residual where none)."""
        errors = np.where(
            np.isfinite(self.leave_one_out), self.leave_one_out, np.nan_to_num(self.residuals)
        )
        return self.pairs.names[int(np.argmax(errors))]

    @property
    def error_mm(self) -> float:
        """Median leave-one-out error in plane mm over landmarks in use; NaN where none is known."""
        known = self.leave_one_out[(self.weights > 0) & np.isfinite(self.leave_one_out)]
        return float(np.median(known)) if len(known) else float("nan")


def fit_landmarks(
    pairs: LandmarkPairs,
    model: Model = "affine",
    *,
    weights: np.ndarray | None = None,
    smoothing: Smoothing = "leave-one-out",
    robust: bool = False,
    mirrored: bool | None = None,
    seed: int = 0,
) -> LandmarkFit:
    """Fit a map from the imaging plane to the slide through landmark pairs.

    Parameters
    ----------
    model : rigid and similarity need two landmarks, affine and thin-plate three
    weights : (n,) not negative, multiplied with ``1 / sd_mm²`` where the pairs carry it
    smoothing : for thin-plate: "leave-one-out", "gcv", or a number (0 goes through all landmarks)
    robust : down-weight landmarks that do not fit the others (Tukey's biweight, started from the
        least median of squares over `seed`-ed small sets)
    mirrored : whether the section lies face down, where known; None asks the landmarks

    Raises `InputError` for sets that fix no such map: too few, repeated, on one line, folded.
    """
    if model not in LEAST_LANDMARKS:
        raise InputError(
            f"Unknown model {model!r}; expected 'rigid', 'similarity', 'affine' or 'thin-plate'."
        )
    base = _weights(pairs, weights)
    if robust:
        base = base * _robust_weights(pairs, base, model, smoothing, mirrored, seed)
    fit = fit_once(pairs, base, model, smoothing, mirrored)
    without = _without_each(pairs, fit.weights, model, smoothing, mirrored)
    left_out = [np.nan if other is None else other.residuals[i] for i, other in enumerate(without)]
    return replace(
        fit,
        leave_one_out=np.array(left_out, dtype=np.float64),
        suspects=_suspects(fit, without),
        reason=fit.reason or _reason(fit, mirrored),
    )


def plane_errors(transform: Transform, pairs: LandmarkPairs) -> np.ndarray:
    """Distance in plane mm between each plane landmark and its mapped-back partner; (n,)."""
    return np.asarray(np.linalg.norm(transform.to_plane(pairs.slide) - pairs.plane, axis=1))


def _weights(pairs: LandmarkPairs, weights: np.ndarray | None) -> np.ndarray:
    if not len(pairs):
        raise InputError(
            "There is no pair of landmarks yet; place the same spots on the plane and on the slide "
            "(two at least, well spread), or align without: [align] refine."
        )
    w = np.ones(len(pairs)) if weights is None else np.asarray(weights, dtype=np.float64)
    if w.shape != (len(pairs),) or not np.isfinite(w).all() or (w < 0).any():
        raise InputError(
            f"Expected {len(pairs)} weights of 0 or more, one a landmark, got shape {w.shape}."
        )
    if pairs.sd_mm is not None:
        known = np.isfinite(pairs.sd_mm)
        typical = float(np.median(pairs.sd_mm[known])) if known.any() else 1.0
        w = w / np.where(known, pairs.sd_mm, typical) ** 2
    if not (w > 0).any():
        raise InputError("Every landmark has weight 0; give some a weight above 0.")
    return w / w[w > 0].mean()


def fit_once(
    pairs: LandmarkPairs,
    weights: np.ndarray,
    model: Model,
    smoothing: Smoothing,
    mirrored: bool | None,
    *,
    check_folds: bool = True,
) -> LandmarkFit:
    """The fit alone, without leave-one-out errors, suspects and reasons; weights (n,) as given."""
    used = weights > 0
    w = weights / weights[used].mean()
    value, degrees, reason = float("nan"), 0.0, ""
    leverage = np.full(len(pairs), np.nan)
    transform: Affine | ThinPlate
    if model == "thin-plate":
        spline = fit_thin_plate(
            pairs.plane[used], pairs.slide[used], w[used], smoothing, check_folds=check_folds
        )
        transform, value, reason = spline.transform, spline.smoothing, spline.note
        degrees, leverage[used] = 2 * spline.degrees, spline.leverage
    else:
        transform = fit_linear(pairs.plane, pairs.slide, model, w, mirrored)
        degrees = float(PARAMETERS[model])
    free = 2 * used.sum() - degrees
    slide_error = transform.to_slide(pairs.plane) - pairs.slide
    noise = np.sqrt((w[:, None] * slide_error**2).sum() / free) if free > 0.5 else np.nan
    return LandmarkFit(
        transform=transform,
        model=model,
        pairs=pairs,
        weights=w,
        residuals=plane_errors(transform, pairs),
        leave_one_out=np.full(len(pairs), np.nan),
        smoothing=value,
        degrees=degrees,
        noise_sd_mm=float(noise),
        leverage=leverage,
        reason=reason,
    )


def _without_each(
    pairs: LandmarkPairs,
    weights: np.ndarray,
    model: Model,
    smoothing: Smoothing,
    mirrored: bool | None,
) -> list[LandmarkFit | None]:
    """The fit without landmark i, for each i; None where the others fix no such map."""
    fits: list[LandmarkFit | None] = []
    for i in range(len(pairs)):
        without = weights.copy()
        without[i] = 0.0
        if (without > 0).sum() < LEAST_LANDMARKS[model]:
            fits.append(None)
            continue
        try:
            fits.append(fit_once(pairs, without, model, smoothing, mirrored, check_folds=False))
        except InputError:  # the others lie on one line
            fits.append(None)
    return fits


def _suspects(fit: LandmarkFit, without: list[LandmarkFit | None]) -> tuple[str, ...]:
    """Landmarks left out by the robust fit, and those whose deleted residual is too large.

    The squared prediction error of the left-out landmark over the others' noise follows an F
    distribution with (2, 2 n - parameters) degrees of freedom where errors are normal (common
    practice, no source); the level of 5 % is shared among the landmarks (Bonferroni).
    """
    from scipy.special import fdtrc  # scipy.stats takes a second to import

    pairs = fit.pairs
    chances = np.ones(len(pairs))
    for i, other in enumerate(without):
        if other is None or not other.noise_sd_mm > 0:
            continue
        free = 2 * (other.weights > 0).sum() - other.degrees
        miss = other.transform.to_slide(pairs.plane[i]) - pairs.slide[i]
        variance = other.noise_sd_mm**2 * (1 + _prediction_factor(other, pairs.plane[i]))
        chances[i] = fdtrc(2, free, (miss**2).sum() / 2 / variance)
    out = (fit.weights == 0) | (chances < 0.05 / max((fit.weights > 0).sum(), 1))
    return tuple(pairs.names[i] for i in np.argsort(chances) if out[i])


def _prediction_factor(fit: LandmarkFit, point: np.ndarray) -> float:
    """Variance of the affine prediction at a plane point, in units of the noise variance."""
    p = fit.pairs.plane
    centre = np.average(p, axis=0, weights=fit.weights)
    if fit.model in ("rigid", "similarity"):
        spread = np.average(((p - centre) ** 2).sum(axis=1), weights=fit.weights)
        return float((1 + ((point - centre) ** 2).sum() / spread) / (fit.weights > 0).sum())
    design = np.column_stack([np.ones(len(p)), p - centre])
    row = np.concatenate([[1.0], point - centre])
    return float(row @ np.linalg.solve(design.T @ (fit.weights[:, None] * design), row))


def _reason(fit: LandmarkFit, mirrored: bool | None) -> str:
    if mirrored is not None and fit.mirrored != mirrored and fit.mirror_certain:
        said = "mirrored" if mirrored else "not mirrored"
        return (
            f"The section is said to be {said}, but the landmarks fit the other way; check the "
            "landmarks' order, or correct the statement."
        )
    if mirrored is None and not fit.mirror_certain:
        return (
            "These landmarks cannot tell whether the section is mirrored; add one away from the "
            "line through them, or state it."
        )
    return ""


def _robust_weights(
    pairs: LandmarkPairs,
    base: np.ndarray,
    model: Model,
    smoothing: Smoothing,
    mirrored: bool | None,
    seed: int,
) -> np.ndarray:
    """Tukey weights about the least-median-of-squares fit (P. J. Rousseeuw, J. Am. Stat. Assoc. 79,
    1984, 871–880), refined by the model itself."""
    start: LinearModel = "affine" if model == "thin-plate" else model
    if start == "affine" and len(pairs) < 7:
        start = "similarity"  # half of fewer landmarks than this would fit any affine map
    size = LEAST_LANDMARKS[start]
    if len(pairs) < size + 3:
        return np.ones(len(pairs))
    errors = _least_median(pairs, base, start, size, mirrored, seed)
    weights = _tukey(errors, len(pairs), size)
    for _ in range(20):
        fit = fit_once(pairs, base * weights, model, smoothing, mirrored)
        miss = fit.transform.to_slide(pairs.plane) - pairs.slide
        new = _tukey(np.sqrt(base) * np.linalg.norm(miss, axis=1), len(pairs), size)
        if np.abs(new - weights).max() < 1e-4 or (new > 0).sum() < LEAST_LANDMARKS[model] + 1:
            break
        weights = new
    return weights


def _least_median(
    pairs: LandmarkPairs,
    base: np.ndarray,
    model: LinearModel,
    size: int,
    mirrored: bool | None,
    seed: int,
) -> np.ndarray:
    """Weighted slide errors (n,) under the map, through `size` landmarks, of least median error."""
    from itertools import combinations
    from math import comb

    rng = np.random.default_rng(seed)
    n = len(pairs)
    if comb(n, size) <= _TRIALS:
        sets = [list(chosen) for chosen in combinations(range(n), size)]
    else:
        sets = [list(rng.choice(n, size, replace=False)) for _ in range(_TRIALS)]
    turned = [False, True] if size == 2 and mirrored is None else [mirrored]
    best = np.full(n, np.inf)
    for chosen in sets:
        for side in turned:
            try:
                trial = fit_linear(pairs.plane[chosen], pairs.slide[chosen], model, None, side)
            except InputError:  # this small set lies on one line
                continue
            miss = trial.to_slide(pairs.plane) - pairs.slide
            errors = np.sqrt(base) * np.linalg.norm(miss, axis=1)
            if (
                np.partition(errors, (n + size) // 2)[(n + size) // 2]
                < np.partition(best, (n + size) // 2)[(n + size) // 2]
            ):
                best = errors
    return best


def _tukey(errors: np.ndarray, n: int, size: int) -> np.ndarray:
    # The median length of a plane normal error is 1.1774 sd; the factor corrects for few landmarks.
    scale = max(np.median(errors) / 1.1774 * (1 + 5 / max(n - size, 1)), 1e-12)
    share = errors / (_TUKEY * scale)
    return np.where(share < 1, (1 - np.minimum(share, 1) ** 2) ** 2, 0.0)


def _area_of(points: np.ndarray) -> float:
    """Smallest over largest spread: 0 for points on one line."""
    if len(points) < 3:
        return 0.0
    spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    return float(spread[1] / spread[0]) if spread[0] > 0 else 0.0
