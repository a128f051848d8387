"""Rigid, similarity and affine maps by weighted least squares."""

from __future__ import annotations

from typing import Literal

import numpy as np

from coreg.errors import InputError
from coreg.transforms import Affine

LinearModel = Literal["rigid", "similarity", "affine"]

# Free parameters of each model in two dimensions, and the landmarks that it needs at least.
PARAMETERS: dict[str, int] = {"rigid": 3, "similarity": 4, "affine": 6}
LEAST_LANDMARKS: dict[str, int] = {"rigid": 2, "similarity": 2, "affine": 3, "thin-plate": 3}

# Thinner than this (smallest over largest spread), a set counts as lying on one line.
_THINNEST = 1e-3


def fit_linear(
    plane: np.ndarray,
    slide: np.ndarray,
    model: LinearModel = "affine",
    weights: np.ndarray | None = None,
    mirrored: bool | None = None,
) -> Affine:
    """Fit ``slide = matrix @ plane + offset`` by weighted least squares in slide mm.

    Parameters
    ----------
    plane, slide : (n, 2) mm
    model : "rigid", "similarity" (S. Umeyama, IEEE Trans. Pattern Anal. Mach. Intell. 13, 1991,
        376–380) or "affine"
    weights : (n,) not negative; all equal where None
    mirrored : for rigid and similarity, whether the map turns the section over; None takes what
        fits better (not mirrored where both fit alike)

    Returns
    -------
    Affine. Raises `InputError` for too few, repeated or (affine) collinear points.
    """
    w = np.ones(len(plane)) if weights is None else np.asarray(weights, dtype=np.float64)
    used = w > 0
    plane, slide, w = plane[used], slide[used], w[used]
    if len(plane) < LEAST_LANDMARKS[model]:
        raise InputError(
            f"Expected at least {LEAST_LANDMARKS[model]} landmarks for {_article(model)} fit, "
            f"got {len(plane)}; place more."
        )
    w = w / w.sum()
    centre_plane, centre_slide = w @ plane, w @ slide
    p, s = plane - centre_plane, slide - centre_slide
    _check_spread(p, w, "imaging plane", needs_area=model == "affine")
    _check_spread(s, w, "slide", needs_area=model == "affine")
    if model == "affine":
        root = np.sqrt(w)[:, None]
        matrix = np.linalg.lstsq(root * p, root * s, rcond=None)[0].T
    else:
        matrix = _turn(p, s, w, model, mirrored)
    return Affine(matrix, centre_slide - matrix @ centre_plane)


def _turn(
    p: np.ndarray, s: np.ndarray, w: np.ndarray, model: str, mirrored: bool | None
) -> np.ndarray:
    """The best turn (and scale) of centred points; the sign of the determinant as wanted."""
    u, singular, vt = np.linalg.svd(s.T @ (w[:, None] * p))
    plain = np.linalg.det(u) * np.linalg.det(vt) > 0
    # With det = the sign of det(u) det(v) both singular values count fully: never a worse fit.
    if mirrored is None:
        even = singular[1] <= 1e-9 * singular[0]
        mirrored = False if even else not plain
    signs = np.array([1.0, 1.0 if plain != mirrored else -1.0])
    rotation = (u * signs) @ vt
    if model == "rigid":
        return rotation
    return rotation * (singular @ signs) / float(w @ (p**2).sum(axis=1))


def _check_spread(centred: np.ndarray, w: np.ndarray, where: str, *, needs_area: bool) -> None:
    spread = np.sqrt(np.maximum(np.linalg.eigvalsh(centred.T @ (w[:, None] * centred)), 0.0))
    if spread[1] < 1e-9:
        raise InputError(
            f"All landmarks lie at one place in the {where}; place them apart from each other."
        )
    if needs_area and spread[0] < _THINNEST * spread[1]:
        raise InputError(
            f"The landmarks lie on one line in the {where}, which leaves the direction across it "
            "open; add one away from the line, or use the similarity model."
        )


def _article(model: str) -> str:
    return f"an {model}" if model[0] in "aeiou" else f"a {model}"


def shrinkage_of(matrix: np.ndarray) -> tuple[float, float]:
    """How much smaller the section is than the plane along (depth, lateral), as fractions.

    0.15 means that 1 mm of the imaging plane measures 0.85 mm on the slide; negative where the
    section is larger.
    """
    scale = np.linalg.norm(matrix, axis=0)
    return float(1 - scale[0]), float(1 - scale[1])


def principal_stretches(matrix: np.ndarray) -> tuple[float, float]:
    """Largest and smallest length of slide per length of plane, over all directions."""
    largest, smallest = np.linalg.svd(matrix, compute_uv=False)
    return float(largest), float(smallest)
