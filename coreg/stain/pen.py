"""Pen on the glass: dense, smooth, and of a colour that the stains cannot make, or black."""

from __future__ import annotations

from itertools import combinations

import numpy as np
from scipy import ndimage

from coreg.stain.sets import StainSet

# Scanners and laboratories differ: eosin is met between the nominal vector and a redder one. These
# widen the colours that a set may make (constants in common use with the method of Macenko et al.,
# not from a paper).
_VARIANTS = {
    "haematoxylin": (0.5626, 0.7201, 0.4062),
    "eosin": (0.2159, 0.8012, 0.5581),
}
_STRONG = 0.22
_APART_DEGREES = 12.0
_BLACK = 0.75
_SMOOTH = 0.10
_TABLE = 128


def pen_mask(density: np.ndarray, pixel: float, stains: StainSet) -> np.ndarray:
    """Where there is pen.

    Parameters
    ----------
    density : (3, h, w) optical density
    pixel : mm
    stains : a pen of a colour that these can make is only found by being smoother and much denser
        than tissue

    Returns
    -------
    bool (h, w)
    """
    strength = _length(density)
    coloured = np.stack([ndimage.gaussian_filter(plane, 0.012 / pixel) for plane in density])
    size = _length(coloured)
    low = np.minimum(np.minimum(coloured[0], coloured[1]), coloured[2])
    high = np.maximum(np.maximum(coloured[0], coloured[1]), coloured[2])
    # Neutral grey is dust, shadow or a cover slip: no pen unless it is black.
    neutral = high < 1.35 * low
    strong = size > _STRONG
    outside = _angle_to_colours(coloured, stains) > _APART_DEGREES
    window = max(3, 2 * round(0.03 / pixel) + 1)
    mean = ndimage.uniform_filter(strength, window)
    spread = np.sqrt(np.maximum(ndimage.uniform_filter(strength**2, window) - mean**2, 0))
    smooth = spread < _SMOOTH * np.maximum(mean, 1e-3)
    core = ((outside & ~neutral) | (neutral & (low > _BLACK) & smooth)) & strong
    # Whatever its colour: much denser than what is stained here, with much less grain.
    stained = size > 0.1
    if stained.any():
        grain = spread / np.maximum(mean, 1e-3)
        dense = size > 2.0 * np.median(size[stained])
        core |= dense & strong & (grain < 0.5 * np.median(grain[stained]))
    core = ndimage.binary_opening(core, _square(0.03, pixel))
    labels, count = ndimage.label(ndimage.binary_dilation(core, _square(0.03, pixel)))
    if not count:
        return core
    # A pen's stroke is at least about a third of a millimetre wide and much longer.
    area = np.bincount(labels.ravel()) * pixel**2
    evenness = ndimage.mean(smooth, labels, np.arange(count + 1))
    keep = (area > 0.15) & (evenness > 0.25)
    keep[0] = False
    stroke = keep[labels]
    # The faint rim of the stroke belongs to it.
    rim = ndimage.binary_dilation(stroke, _square(0.06, pixel))
    return stroke | (rim & (outside | neutral) & (size > 0.05))


def _angle_to_colours(density: np.ndarray, stains: StainSet) -> np.ndarray:
    """Degrees between each pixel's density and the nearest colour that the stains can make."""
    vectors = [*stains.vectors]
    for name, vector in _VARIANTS.items():
        if name in stains.stains:
            vectors.append(np.array(vector) / np.linalg.norm(vector))
    # The angle depends on the direction only, so it is looked up: shares of red and green.
    n = _TABLE
    share = (np.arange(n, dtype=np.float64) + 0.5) / n
    red, green = np.meshgrid(share, share, indexing="ij")
    directions = np.stack([red, green, np.maximum(1 - red - green, 0)]).reshape(3, -1)
    table = _degrees(directions / _length(directions), vectors).reshape(n, n).astype(np.float32)
    total = np.maximum(density[0] + density[1] + density[2], 1e-6)
    at = [np.minimum((plane / total * n).astype(np.intp), n - 1) for plane in density[:2]]
    return table[at[0], at[1]]


def _degrees(unit: np.ndarray, vectors: list[np.ndarray]) -> np.ndarray:
    """Angle between unit vectors (3, n) and the cone of non-negative sums of `vectors`."""
    best = np.max([vector @ unit for vector in vectors], axis=0)
    for pair in combinations(vectors, 2):
        plane = np.stack(pair, axis=1)
        amounts = np.linalg.pinv(plane) @ unit
        nearest = _length(plane @ amounts)
        best = np.maximum(best, np.where((amounts >= 0).all(axis=0), nearest, -1))
    for triple in combinations(vectors, 3):
        corner = np.stack(triple, axis=1)
        if abs(np.linalg.det(corner)) > 1e-3:
            best[(np.linalg.inv(corner) @ unit >= 0).all(axis=0)] = 1
    return np.degrees(np.arccos(np.clip(best, -1, 1)))


def _length(planes: np.ndarray) -> np.ndarray:
    return np.sqrt(planes[0] ** 2 + planes[1] ** 2 + planes[2] ** 2)


def _square(radius_mm: float, pixel: float) -> np.ndarray:
    r = max(1, round(radius_mm / pixel))
    return np.ones((2 * r + 1, 2 * r + 1), dtype=bool)
