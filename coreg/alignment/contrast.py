"""Contrast made for a pair of images: what both show alike, whatever the stain or the modality.

All maps are float32 of the image's shape; lengths are in pixels of the working grid.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import ndimage

from coreg.errors import InputError
from coreg.geometry import Grid, Image, resample

Feature = Literal["tissue", "density", "spaces", "edges", "texture", "mind"]


@dataclass(frozen=True)
class Channel:
    """One map to compare and the area in pixels over which its noise is alike."""

    values: np.ndarray
    alike_px: float


def density(image: Image) -> Image:
    """How much tissue there is: mean optical density of an RGB image, or the grey values.

    Every stain darkens tissue, so the mean over the colours is what differently stained sections
    have in common.
    """
    data = np.asarray(image.data)
    if data.ndim == 2:
        return Image(data.astype(np.float32), image.grid)
    if data.shape[2] < 3:
        raise InputError(f"Expected a grey or RGB image, got {data.shape[2]} channels.")
    rgb = data[..., :3].astype(np.float32)
    thin = rgb[:: max(1, rgb.shape[0] // 300), :: max(1, rgb.shape[1] // 300)].reshape(-1, 3)
    white = np.percentile(thin, 99, axis=0)
    # As a table of 256 values where the image has 8 bits: the logarithm is what takes the time.
    if data.dtype == np.uint8:
        table = np.log10((white + 1) / (np.arange(256)[:, None] + 1)).clip(0).astype(np.float32)
        parts = [table[data[..., i], i] for i in range(3)]
    else:
        parts = [np.log10((white[i] + 1) / (rgb[..., i] + 1)).clip(0) for i in range(3)]
    return Image((parts[0] + parts[1] + parts[2]) / 3, image.grid)


def smoothed_to(image: Image, spacing: float) -> Image:
    """The image without the detail that pixels of `spacing` mm cannot hold; NaN counts as 0.

    Large images are averaged in whole blocks first, so that the time stays in bounds.
    """
    data, grid = np.nan_to_num(image.data), image.grid
    blocks = [max(1, int(spacing / s / 2)) for s in grid.spacing]
    if max(blocks) > 1:
        rows, columns = (n // b * b for n, b in zip(data.shape, blocks, strict=True))
        shape = (rows // blocks[0], blocks[0], columns // blocks[1], blocks[1])
        data = data[:rows, :columns].reshape(shape).mean(axis=(1, 3))
        steps = tuple(s * b for s, b in zip(grid.spacing, blocks, strict=True))
        origin = tuple(
            o + s * (b - 1) / 2 for o, s, b in zip(grid.origin, grid.spacing, blocks, strict=True)
        )
        grid = Grid(data.shape, (steps[0], steps[1]), (origin[0], origin[1]), grid.frame)
    ratio = np.array([spacing / s for s in grid.spacing])
    sigma = 0.5 * np.sqrt(np.maximum(ratio**2 - 1, 0))
    return Image(ndimage.gaussian_filter(data.astype(np.float32), sigma), grid)


def on_grid(
    image: Image,
    mask: np.ndarray | None,
    grid: Grid,
    pull: Callable[[np.ndarray], np.ndarray] | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Bring a density and its mask to a grid; returns (values with 0 outside, bool mask)."""
    values = resample(image, grid, pull)
    inside = np.isfinite(values)
    if mask is not None:
        inside &= resample(Image(mask, image.grid), grid, pull, order=0, fill=0).astype(bool)
    return np.where(inside, values, 0).astype(np.float32), inside


def channels(
    values: np.ndarray, mask: np.ndarray, features: tuple[Feature, ...], blur: float, window: float
) -> list[Channel]:
    """The maps to compare, each with about unit spread.

    Parameters
    ----------
    values : (rows, columns) density; mask : bool, where it is known
    blur : standard deviation in pixels of the smallest detail to use
    window : standard deviation in pixels of the neighbourhood that local normalisation sees
    """
    made: list[Channel] = []
    for feature in features:
        if feature == "tissue":
            whole = ndimage.gaussian_filter(values, blur)
            made.append(Channel(_unit(whole, mask), 4 * np.pi * blur**2))
        elif feature == "density":
            made.append(Channel(local_contrast(values, mask, blur, window), 4 * np.pi * blur**2))
        elif feature == "spaces":
            wide = 2 * blur
            made.append(Channel(spaces(values, mask, wide), 4 * np.pi * wide**2))
        elif feature == "edges":
            size = ndimage.gaussian_gradient_magnitude(values, blur)
            made.append(Channel(local_contrast(size, mask, blur, window), 8 * np.pi * blur**2))
        elif feature == "texture":
            rough = np.abs(values - ndimage.gaussian_filter(values, 2 * blur))
            made.append(
                Channel(local_contrast(rough, mask, 2 * blur, window), 16 * np.pi * blur**2)
            )
        elif feature == "mind":
            # The six maps are not independent: together they count as about two.
            made.extend(Channel(part, 24 * np.pi * blur**2) for part in mind(values, blur))
        else:
            raise InputError(
                f"Unknown feature {feature!r}; expected tissue, density, spaces, edges, "
                "texture or mind."
            )
    return made


def local_contrast(
    values: np.ndarray, mask: np.ndarray, blur: float, window: float, floor: float = 0.5
) -> np.ndarray:
    """Values less their local mean, over their local spread; squares of differences of two such
    maps are what local cross-correlation compares. Flat parts stay flat: the spread is not taken
    as smaller than `floor` of the whole."""
    v = ndimage.gaussian_filter(values, blur)
    m = mask.astype(np.float32)
    share = ndimage.gaussian_filter(m, window) + 1e-6
    mean = ndimage.gaussian_filter(v * m, window) / share
    square = ndimage.gaussian_filter(v * v * m, window) / share
    whole = float(v[mask].std()) if mask.any() else 1.0
    spread = np.sqrt(np.maximum(square - mean**2, 0) + (floor * whole) ** 2 + 1e-12)
    return np.asarray((v - mean) / spread, dtype=np.float32)


def spaces(values: np.ndarray, mask: np.ndarray, blur: float) -> np.ndarray:
    """Square root of the distance to the nearest tissue: large vessels and gaps stand out, fine
    pores do not, however dark the stain is."""
    from skimage.filters import threshold_otsu

    v = ndimage.gaussian_filter(values, 0.7)
    if not mask.any() or np.ptp(v[mask]) == 0:
        return np.zeros_like(values)
    empty = (v < 0.6 * threshold_otsu(v[mask])) & mask
    away = ndimage.gaussian_filter(np.sqrt(ndimage.distance_transform_edt(empty)), blur)
    return _unit(away, mask)


def mind(values: np.ndarray, blur: float) -> list[np.ndarray]:
    """Modality-independent neighbourhood descriptor, six comparisons in a ring.

    M. P. Heinrich et al., Med. Image Anal. 16, 2012, 1423–1435: each map is
    ``exp(-D / V)`` with D the local squared difference between two places near the pixel and V its
    mean over all comparisons.
    """
    reach = max(1, round(1.5 * blur))
    steps = [(0, reach), (reach, 0), (0, -reach), (-reach, 0)]
    pairs = [(a, b) for i, a in enumerate(steps) for b in steps[i + 1 :]]
    v = ndimage.gaussian_filter(values, 0.5 * blur)
    moved = {step: ndimage.shift(v, step, order=0, mode="nearest") for step in steps}
    apart = np.stack([ndimage.gaussian_filter((moved[a] - moved[b]) ** 2, blur) for a, b in pairs])
    local = apart.mean(axis=0)
    local = np.clip(local, 0.01 * local.mean(), 1000 * local.mean()) + 1e-12
    maps = np.exp(-apart / local)
    maps /= maps.max(axis=0)
    spread = maps.std() + 1e-9
    return [np.asarray((part - part.mean()) / spread, dtype=np.float32) for part in maps]


def _unit(values: np.ndarray, mask: np.ndarray) -> np.ndarray:
    spread = float(values[mask].std()) or 1.0
    return np.asarray((values - values[mask].mean()) / spread, dtype=np.float32)
