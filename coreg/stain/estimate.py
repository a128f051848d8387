"""Stain vectors estimated from the slide itself."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import permutations
from typing import Any

import numpy as np

from coreg.errors import InputError
from coreg.geometry import Image
from coreg.stain.density import as_rgb, optical_density, white_point
from coreg.stain.sets import STAIN_SETS, StainSet

_FEWEST_PIXELS = 200
_SMALLEST_ANGLE = 5.0
_MOST_PIXELS = 500_000


@dataclass(frozen=True)
class StainEstimate:
    """Vectors estimated from a slide, or the set that one started from with the reason why.

    Parameters
    ----------
    stains : the vectors to use
    white : (3,) white point that the densities were measured against
    reason : why no estimate could be made; "" where it was
    pixels : how many stained pixels were used
    angle : degrees between the two vectors; NaN with one
    settings : beta, alpha and seed
    """

    stains: StainSet
    white: np.ndarray
    reason: str
    pixels: int
    angle: float
    settings: dict[str, Any]

    @property
    def ok(self) -> bool:
        return not self.reason

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON or TOML; an angle of NaN becomes None."""
        return {
            "stains": self.stains.to_dict(),
            "white": np.asarray(self.white).tolist(),
            "reason": self.reason,
            "pixels": self.pixels,
            "angle": None if np.isnan(self.angle) else self.angle,
            "settings": dict(self.settings),
        }


def estimate_vectors(
    image: Image | np.ndarray,
    mask: np.ndarray | None = None,
    white: Any = None,
    *,
    stains: StainSet | None = None,
    beta: float = 0.15,
    alpha: float = 1.0,
    seed: int = 0,
) -> StainEstimate:
    """Estimate the vectors of a slide's one or two stains.

    The densities of stained pixels lie in the plane of two vectors; in that plane the `alpha` and
    100 − `alpha` percentiles of their angle are the purest pixels of each. One stain: the mean
    direction.

    Parameters
    ----------
    mask : bool (h, w), True where to look, e.g. tissue without artefacts; all by default
    white : (3,); measured from the image by default
    stains : names the stains and says which vector is which; H&E by default
    beta : pixels whose density in every channel is below this hold too little stain
    alpha : percentile in per cent
    seed : draws 500,000 pixels where there are more

    Returns
    -------
    `StainEstimate`; `reason` says why where the picture does not allow one.

    Source: M. Macenko et al., "A method for normalizing histology slides for quantitative
    analysis", IEEE ISBI 2009, 1107-1110 (beta and alpha as there, from memory).
    """
    start = STAIN_SETS["H&E"] if stains is None else stains
    if len(start.stains) > 2:
        raise InputError(
            f"Vectors can be estimated for one or two stains, {start.name} has "
            f"{len(start.stains)}; give them in case.toml."
        )
    rgb = as_rgb(image)
    level = white_point(rgb, mask) if white is None else np.asarray(white, dtype=np.float64)
    picked = rgb.reshape(-1, 3) if mask is None else rgb[np.asarray(mask, dtype=bool)]
    settings = {"beta": beta, "alpha": alpha, "seed": seed}
    if len(picked) > _MOST_PIXELS:
        picked = np.random.default_rng(seed).choice(picked, _MOST_PIXELS, replace=False)
    density = optical_density(picked, level).astype(np.float64)
    density = density[(density > beta).any(axis=1)]

    def result(found: StainSet, reason: str, angle: float = np.nan) -> StainEstimate:
        return StainEstimate(found, level, reason, len(density), angle, settings)

    if len(density) < _FEWEST_PIXELS:
        return result(
            start,
            f"Only {len(density)} pixels hold enough stain to estimate its colour, "
            f"{_FEWEST_PIXELS} are needed; the vectors of {start.name} are used.",
        )
    source = "estimated from the slide by the method of Macenko et al., IEEE ISBI 2009, 1107-1110"
    if len(start.stains) == 1:
        vector = density.mean(axis=0)[None, :]
        return result(replace(start, vectors=vector, source=f"mean of the slide ({source})"), "")
    vectors = _extremes(density, alpha)
    angle = float(np.degrees(np.arccos(np.clip(vectors[0] @ vectors[1], -1, 1))))
    if angle < _SMALLEST_ANGLE:
        return result(
            start,
            f"The slide shows one colour only ({angle:.1f}° between its extremes); the vectors of "
            f"{start.name} are used.",
            angle,
        )
    order = max(
        permutations(range(2)), key=lambda p: float((vectors[list(p)] * start.vectors).sum())
    )
    return result(replace(start, vectors=vectors[list(order)], source=source), "", angle)


def _extremes(density: np.ndarray, alpha: float) -> np.ndarray:
    """The two extreme directions (2, 3), unit length, none below 0."""
    _, axes = np.linalg.eigh(np.cov(density, rowvar=False))
    plane = axes[:, [2, 1]].T
    plane = plane * np.where(plane.sum(axis=1, keepdims=True) < 0, -1, 1)
    along = density @ plane.T
    angles = np.arctan2(along[:, 1], along[:, 0])
    ends = np.percentile(angles, [alpha, 100 - alpha])
    vectors = np.stack([np.cos(ends), np.sin(ends)], axis=1) @ plane
    vectors = np.maximum(vectors, 0)
    return vectors / np.maximum(np.linalg.norm(vectors, axis=1, keepdims=True), 1e-9)
