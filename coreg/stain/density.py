"""Optical density by the slide's own white, and its separation into stains.

Optical density is −log10 of the share of light that passes: a dye that lets a tenth pass has 1.
Densities of stains are in the same unit, along vectors of unit length.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from coreg.errors import InputError
from coreg.geometry import Image
from coreg.stain.sets import StainSet

if TYPE_CHECKING:
    from coreg.sources.slides.base import Progress, Slide

# A background is hardly coloured: its densities differ by less than this between channels.
_BACKGROUND_CHROMA = 0.12
_SMALLEST_SHARE = 0.01


def as_rgb(image: Image | np.ndarray) -> np.ndarray:
    """The uint8 (h, w, 3) array of an RGB image, or raise `InputError`."""
    data = image.data if isinstance(image, Image) else np.asarray(image)
    if data.ndim != 3 or data.shape[2] != 3 or data.dtype != np.uint8:
        raise InputError(
            f"Expected an 8-bit RGB image of shape (h, w, 3), got {data.dtype} {data.shape}."
        )
    return data


def white_point(image: Image | np.ndarray, mask: np.ndarray | None = None) -> np.ndarray:
    """The colour of empty, lit glass on this slide.

    Parameters
    ----------
    image : 8-bit RGB with some background in it
    mask : bool (h, w), True where there is tissue; None looks for the brightest large, hardly
        coloured part. Pure white (255, 255, 255) that a scanner paints where it did not look is
        passed over where other glass is in the picture.

    Returns
    -------
    float64 (3,), 1 to 255. Where hardly any background is in the picture: the 99.9th percentile of
    each channel, the nearest thing to white that it has.
    """
    pixels = as_rgb(image).reshape(-1, 3)
    if not len(pixels):
        raise InputError("The image is empty; there is no background to measure.")
    candidates = pixels
    if mask is not None:
        outside = ~np.asarray(mask, dtype=bool).ravel()
        if len(outside) != len(pixels):
            raise InputError(
                f"Expected a mask of {len(pixels)} pixels, got {len(outside)}; make it on the "
                "image's own grid."
            )
        candidates = pixels[outside]
    smallest = max(20, int(_SMALLEST_SHARE * len(pixels)))
    painted = candidates.astype(np.uint16) @ np.ones(3, np.uint16) == 3 * 255
    glass = candidates[~painted & _hardly_coloured(candidates)]
    white = _brightest_mode(glass, smallest) if len(glass) >= smallest else None
    if white is None and int(painted.sum()) >= smallest:
        return np.full(3, 255.0)
    if white is None:
        white = np.percentile(pixels, 99.9, axis=0)
    return np.maximum(white, 1.0)


def _hardly_coloured(pixels: np.ndarray) -> np.ndarray:
    red, green, blue = pixels[:, 0], pixels[:, 1], pixels[:, 2]
    low = np.minimum(np.minimum(red, green), blue).astype(np.float32)
    high = np.maximum(np.maximum(red, green), blue)
    return high < np.float32(10**_BACKGROUND_CHROMA) * np.maximum(low, 1)


def _brightest_mode(pixels: np.ndarray, smallest: int) -> np.ndarray | None:
    """Median colour of the brightest peak of lightness that holds at least `smallest` pixels."""
    light = pixels.astype(np.uint16) @ np.ones(3, np.uint16) // 3
    counts = np.bincount(light, minlength=256).astype(np.float64)
    window = np.convolve(counts, np.ones(5), mode="same")
    for value in range(255, 99, -1):
        higher = window[max(0, value - 6) : value + 7].max()
        if window[value] >= smallest and window[value] >= higher:
            near = np.abs(light.astype(np.int16) - value) <= 3
            return np.median(pixels[near], axis=0).astype(np.float64)
    return None


def optical_density(rgb: np.ndarray, white: Any) -> np.ndarray:
    """−log10(value / white) in each channel.

    Parameters
    ----------
    rgb : uint8 (..., 3); 0 counts as 1, since 8 bits cannot tell less
    white : (3,), see `white_point`

    Returns
    -------
    float32 (..., 3); 0 where the pixel is as bright as white or brighter
    """
    level = np.asarray(white, dtype=np.float64).reshape(-1)
    if level.shape != (3,) or not np.isfinite(level).all() or (level <= 0).any():
        raise InputError(f"Expected a white point of three values above 0, got {white!r}.")
    values = np.arange(256, dtype=np.float64)[:, None]
    table = np.maximum(-np.log10(np.maximum(values, 1) / level), 0).astype(np.float32)
    pixels = np.asarray(rgb)
    if pixels.dtype != np.uint8 or pixels.shape[-1:] != (3,):
        raise InputError(f"Expected 8-bit RGB, got {pixels.dtype} of shape {pixels.shape}.")
    return np.stack([table[pixels[..., c], c] for c in range(3)], axis=-1)


def separate(rgb: np.ndarray, stains: StainSet, white: Any) -> np.ndarray:
    """How much of each stain there is: colour deconvolution.

    Parameters
    ----------
    rgb : uint8 (h, w, 3)
    stains : n stains
    white : (3,), see `white_point`

    Returns
    -------
    float32 (h, w, n), optical density along each stain's unit vector; below 0 becomes 0.

    Source: A. C. Ruifrok, D. A. Johnston, Anal Quant Cytol Histol 2001;23:291-299.
    """
    density = optical_density(rgb, white)
    inverse = np.linalg.inv(stains.matrix)[:, : len(stains.stains)].astype(np.float32)
    return np.maximum(density @ inverse, 0)


def combine(densities: np.ndarray, stains: StainSet, white: Any) -> np.ndarray:
    """The picture that stain densities (h, w, n) make on glass of this white: uint8 (h, w, 3)."""
    density = np.asarray(densities, dtype=np.float64) @ stains.vectors
    return np.rint(np.clip(np.asarray(white) * 10**-density, 0, 255)).astype(np.uint8)


def separate_slide(
    slide: Slide,
    stains: StainSet,
    white: Any,
    spacing: float,
    path: str | os.PathLike[str],
    progress: Progress | None = None,
) -> Path:
    """Separate a whole slide at `spacing` mm per pixel into a tiled float OME-TIFF, band by band.

    Memory does not depend on the slide's size.
    """
    from coreg.sources.slides.write import write_bands

    grid = slide.levels[0].grid.with_spacing(spacing)

    def bands() -> Iterator[tuple[int, np.ndarray]]:
        for first, rgb in slide.bands(spacing, grid, progress):
            yield first, separate(rgb, stains, white)

    return write_bands(
        path,
        bands(),
        grid,
        dtype=np.float32,
        samples=len(stains.stains),
        channels=stains.stains,
    )
