"""Stain separation against scikit-image's and against vectors in use.

scikit-image's `separate_stains` gives natural density by log(1e-6): its amount times 6 is decadic
density along its own rows, whose lengths are not quite 1 (read in its installed source).
"""

from __future__ import annotations

import numpy as np
import pytest
from skimage import color

from coreg.stain import STAIN_SETS, StainSet, estimate_vectors, separate

WHITE = np.full(3, 255.0)


@pytest.fixture(scope="module")
def picture() -> np.ndarray:
    return np.random.default_rng(0).integers(1, 256, (64, 64, 3)).astype(np.uint8)


def skimage_density(picture: np.ndarray, rgb_from: np.ndarray) -> np.ndarray:
    """scikit-image's separation in decadic density along unit vectors."""
    found = color.separate_stains(picture, np.linalg.inv(rgb_from))
    return found * 6 * np.linalg.norm(rgb_from, axis=1)


def test_three_stains_agree_with_scikit_image(picture):
    three = StainSet(
        "H, E and DAB",
        ("haematoxylin", "eosin", "DAB"),
        color.rgb_from_hed,
        ("", "", ""),
        "skimage",
    )
    expected = skimage_density(picture, color.rgb_from_hed)
    np.testing.assert_allclose(separate(picture, three, WHITE), expected, atol=2e-5)
    np.testing.assert_allclose(
        color.rgb2hed(picture) * 6 * np.linalg.norm(color.rgb_from_hed, axis=1), expected, atol=1e-9
    )


@pytest.mark.parametrize(
    ("name", "rgb_from"),
    [("H-DAB", color.rgb_from_hdx), ("Masson's trichrome", color.rgb_from_bpx)],
)
def test_two_stains_agree_with_scikit_image(picture, name, rgb_from):
    """Completed by the cross product; the two-decimal H-DAB is scikit-image's to its rounding."""
    stains = STAIN_SETS[name]
    np.testing.assert_allclose(
        stains.vectors, rgb_from[:2] / np.linalg.norm(rgb_from[:2], axis=1)[:, None], atol=5e-3
    )
    exact = StainSet(name, stains.stains, rgb_from[:2], ("", ""), "skimage")
    completed = np.vstack([rgb_from[:2], np.cross(rgb_from[0], rgb_from[1])])
    expected = skimage_density(picture, completed)[..., :2]
    np.testing.assert_allclose(separate(picture, exact, WHITE), expected, atol=2e-5)


def test_he_vectors_are_ruifrok_and_johnstons():
    """Ruifrok & Johnston 2001 as scikit-image carries them: rgb_from_hed, first two rows."""
    rows = color.rgb_from_hed[:2]
    unit = rows / np.linalg.norm(rows, axis=1)[:, None]
    np.testing.assert_allclose(STAIN_SETS["H&E"].vectors, unit, atol=1e-12)
    angle = np.degrees(np.arccos(unit[0] @ unit[1]))
    assert angle == pytest.approx(39.391, abs=1e-3)  # computed


def test_estimated_vectors_of_a_real_section_are_near_those_in_use(serial_sections):
    """Reference constants in common use (ten public code files; not from the 2009 paper).

    Laboratories differ: within 15° for haematoxylin. Eosin is faint here and is not compared.
    """
    from PIL import Image as Pillow

    with Pillow.open(serial_sections / "section-he.jpg") as opened:
        rgb = np.asarray(opened.convert("RGB"))
    found = estimate_vectors(rgb)
    assert found.ok
    reference = np.array([0.5626, 0.7201, 0.4062])
    assert np.degrees(np.arccos(found.stains.vectors[0] @ reference)) < 15
