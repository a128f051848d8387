"""What on a slide is tissue, and which of it cannot be judged: pen, folds, blur.

Lengths in mm are turned into pixels of the image, so the same rules hold at any pixel size; an
image of 8 to 32 µm per pixel is meant.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy import ndimage

from coreg.errors import InputError
from coreg.geometry import Image
from coreg.stain.density import as_rgb, optical_density, white_point
from coreg.stain.focus import blurred
from coreg.stain.pen import pen_mask
from coreg.stain.sets import STAIN_SETS, StainSet

# Densities below this are not told from glass by any slide scanner (common practice, no source).
_FAINTEST = 0.010
_FAINTEST_GRAIN = 0.006
_NOISES = 5.0
_GRAIN_TOP = 0.1
_WORKING = 0.016
_LINE = 0.10  # mm, a quarter of the width of the widest line
# Blur is only seen where the pixels would show sharp detail.
COARSEST_FOR_BLUR = 0.005


@dataclass(frozen=True)
class Artefacts:
    """Parts of a section that are left out of every count; bool (h, w) each."""

    pen: np.ndarray = field(repr=False)
    fold: np.ndarray = field(repr=False)
    blur: np.ndarray = field(repr=False)

    @property
    def any(self) -> np.ndarray:
        """Where any of them is; bool (h, w)."""
        return self.pen | self.fold | self.blur


def tissue_mask(
    image: Image,
    *,
    stains: StainSet | None = None,
    white: np.ndarray | None = None,
    smallest_mm2: float = 0.1,
) -> np.ndarray:
    """Where there is tissue.

    Tissue absorbs light and has either colour or grain; glass has neither, whatever its grey. So
    the shadow beside a cover slip (grey, smooth), its edge (thin), dust (small) and pen (smooth, of
    a colour that no stain of the set has, or black) are not tissue, and a zone that a viability
    stain leaves pale is. Small holes are filled.

    Parameters
    ----------
    image : 8-bit RGB on a slide grid, best at 8 to 32 µm per pixel
    stains : what the section is stained with; H&E by default. Only pen is judged by it.
    white : (3,) white point; measured by default
    smallest_mm2 : smaller pieces are dropped, smaller holes filled

    Returns
    -------
    bool (h, w); all False where nothing is found
    """
    rgb = as_rgb(image)
    coarse, step, pixel = _coarse(rgb, image)
    level = white_point(rgb) if white is None else np.asarray(white, dtype=np.float64)
    # Not cut at 0: how far glass is brighter than white tells the noise, which pale tissue cannot.
    density = _density(coarse, level)
    pen = pen_mask(np.maximum(density, 0), pixel, stains or STAIN_SETS["H&E"])
    red, green, blue = density
    grey = (red + green + blue) / 3
    chroma = np.sqrt(((red - grey) ** 2 + (green - grey) ** 2 + (blue - grey) ** 2) / 3)
    grey_s = ndimage.gaussian_filter(grey, max(0.5, 0.012 / pixel))
    chroma_s = ndimage.gaussian_filter(chroma, max(0.5, 0.012 / pixel))
    grain = _grain(grey, pixel)
    grey_s = grey_s - _uneven_light(grey_s, chroma_s, grain, pixel)
    glass = grey_s <= 0
    noise = 1.4826 * float(np.median(-grey_s[glass])) if glass.any() else 0.0
    absorbs = grey_s > max(_FAINTEST, _NOISES * noise)
    coloured = chroma_s > max(_FAINTEST, 3 * _least(chroma_s[glass]))
    grained = grain > max(_FAINTEST_GRAIN, 2 * _least(grain[glass]))
    mask = absorbs & (coloured | grained) & ~pen
    r = disc(0.04, pixel)
    mask = ndimage.binary_closing(np.pad(mask, len(r), mode="edge"), r)[
        len(r) : -len(r), len(r) : -len(r)
    ]
    # What absorbs within tissue is tissue, however pale and even: a core that took no stain.
    mask |= ndimage.binary_fill_holes(mask) & absorbs
    mask = ndimage.binary_opening(mask & ~pen, disc(0.05, pixel))
    pixels = max(1, round(smallest_mm2 / pixel**2))
    mask = _without_small(_without_lines(mask, chroma_s, pixel), pixels)
    mask = ~_without_small(~mask, pixels) & ~pen
    return _fine(mask, step, rgb.shape[:2])


def artefacts(
    image: Image,
    tissue: np.ndarray,
    *,
    stains: StainSet | None = None,
    white: np.ndarray | None = None,
) -> Artefacts:
    """Which parts of a section cannot be judged.

    - pen: see `tissue_mask`; marks over tissue too.
    - fold: tissue that absorbs in every channel at least 1.5 times as much as its neighbourhood
      within 1 mm, as two layers do, in a piece of at least 0.01 mm².
    - blur: tiles of 0.25 mm whose finest detail is missing against the slide's other tiles. What
      is lost to the pixel size cannot be seen: it is judged at 5 µm per pixel or less only; see
      `coreg.stain.focus.out_of_focus` for slides of any size.

    Parameters
    ----------
    tissue : bool (h, w) from `tissue_mask`
    """
    rgb = as_rgb(image)
    tissue = np.asarray(tissue, dtype=bool)
    if tissue.shape != rgb.shape[:2]:
        raise InputError(f"Expected a mask of shape {rgb.shape[:2]}, got {tissue.shape}.")
    level = white_point(rgb, tissue) if white is None else np.asarray(white, dtype=np.float64)
    coarse, step, pixel = _coarse(rgb, image)
    density = np.maximum(_density(coarse, level), 0)
    pen = pen_mask(density, pixel, stains or STAIN_SETS["H&E"])
    section = _block_mean(tissue.astype(np.float32), step) > 0.5
    fold = _folds(density, section & ~pen, pixel)
    fine_pen = _fine(pen, step, tissue.shape)
    fine_pixel = float(np.mean(image.grid.spacing))
    if fine_pixel <= COARSEST_FOR_BLUR:
        grey = optical_density(rgb, level).mean(axis=2)
        blur = blurred(grey, tissue & ~fine_pen, fine_pixel)
    else:
        blur = np.zeros_like(tissue)
    return Artefacts(fine_pen, _fine(fold, step, tissue.shape) & tissue, blur)


def artefact_mask(
    image: Image,
    tissue: np.ndarray,
    *,
    stains: StainSet | None = None,
    white: np.ndarray | None = None,
) -> np.ndarray:
    """Where a section cannot be judged for any reason: the union of `artefacts`; bool (h, w)."""
    return artefacts(image, tissue, stains=stains, white=white).any


def disc(radius_mm: float, pixel: float) -> np.ndarray:
    """A round structuring element of a radius in mm, at least one pixel."""
    r = max(1, round(radius_mm / pixel))
    y, x = np.ogrid[-r : r + 1, -r : r + 1]
    return x * x + y * y <= r * r + 0.25


def _coarse(rgb: np.ndarray, image: Image) -> tuple[np.ndarray, int, float]:
    """Mean light over blocks of about 16 µm, the block's side in pixels, and its pixel size."""
    fine = float(np.mean(image.grid.spacing))
    step = max(1, round(_WORKING / fine))
    return _block_mean(rgb, step), step, fine * step


def _density(light: np.ndarray, white: np.ndarray) -> np.ndarray:
    """Optical density as planes, float32 (3, h, w); below 0 where brighter than white."""
    planes = np.moveaxis(np.maximum(light, 1), -1, 0)
    scale = np.asarray(white, dtype=np.float32)[:, None, None]
    return -np.log10(np.ascontiguousarray(planes) / scale)


def _block_mean(values: np.ndarray, step: int) -> np.ndarray:
    values = values.astype(np.float32)
    for axis in (0, 1):
        starts = np.arange(0, values.shape[axis], step)
        sizes = np.diff(np.append(starts, values.shape[axis])).astype(np.float32)
        shape = [1] * values.ndim
        shape[axis] = len(sizes)
        values = np.add.reduceat(values, starts, axis=axis) / sizes.reshape(shape)
    return values


def _fine(mask: np.ndarray, step: int, shape: tuple[int, ...]) -> np.ndarray:
    """A mask of blocks on the image's own pixels, its edge between the blocks' centres."""
    if step == 1:
        return mask
    at = np.meshgrid(
        *((np.arange(n, dtype=np.float32) - (step - 1) / 2) / step for n in shape), indexing="ij"
    )
    level = ndimage.map_coordinates(mask.astype(np.float32), at, order=1, mode="nearest")
    return level > 0.5


def _grain(grey: np.ndarray, pixel: float) -> np.ndarray:
    """Local grain of the density: the median size of its detail over about 0.15 mm.

    A median passes over lines and specks that fill less than half of the window: the edge of a
    cover slip, dust.
    """
    from skimage.filters.rank import median

    detail = np.abs(grey - ndimage.gaussian_filter(grey, 2))
    steps = np.rint(np.clip(detail / _GRAIN_TOP, 0, 1) * 255).astype(np.uint8)
    side = max(5, 2 * round(0.07 / pixel) + 1)
    return median(steps, np.ones((side, side), np.uint8)).astype(np.float32) * (_GRAIN_TOP / 255)


def _uneven_light(
    grey: np.ndarray, chroma: np.ndarray, grain: np.ndarray, pixel: float
) -> np.ndarray:
    """The light's own shading: a surface of second order through what looks like glass, or 0."""
    glass = (np.abs(grey) < 0.05) & (chroma < 0.02) & (grain < 1.5 * _least(grain))
    # Only within wide, empty areas: between the walls of loose tissue it is not empty.
    glass = ndimage.distance_transform_edt(glass) > 0.3 / pixel
    if glass.mean() < 0.1:
        return np.zeros_like(grey)
    rows, columns = (np.linspace(-1, 1, n, dtype=np.float32) for n in grey.shape)
    y, x = np.broadcast_arrays(rows[:, None], columns[None, :])
    terms = [np.ones_like(grey), y, x, y * x, y * y, x * x]
    at = np.flatnonzero(glass)
    at = at[:: max(1, len(at) // 20000)]
    design = np.stack([term.ravel()[at] for term in terms], axis=1).astype(np.float64)
    values = grey.ravel()[at].astype(np.float64)
    for _ in range(3):
        factors, *_ = np.linalg.lstsq(design, values, rcond=None)
        off = values - design @ factors
        # Faint tissue taken for glass lies above; glass itself on both sides.
        near = off < 2 * 1.4826 * np.median(np.abs(off)) + 1e-6
        design, values = design[near], values[near]
    fitted = sum(f * term for f, term in zip(factors, terms, strict=True))
    low, high = np.percentile(values, [0.5, 99.5])
    return np.clip(fitted, low, high).astype(np.float32)


def _least(values: np.ndarray) -> float:
    """What empty glass shows, though some of `values` are tissue: the tenth percentile, or 0."""
    return float(np.percentile(values, 10)) if values.size else 0.0


def _without_small(mask: np.ndarray, pixels: int) -> np.ndarray:
    labels, count = ndimage.label(mask)
    if not count:
        return mask
    keep = np.bincount(labels.ravel()) >= pixels
    keep[0] = False
    return keep[labels]


def _without_lines(mask: np.ndarray, chroma: np.ndarray, pixel: float) -> np.ndarray:
    """Drop pieces that are thin throughout and colourless: a cover slip's edge, a scratch."""
    labels, count = ndimage.label(mask)
    if not count:
        return mask
    numbers = np.arange(count + 1)
    depth = ndimage.mean(ndimage.distance_transform_edt(mask), labels, numbers) * pixel
    colour = ndimage.mean(chroma, labels, numbers)
    keep = (depth > _LINE) | (colour > 2 * _FAINTEST)
    keep[0] = False
    return keep[labels]


def _folds(density: np.ndarray, tissue: np.ndarray, pixel: float) -> np.ndarray:
    if not tissue.any():
        return np.zeros_like(tissue)
    ratio = np.full(tissue.shape, np.inf, dtype=np.float32)
    for plane in density:
        values = ndimage.gaussian_filter(plane, max(0.5, 0.02 / pixel))
        np.minimum(ratio, values / np.maximum(_around(values, tissue, pixel), 0.03), out=ratio)
    found = ndimage.binary_opening(tissue & (ratio > 1.5), disc(0.015, pixel))
    # A fold is narrow; a dense region is no fold.
    found &= ~ndimage.binary_dilation(
        ndimage.binary_opening(found, disc(0.2, pixel)), disc(0.2, pixel)
    )
    return _without_small(found, max(1, round(0.02 / pixel**2)))


def _around(values: np.ndarray, tissue: np.ndarray, pixel: float) -> np.ndarray:
    """Density of the denser tissue within about 1 mm: of the paler half the weight is small."""
    sigma = 0.5 / pixel
    weight = tissue.astype(np.float32)
    mean = values
    for _ in range(2):
        total = ndimage.gaussian_filter(weight, sigma)
        mean = ndimage.gaussian_filter(values * weight, sigma) / np.maximum(total, 1e-4)
        weight = np.where(tissue & (values > mean), 1.0, 0.3 * tissue).astype(np.float32)
        weight[values > 1.6 * mean] *= 0.2
    return mean
