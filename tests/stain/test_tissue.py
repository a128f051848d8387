"""Tissue, pen, folds and blur on drawn slides whose truth is known, and on real sections."""

from __future__ import annotations

import numpy as np
import pytest
import tifffile
from scipy import ndimage

from coreg.errors import InputError
from coreg.geometry import Grid, Image
from coreg.sources.slides import open_slide
from coreg.stain import STAIN_SETS, artefact_mask, artefacts, tissue_mask
from coreg.stain.focus import out_of_focus

SHAPE = (360, 480)
PX = 0.024
GRID = Grid(SHAPE, (PX, PX), (PX / 2, PX / 2), "slide")
Y, X = np.mgrid[: SHAPE[0], : SHAPE[1]]
LOBES = 1 + 0.12 * np.sin(5 * np.arctan2(Y - 180, X - 200))
TISSUE = ((Y - 180) / 130) ** 2 + ((X - 200) / 145) ** 2 < LOBES
PENS = {"blue": (25, 50, 170), "green": (20, 140, 70), "red": (205, 30, 40), "black": (25, 25, 28)}


def section(glass=243.0, stain="H&E", pale=1.0, grain=3.0, shading=0.0) -> np.ndarray:
    rng = np.random.default_rng(0)
    vectors = STAIN_SETS[stain].vectors
    noise = [ndimage.gaussian_filter(rng.normal(size=SHAPE), 1.5) for _ in vectors]
    amount = np.stack([np.clip(0.3 + 0.12 * grain * n, 0, None) * pale for n in noise], axis=-1)
    light = (glass * (1 - shading * X / SHAPE[1]))[..., None]
    rgb = light * 10 ** -((amount * TISSUE[..., None]) @ vectors)
    return np.clip(rgb + rng.normal(0, 1.2, rgb.shape), 0, 255).astype(np.uint8)


def drawn(rgb: np.ndarray, where: np.ndarray, colour) -> np.ndarray:
    soft = ndimage.gaussian_filter(where.astype(float), 0.7)[..., None]
    return (rgb * (1 - soft + soft * np.array(colour) / 255)).astype(np.uint8)


def dice(mask: np.ndarray, truth: np.ndarray = TISSUE) -> float:
    return float(2 * (mask & truth).sum() / (mask.sum() + truth.sum()))


def found(rgb: np.ndarray, stain="H&E") -> np.ndarray:
    return tissue_mask(Image(rgb, GRID), stains=STAIN_SETS[stain])


@pytest.mark.parametrize("stain", STAIN_SETS)
def test_every_staining(stain):
    assert dice(found(section(stain=stain), stain)) > 0.98


@pytest.mark.parametrize("glass", [255, 225, 190, 150])
def test_grey_glass(glass):
    assert dice(found(section(glass=glass))) > 0.98


@pytest.mark.parametrize("pale", [0.3, 0.08])
def test_pale_stain(pale):
    assert dice(found(section(pale=pale))) > 0.98


def test_uneven_light():
    assert dice(found(section(shading=0.15))) > 0.97


def test_a_zone_that_a_viability_stain_leaves_pale_is_tissue():
    core = (Y - 180) ** 2 + (X - 200) ** 2 < 60**2
    rgb = np.where(
        core[..., None],
        section(stain="NADH-diaphorase", pale=0.12),
        section(stain="NADH-diaphorase"),
    )
    assert dice(found(rgb, "NADH-diaphorase")) > 0.98


def test_dust_cover_slip_and_painted_white_are_glass():
    rng = np.random.default_rng(1)
    rgb = section().astype(float)
    for y, x, r in zip(
        rng.integers(9, 350, 40), rng.integers(9, 470, 40), rng.uniform(1, 4, 40), strict=True
    ):
        rgb[(Y - y) ** 2 + (X - x) ** 2 < r * r] *= 0.4
    rgb[:, 430:] *= 0.93
    rgb[:, 428:431] *= 0.6
    rgb[24:26] *= 0.55
    rgb[:10] = 255
    assert dice(found(rgb.astype(np.uint8))) > 0.98


@pytest.mark.parametrize("pen", PENS)
def test_pen_on_glass_and_on_tissue(pen):
    """A red pen has eosin's colour: it is told by its density and smoothness."""
    beside = (np.abs(X - 400) < 12) & (np.abs(Y - 180) < 150)
    across = (np.abs(Y - 180) < 12) & (X > 80)
    rgb = drawn(section(), beside, PENS[pen])
    assert dice(found(rgb)) > 0.98
    over = drawn(section(), across, PENS[pen])
    assert dice(found(over), TISSUE & ~across) > 0.97
    parts = artefacts(Image(over, GRID), TISSUE)
    assert (parts.pen & across).sum() > 0.85 * across.sum()
    assert (parts.pen & ~ndimage.binary_dilation(across, iterations=4)).sum() < 0.005 * TISSUE.sum()


@pytest.mark.parametrize("stain", STAIN_SETS)
def test_clean_tissue_has_no_artefact(stain):
    mask = artefact_mask(Image(section(stain=stain), GRID), TISSUE, stains=STAIN_SETS[stain])
    assert mask.mean() < 0.002


def test_a_fold_is_found():
    """Two layers absorb twice as much; of a fold 0.2 mm wide at least 60 % is found."""
    fold = (np.abs((Y - 180) - 0.4 * (X - 200)) < 5) & (np.abs(X - 200) < 80)
    light = section(grain=1.5) / 243.0
    light[fold] = light[fold] ** 2
    parts = artefacts(Image((light * 243).clip(0, 255).astype(np.uint8), GRID), TISSUE)
    assert (parts.fold & fold).sum() > 0.6 * fold.sum()
    assert (parts.fold & ~ndimage.binary_dilation(fold, iterations=3)).sum() < 0.002 * TISSUE.sum()


@pytest.fixture(scope="module")
def half_blurred():
    """A section at 2 µm per pixel whose right half is blurred by 3 pixels."""
    rng = np.random.default_rng(0)
    amount = np.stack(
        [0.3 + 0.3 * ndimage.gaussian_filter(rng.normal(size=(1000, 1200)), 0.8)] * 2, axis=-1
    )
    blurred = ndimage.gaussian_filter(amount, (3, 3, 0))
    amount[:, 600:] = blurred[:, 600:]
    rgb = 240 * 10 ** -(np.clip(amount, 0, None) @ STAIN_SETS["H&E"].vectors)
    return np.clip(rgb + rng.normal(0, 0.5, rgb.shape), 0, 255).astype(np.uint8)


def test_blur_is_found_in_an_image_and_in_a_slide(half_blurred, tmp_path):
    image = Image(half_blurred, Grid((1000, 1200), (0.002, 0.002), (0.001, 0.001), "slide"))
    whole = np.ones((1000, 1200), dtype=bool)
    blur = artefacts(image, whole, white=np.full(3, 240.0)).blur
    assert blur[:, 625:].mean() > 0.9
    assert blur[:, :500].mean() < 0.02
    tifffile.imwrite(tmp_path / "a.tif", half_blurred, photometric="rgb", tile=(256, 256))
    coarse = Grid((50, 60), (0.04, 0.04), (0.02, 0.02), "slide")
    with open_slide(tmp_path / "a.tif", 2.0) as slide:
        mask = out_of_focus(slide, Image(np.ones((50, 60), dtype=bool), coarse))
    assert mask[:, 32:].mean() > 0.85
    assert mask[:, :25].mean() < 0.02


@pytest.mark.parametrize(("name", "least"), [("he", 0.85), ("cc10", 0.5), ("prospc", 0.85)])
def test_real_sections_are_found(serial_sections, name, least):
    """Lung fills these pictures; nothing in them is pen or out of focus."""
    with open_slide(serial_sections / f"section-{name}.jpg", 3.48) as slide:
        image = slide.image(0.00348)
    mask = tissue_mask(image)
    assert mask.mean() > least
    parts = artefacts(image, mask)
    assert parts.pen.mean() < 0.005
    assert parts.blur.mean() < 0.05


def test_empty_glass_holds_nothing():
    rng = np.random.default_rng(0)
    glass = np.clip(rng.normal(240, 1.2, (*SHAPE, 3)), 0, 255).astype(np.uint8)
    assert not found(glass).any()


def test_misuse_is_said():
    with pytest.raises(InputError, match="Expected an 8-bit RGB image"):
        tissue_mask(Image(np.zeros(SHAPE), GRID))
    with pytest.raises(InputError, match="Expected a mask of shape"):
        artefact_mask(Image(section(), GRID), np.zeros((2, 2), bool))
