"""Outline curves in landmark fits: points that may slide along them (semi-landmarks).

A curve is the same on both sides, but no point of it has a known partner. Points along the plane's
curve get partners on the slide's curve, which slide along it until the map bends least (F. L.
Bookstein, Med. Image Anal. 1, 1997, 225–243) or, for linear models, fits best.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from coreg.alignment.landmarks import LandmarkFit, Model, fit_landmarks, fit_once
from coreg.alignment.linear import LEAST_LANDMARKS
from coreg.alignment.thin_plate import Smoothing
from coreg.errors import InputError
from coreg.geometry import as_points
from coreg.landmark_pairs import LandmarkPairs
from coreg.transforms import Transform, thin_plate_kernel

# A point on a curve is fixed across it only: it counts half of a landmark, fixed both ways.
SHARE = 0.5
_ROUNDS, _DONE = 60, 1e-4


@dataclass(frozen=True)
class CurvePair:
    """The same curve in the imaging plane and on the slide.

    Parameters
    ----------
    plane : (n, 2) plane mm, in order along the curve; slide : (m, 2) slide mm
    closed : whether the last point is joined to the first; the ends of an open curve are partners
    points : how many semi-landmarks to lay along it
    name : "curve" where none is given
    """

    plane: np.ndarray
    slide: np.ndarray
    closed: bool = True
    points: int = 20
    name: str = "curve"

    def __post_init__(self) -> None:
        least = 3 if self.closed else 2
        for side in ("plane", "slide"):
            values = as_points(getattr(self, side))
            if len(values) < least or not np.isfinite(values).all():
                raise InputError(
                    f"Expected at least {least} finite points of {self.name!r} on the {side}, "
                    f"got {len(values)}."
                )
            object.__setattr__(self, side, values)
        if self.points < 3:
            raise InputError(f"Expected at least 3 semi-landmarks a curve, got {self.points}.")


@dataclass(frozen=True)
class SlidingFit:
    """A fit through landmarks and curves.

    Parameters
    ----------
    fit : its pairs hold the landmarks first, then the semi-landmarks where they came to lie;
        leave-one-out errors are NaN for the latter, whose partners are not known
    landmarks : how many of the pairs are landmarks
    moved_mm : largest slide mm that a semi-landmark still moved in the last round
    """

    fit: LandmarkFit
    landmarks: int
    moved_mm: float

    @property
    def transform(self) -> Transform:
        """Plane to slide."""
        return self.fit.transform


def fit_with_curves(
    pairs: LandmarkPairs | None,
    curves: Sequence[CurvePair],
    model: Model = "thin-plate",
    *,
    smoothing: Smoothing = "leave-one-out",
    initial: Transform | None = None,
    mirrored: bool | None = None,
) -> SlidingFit:
    """Fit a map through landmarks and curves, whose points slide to their partners.

    Parameters
    ----------
    pairs : landmarks, which stay where they are; None where there are none
    initial : where to start; None starts from the landmarks' fit (similarity for two, else affine),
        and needs as many
    model, smoothing, mirrored : as for `fit_landmarks`

    Raises `InputError` where neither landmarks nor `initial` say how the curves lie.
    """
    if not curves:
        raise InputError("Expected at least one curve on both sides; use fit_landmarks without.")
    fixed = 0 if pairs is None else len(pairs)
    current = initial or _start(pairs, mirrored)
    lines = [_Line.of(curve) for curve in curves]
    plane = [_along(curve.plane, curve.closed, curve.points) for curve in curves]
    at = [line.nearest(current.to_slide(points)) for line, points in zip(lines, plane, strict=True)]
    names = tuple(
        f"{curve.name} {i + 1}/{len(p)}"
        for curve, p in zip(curves, plane, strict=True)
        for i in range(len(p))
    )
    weights = np.concatenate([np.ones(fixed), np.full(len(names), SHARE)])
    moved = np.inf
    for _ in range(_ROUNDS):
        both = _together(pairs, plane, lines, at, names)
        here = np.concatenate([line.places(s) for line, s in zip(lines, at, strict=True)])
        along = np.concatenate([line.tangents(s) for line, s in zip(lines, at, strict=True)])
        steps = _steps(both, along, weights, model, mirrored)
        at = [
            line.slid(s, part)
            for line, s, part in zip(lines, at, _split(steps, plane), strict=True)
        ]
        now = np.concatenate([line.places(s) for line, s in zip(lines, at, strict=True)])
        moved = float(np.linalg.norm(now - here, axis=1).max())
        if moved < _DONE:
            break
    both = _together(pairs, plane, lines, at, names)
    fit = fit_landmarks(both, model, weights=weights, smoothing=smoothing, mirrored=mirrored)
    left_out = np.where(np.arange(len(both)) < fixed, fit.leave_one_out, np.nan)
    marks = set(both.names[:fixed])
    suspects = tuple(name for name in fit.suspects if name in marks)
    return SlidingFit(replace(fit, leave_one_out=left_out, suspects=suspects), fixed, moved)


def _start(pairs: LandmarkPairs | None, mirrored: bool | None) -> Transform:
    if pairs is None or len(pairs) < LEAST_LANDMARKS["similarity"]:
        raise InputError(
            "Expected two landmarks or a map to start from: a curve alone does not say how it lies."
        )
    model: Model = "similarity" if len(pairs) < LEAST_LANDMARKS["affine"] else "affine"
    return fit_once(pairs, np.ones(len(pairs)), model, 0.0, mirrored).transform


def _steps(
    both: LandmarkPairs,
    along: np.ndarray,
    weights: np.ndarray,
    model: Model,
    mirrored: bool | None,
) -> np.ndarray:
    """How far each semi-landmark is to slide along its direction (semi-landmarks, 2), slide mm."""
    fixed = len(both) - len(along)
    if model != "thin-plate":
        fit = fit_once(both, weights, model, 0.0, mirrored)
        off = fit.transform.to_slide(both.plane[fixed:]) - both.slide[fixed:]
        return np.asarray((off * along).sum(axis=1))
    # Energy trace(s' E s) with s = slide + steps * along is quadratic in the steps.
    energy = _bending(both.plane)
    slope = ((energy @ both.slide)[fixed:] * along).sum(axis=1)
    curve = energy[fixed:, fixed:] * (along @ along.T)
    curve += np.eye(len(along)) * 1e-6 * np.trace(curve) / len(along)
    return np.asarray(-np.linalg.solve(curve, slope))


def _bending(plane: np.ndarray) -> np.ndarray:
    """Bookstein's bending energy matrix of the landmarks; (n, n), of rank n - 3."""
    centred = plane - plane.mean(axis=0)
    scale = float(np.sqrt((centred**2).sum(axis=1).mean()))
    q = centred / scale
    full = np.linalg.qr(np.column_stack([np.ones(len(q)), q]), mode="complete")[0][:, 3:]
    inner = full.T @ thin_plate_kernel(q, q) @ full
    return np.asarray(full @ np.linalg.solve(inner, full.T))


def _together(
    pairs: LandmarkPairs | None,
    plane: Sequence[np.ndarray],
    lines: Sequence[_Line],
    at: Sequence[np.ndarray],
    names: tuple[str, ...],
) -> LandmarkPairs:
    semi = np.concatenate([line.places(s) for line, s in zip(lines, at, strict=True)])
    if pairs is None:
        return LandmarkPairs(np.concatenate(plane), semi, names)
    return LandmarkPairs(
        np.concatenate([pairs.plane, *plane]),
        np.concatenate([pairs.slide, semi]),
        pairs.names + names,
        pairs.observers + ("",) * len(names),
        None if pairs.sd_mm is None else np.concatenate([pairs.sd_mm, np.full(len(names), np.nan)]),
    )


def _split(values: np.ndarray, like: Sequence[np.ndarray]) -> list[np.ndarray]:
    return np.split(values, np.cumsum([len(part) for part in like])[:-1])


def _along(line: np.ndarray, closed: bool, n: int) -> np.ndarray:
    """n points at equal spacing along a line; both ends of an open one are among them."""
    made = _Line.of(CurvePair(line, line, closed))
    return made.places(np.linspace(0, made.length, n, endpoint=not closed))


@dataclass(frozen=True)
class _Line:
    """A polygon line with its arc length; places on it are given by arc length in mm."""

    corners: np.ndarray
    reached: np.ndarray
    closed: bool

    @classmethod
    def of(cls, curve: CurvePair) -> _Line:
        corners = np.concatenate([curve.slide, curve.slide[:1]]) if curve.closed else curve.slide
        steps = np.linalg.norm(np.diff(corners, axis=0), axis=1)
        keep = np.concatenate([[True], steps > 0])
        corners = corners[keep]
        if len(corners) < 2:
            raise InputError(f"All points of {curve.name!r} lie at one place; draw it again.")
        return cls(corners, np.concatenate([[0.0], np.cumsum(steps[steps > 0])]), curve.closed)

    @property
    def length(self) -> float:
        return float(self.reached[-1])

    def places(self, at: np.ndarray) -> np.ndarray:
        s = at % self.length if self.closed else at
        return np.stack([np.interp(s, self.reached, self.corners[:, i]) for i in (0, 1)], axis=1)

    def tangents(self, at: np.ndarray) -> np.ndarray:
        """Directions along the line, taken over a stretch so that corners do not matter."""
        reach = self.length / 200
        if self.closed:
            step = self.places(at + reach) - self.places(at - reach)
        else:
            low, high = np.maximum(at - reach, 0), np.minimum(at + reach, self.length)
            step = self.places(high) - self.places(low)
        return np.asarray(step / np.maximum(np.linalg.norm(step, axis=1, keepdims=True), 1e-12))

    def nearest(self, points: np.ndarray) -> np.ndarray:
        """Arc length of the nearest place to each point; the ends of an open line are kept."""
        start, step = self.corners[:-1], np.diff(self.corners, axis=0)
        share = ((points[:, None] - start) * step).sum(axis=2) / (step**2).sum(axis=1)
        share = np.clip(share, 0, 1)
        away = np.linalg.norm(points[:, None] - start - share[..., None] * step, axis=2)
        best = np.argmin(away, axis=1)
        rows = np.arange(len(points))
        at = self.reached[best] + share[rows, best] * np.diff(self.reached)[best]
        return at if self.closed else self._ends_kept(at)

    def slid(self, at: np.ndarray, steps: np.ndarray) -> np.ndarray:
        """Move along the line, never past a neighbour: half the way to it at most."""
        if self.closed:
            gaps = np.diff(at, append=at[:1])
            gaps = np.abs((gaps + self.length / 2) % self.length - self.length / 2)
            room = 0.45 * np.minimum(gaps, np.roll(gaps, 1))
            return np.asarray(at + np.clip(steps, -room, room))
        gaps = np.abs(np.diff(at))
        room = 0.45 * np.minimum(np.append(gaps, gaps[-1]), np.insert(gaps, 0, gaps[0]))
        return self._ends_kept(at + np.clip(steps, -room, room))

    def _ends_kept(self, at: np.ndarray) -> np.ndarray:
        ends = (0.0, self.length) if at[0] <= at[-1] else (self.length, 0.0)
        kept = at.copy()
        kept[0], kept[-1] = ends
        return np.asarray(np.clip(kept, 0, self.length))
