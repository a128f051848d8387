"""Colours: uniform, safe for colour-blind readers; round lengths."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from colorspacious import cspace_convert, deltaE
from matplotlib.colors import to_rgb

from coreg.figure import style
from coreg.figure.images import length_text, scale_bar_mm

DEFICIENCIES = (None, "deuteranomaly", "protanomaly", "tritanomaly")


def as_seen(colours, deficiency):
    """Colours as a reader without one kind of cone sees them (Machado et al. 2009, in
    colorspacious)."""
    if deficiency is None:
        return np.asarray(colours)
    space = {"name": "sRGB1+CVD", "cvd_type": deficiency, "severity": 100}
    return np.clip(cspace_convert(colours, space, "sRGB1"), 0, 1)


@pytest.mark.parametrize("deficiency", DEFICIENCIES)
@pytest.mark.parametrize(
    "colours",
    [
        [look.colour for look in style.OUTLINES.values()],
        [fill for fill, _ in style.OVERLAP.values()],
        [colour for colour, _, _ in style.SERIES],
    ],
    ids=["outlines", "overlap", "series"],
)
def test_colours_stay_apart_for_colour_blind_readers(colours, deficiency):
    """At least 10 units of CAM02-UCS, some ten times a just noticeable difference (common
    practice, no source)."""
    seen = as_seen([to_rgb(c) for c in colours], deficiency)
    for a, b in itertools.combinations(seen, 2):
        assert deltaE(a, b, input_space="sRGB1") > 10


def test_change_map_is_perceptually_uniform_on_either_side():
    """Steps in CAM02-UCS (Luo et al. 2006, in colorspacious) vary by less than a tenth."""
    rgb = style.change_map()(np.linspace(0, 1, 256))[:, :3]
    steps = np.linalg.norm(np.diff(cspace_convert(rgb, "sRGB1", "CAM02-UCS"), axis=0), axis=1)
    left, right = steps[:127], steps[128:]
    for side in (left, right):
        assert side.std() / side.mean() < 0.1
    assert left.mean() == pytest.approx(right.mean(), rel=0.1)


def test_change_map_has_equal_lightness_at_equal_distance_from_zero():
    rgb = style.change_map()(np.linspace(0, 1, 256))[:, :3]
    lightness = cspace_convert(rgb, "sRGB1", "CAM02-UCS")[:, 0]
    np.testing.assert_allclose(lightness, lightness[::-1], atol=4)
    assert lightness[127] > 95


@pytest.mark.parametrize("deficiency", DEFICIENCIES)
def test_sign_of_change_survives_colour_blindness(deficiency):
    rgb = style.change_map()([0.0, 0.25, 0.75, 1.0])[:, :3]
    seen = as_seen(rgb, deficiency)
    assert deltaE(seen[0], seen[3], input_space="sRGB1") > 20
    assert deltaE(seen[1], seen[2], input_space="sRGB1") > 20


@pytest.mark.parametrize(
    ("width", "length", "text"),
    [(30.0, 5.0, "5 mm"), (66.6, 10.0, "10 mm"), (66.7, 20.0, "20 mm"), (2.0, 0.5, "500 µm")],
)
def test_scale_bar_is_round_and_at_most_30_percent(width, length, text):
    assert scale_bar_mm(width) == pytest.approx(length)
    assert length_text(scale_bar_mm(width)) == text


def test_scale_bars_are_1_2_or_5_over_four_decades():
    for width in np.geomspace(0.01, 100, 500):
        length = scale_bar_mm(width)
        assert length <= 0.3 * width * (1 + 1e-9)
        assert length > 0.3 * width / 2.5 * (1 - 1e-9)
        assert f"{length:.0e}"[0] in "125"


def test_symmetric_range_of_nothing_is_one():
    assert style.symmetric_range(np.full((3, 3), np.nan)) == 1.0
    assert style.symmetric_range(np.zeros((3, 3))) == 1.0
