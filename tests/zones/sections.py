"""A small painted section for the tests: cells with nuclei, a smooth core and a pale rim."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from coreg.geometry import ZONES, Grid, Image, resample
from coreg.stain import combine, stain_set

CORE_MM, RIM_MM, TISSUE_MM = 1.5, 2.1, 3.4


@dataclass(frozen=True)
class Painted:
    """The picture, and the truth on its pixels (uint8 `ZONES` numbers)."""

    image: Image
    truth: np.ndarray

    def truth_on(self, grid: Grid) -> np.ndarray:
        return resample(Image(self.truth, self.image.grid), grid, order=0, fill=0)


def paint(
    seed: int = 0, *, treated: bool = True, stain: str = "H&E", strength: float = 1.0
) -> Painted:
    """A round section of 6.8 mm at 16 µm per pixel on glass."""
    rng = np.random.default_rng(seed)
    grid = Grid((460, 460), (0.016, 0.016), (0.008, 0.008), "slide")
    points = grid.centres()
    middle = np.array([3.7, 3.7])
    from_focus = np.hypot(*(points - middle - rng.uniform(-0.6, 0.6, 2)).T).reshape(grid.shape)
    tissue = np.hypot(*(points - middle).T).reshape(grid.shape) < TISSUE_MM
    truth = np.where(tissue, ZONES["viable"], 0).astype(np.uint8)
    if treated:
        truth[tissue & (from_focus < RIM_MM)] = ZONES["diffusion-damaged"]
        truth[tissue & (from_focus < CORE_MM)] = ZONES["ablated"]
    nuclei = 0.9 * (rng.random(grid.shape) < 0.3)
    first = 0.1 + ndimage.gaussian_filter(nuclei, 0.4)
    second = 0.3 + 0.08 * ndimage.gaussian_filter(rng.standard_normal(grid.shape), 1.0) * 3
    core, rim = truth == ZONES["ablated"], truth == ZONES["diffusion-damaged"]
    stains = stain_set(stain)
    if stains.viable:
        amount = (first + 0.4) * np.where(core, 0.15, np.where(rim, 0.55, 1.0))
        amounts = (amount * tissue)[..., None] * strength
    elif stain == "Masson's trichrome":
        amounts = _trichrome(rng, core, rim)
        amounts *= tissue[..., None] * strength
    else:
        blurred = ndimage.gaussian_filter(first, 3)
        first = np.where(core, 0.7 * blurred, np.where(rim, 0.7 * first, first))
        second = np.where(core, 0.4, np.where(rim, 0.18, second))
        amounts = np.stack([first, second], axis=-1) * tissue[..., None] * strength
    white = np.array([243.0, 243.0, 241.0])
    rgb = combine(amounts, stains, white).astype(float) + rng.normal(0, 1.0, (*grid.shape, 3))
    return Painted(Image(np.clip(rgb, 0, 255).astype(np.uint8), grid), truth)


def _trichrome(rng: np.random.Generator, core: np.ndarray, rim: np.ndarray) -> np.ndarray:
    """Blue septa of collagen in red cytoplasm; heat takes the collagen's blue and turns it red.

    Coagulated collagen that takes the red dye in place of the blue: common practice, no source.
    """
    net = np.abs(ndimage.gaussian_filter(rng.standard_normal(core.shape), 3.0))
    collagen = 0.7 * (net < 0.25 * net.std()) + 0.08
    collagen = ndimage.gaussian_filter(collagen, 0.6)
    changed = np.where(core, 0.85, np.where(rim, 0.3, 0.0))
    blue = collagen * (1 - changed)
    cytoplasm = 0.25 * np.where(rim, 0.6, 1.0)
    red = cytoplasm + 0.9 * collagen * changed
    # The core is homogeneous: what was septum and what was cell run into one another.
    red = np.where(core, ndimage.gaussian_filter(red, 6), red)
    grain = 1 + 0.05 * rng.standard_normal(core.shape)
    return np.stack([blue * grain, red * grain], axis=-1)


def dice(first: np.ndarray, second: np.ndarray) -> float:
    total = int(first.sum()) + int(second.sum())
    return 2 * int((first & second).sum()) / total if total else float("nan")
