"""Optical density, white point and separation on pictures whose stain is known."""

from __future__ import annotations

import numpy as np
import pytest
import tifffile

from coreg.errors import InputError
from coreg.geometry import Grid, Image
from coreg.sources.slides import open_slide, read_ome_tiff
from coreg.stain import (
    STAIN_SETS,
    StainSet,
    combine,
    optical_density,
    separate,
    separate_slide,
    stain_set,
    white_point,
)

WHITE = np.array([243.0, 240.0, 238.0])
HE = STAIN_SETS["H&E"]


def amounts(n: int, seed: int = 0, shape=(60, 80)) -> np.ndarray:
    return np.random.default_rng(seed).gamma(2.0, 0.12, (*shape, n))


def test_density_is_decadic_by_the_slides_own_white():
    rgb = np.array([[[243, 24, 255]]], dtype=np.uint8)
    found = optical_density(rgb, (243, 240, 238))
    assert found[0, 0] == pytest.approx((0, 1, 0), abs=1e-6)
    assert np.isfinite(optical_density(np.zeros((1, 1, 3), np.uint8), WHITE)).all()


@pytest.mark.parametrize("name", STAIN_SETS)
def test_mixed_stains_come_apart_again(name):
    """Rounding to 8 bits is all that may be lost."""
    stains = stain_set(name)
    truth = amounts(len(stains.stains))
    found = separate(combine(truth, stains, WHITE), stains, WHITE)
    assert np.abs(found - truth).mean() < 0.02
    assert np.corrcoef(found.ravel(), truth.ravel())[0, 1] > 0.99


def test_glass_holds_no_stain_and_brighter_is_cut():
    glass = np.full((4, 4, 3), 255, dtype=np.uint8)
    assert separate(glass, HE, WHITE).max() == 0


def test_white_is_that_of_the_glass():
    rgb = combine(amounts(2, shape=(100, 100)), HE, WHITE)
    rgb[:, 60:] = np.rint(WHITE + np.random.default_rng(0).normal(0, 1, (100, 40, 3)))
    mask = np.zeros((100, 100), dtype=bool)
    mask[:, :60] = True
    assert white_point(rgb, mask) == pytest.approx(WHITE, abs=1)
    assert white_point(rgb) == pytest.approx(WHITE, abs=1)


def test_white_that_a_scanner_painted_is_passed_over():
    rgb = np.full((100, 100, 3), 255, dtype=np.uint8)
    rgb[:50] = (230, 231, 229)
    assert white_point(rgb) == pytest.approx((230, 231, 229))
    rgb[:] = 255
    assert white_point(rgb) == pytest.approx((255, 255, 255))


def test_without_glass_the_brightest_pixels_stand_in():
    rgb = combine(0.3 + amounts(2), HE, WHITE)
    assert (white_point(rgb) == np.percentile(rgb.reshape(-1, 3), 99.9, axis=0)).all()


def test_a_slide_is_separated_in_bands_as_in_one_piece(tmp_path):
    rgb = combine(amounts(2, shape=(300, 200)), HE, WHITE)
    tifffile.imwrite(tmp_path / "a.tif", rgb, photometric="rgb", tile=(64, 64))
    with open_slide(tmp_path / "a.tif", 4.0) as slide:
        path = separate_slide(slide, HE, WHITE, 0.008, tmp_path / "b.ome.tif")
        whole = separate(slide.image(0.008).data, HE, WHITE)
    again = read_ome_tiff(path)
    np.testing.assert_array_equal(again.data, whole)
    assert again.grid.spacing == pytest.approx((0.008, 0.008))


def test_misuse_is_said():
    with pytest.raises(InputError, match=r"Expected an 8-bit RGB image"):
        white_point(np.zeros((4, 4)))
    with pytest.raises(InputError, match="Expected a mask of 16 pixels, got 4"):
        white_point(np.zeros((4, 4, 3), np.uint8), np.zeros(4, bool))
    with pytest.raises(InputError, match="white point of three values above 0"):
        optical_density(np.zeros((4, 4, 3), np.uint8), (1, 0, 2))
    with pytest.raises(InputError, match="Unknown stain 'HE'"):
        stain_set("HE")
    with pytest.raises(InputError, match="cannot be told apart"):
        StainSet("x", ("a", "b"), np.array([[1, 1, 0], [2, 2, 0]]), ("", ""), "test")


def test_stain_sets_survive_as_plain_values():
    for each in STAIN_SETS.values():
        again = StainSet.from_dict(each.to_dict())
        np.testing.assert_allclose(again.vectors, each.vectors, atol=1e-12)
        assert again.marks == each.marks
        assert np.linalg.norm(each.vectors, axis=1) == pytest.approx(1)


def test_an_image_is_taken_as_well_as_an_array():
    rgb = np.full((4, 4, 3), 200, dtype=np.uint8)
    image = Image(rgb, Grid((4, 4), (1, 1), frame="slide"))
    assert (white_point(image) == white_point(rgb)).all()
