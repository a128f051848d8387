"""Public functions on NaN, infinity, nothing and degenerate input: what each docstring states."""

from __future__ import annotations

import numpy as np
import pytest

from coreg.agreement import map_noise, match_lesions, measure, refined_grid
from coreg.alignment import fit_landmarks
from coreg.cohort import bland_altman, concordance, deming, intraclass, passing_bablok, r_squared
from coreg.displacement import (
    LesionOptions,
    change_from_baseline,
    check_frequency,
    fit_oscillation,
    predict_lesion,
    quality_mask,
)
from coreg.errors import CoregError, InputError
from coreg.geometry import Grid, Image, Outline, mask_from_outlines, outlines_from_mask, resample
from coreg.landmark_pairs import LandmarkPairs
from coreg.stain import optical_density, sections, tissue_mask
from coreg.transforms import Affine

GRID = Grid((12, 10), (0.5, 0.5))
SLIDE = Grid((12, 10), (0.05, 0.05), (0.0, 0.0), "slide")
EMPTY = np.zeros(GRID.shape, dtype=bool)
BAD_NUMBERS = [np.nan, np.inf, -np.inf]


@pytest.mark.parametrize("value", BAD_NUMBERS)
def test_an_oscillation_drops_a_bad_frame_at_its_pixel_alone(value):
    frames = np.arange(16) / 400
    data = np.sin(2 * np.pi * 50 * frames)[:, None, None] * np.full((12, 10), 4.0)
    data[3, 2, 5] = value
    data[:, 7, 7] = value
    fit = fit_oscillation(data.astype(np.float32), 400, 50)
    assert np.isnan(fit.amplitude[7, 7]), "no frame is left there"
    others = np.delete(fit.amplitude.ravel(), 7 * 10 + 7)
    assert np.allclose(others, 8.0, rtol=1e-4)


@pytest.mark.parametrize("shape", [(0, 12, 10), (2, 12, 10)])
def test_an_oscillation_of_too_few_frames_is_refused(shape):
    with pytest.raises(InputError, match=r"frame|empty"):
        fit_oscillation(np.zeros(shape, dtype=np.float32), 400, 50)


@pytest.mark.parametrize("rate", [0, -1, np.nan, np.inf])
def test_a_frame_rate_that_is_none_is_refused(rate):
    with pytest.raises(InputError, match=r"rate|frequency|above 0"):
        fit_oscillation(np.zeros((16, 4, 4), dtype=np.float32), rate, 50)


@pytest.mark.parametrize("value", [*BAD_NUMBERS, 0.0, -1.0])
def test_a_change_from_no_baseline_is_nan(value):
    baseline = np.full(GRID.shape, 5.0)
    baseline[4, 4] = value
    change = change_from_baseline(np.full(GRID.shape, 4.0), baseline)
    assert np.isnan(change.percent[4, 4]) or value == 0.0
    assert not np.isinf(change.percent).any()
    rest = np.delete(change.percent.ravel(), 4 * 10 + 4)
    assert np.allclose(rest, -20.0, atol=1e-4)


def test_nothing_finite_to_predict_from_is_no_lesion_with_a_reason():
    nothing = np.full(GRID.shape, np.nan)
    lesion = predict_lesion(change_from_baseline(nothing, nothing), LesionOptions(), grid=GRID)
    assert not lesion.mask.any()
    assert lesion.area == 0
    assert lesion.reason


def test_a_quality_mask_of_nan_keeps_nothing():
    quality = quality_mask(np.full(GRID.shape, np.nan), grid=GRID)
    assert not quality.mask.any()


def test_a_recording_without_motion_has_a_serious_finding():
    found = check_frequency(np.zeros((1, 32, 6, 6), dtype=np.float32), 400, 50)
    assert any(finding.serious for finding in found.findings)


def test_measures_of_nothing_are_nan_with_a_reason():
    found = measure(EMPTY, EMPTY, GRID)
    assert np.isnan(found.dice)
    assert found.reasons["dice"]
    some = EMPTY.copy()
    some[3, 3] = True
    assert measure(some, EMPTY, GRID).dice == 0
    with pytest.raises(InputError, match="validity is empty"):
        measure(some, some, GRID, EMPTY)
    with pytest.raises(InputError, match="booleans of shape"):
        measure(some.astype(float), some, GRID)
    assert match_lesions(EMPTY, EMPTY, 1).predicted_count == 0


def test_noise_of_a_map_without_numbers():
    """Too little unchanged tissue: the fit's own error stands, and no extra one is known."""
    found = map_noise(np.full(GRID.shape, np.nan), None, GRID, EMPTY, ~EMPTY, (1.0, 1.0))
    assert (found.error_percent == 0).all()


def test_a_refined_grid_without_regions_is_the_grid():
    assert refined_grid(GRID, []) == GRID


def test_no_outlines_fill_nothing_and_no_mask_has_outlines():
    assert not mask_from_outlines([], GRID).any()
    assert outlines_from_mask(EMPTY, GRID) == []
    assert outlines_from_mask(np.full(GRID.shape, np.nan), GRID) == []


@pytest.mark.parametrize("value", BAD_NUMBERS)
def test_outlines_and_landmarks_refuse_what_is_no_place(value):
    ring = np.array([[0.0, 0.0], [0.0, 1.0], [1.0, value]])
    with pytest.raises(InputError, match="finite"):
        Outline(ring, "plane")
    with pytest.raises(InputError, match="not a finite number"):
        LandmarkPairs(ring, ring)


@pytest.mark.parametrize("spacing", [0.0, -1.0, np.nan, np.inf])
def test_a_grid_refuses_a_pixel_size_that_is_none(spacing):
    with pytest.raises(InputError, match="pixel size"):
        Grid((2, 2), (spacing, 1.0))


def test_an_affine_map_that_flattens_is_refused():
    with pytest.raises(InputError, match="has no inverse"):
        Affine(np.array([[1.0, 2.0], [2.0, 4.0]]), np.zeros(2))
    with pytest.raises(InputError, match="finite"):
        Affine(np.array([[np.nan, 0.0], [0.0, 1.0]]), np.zeros(2))


def test_a_map_of_nan_is_resampled_to_nan():
    out = resample(Image(np.full(GRID.shape, np.nan, dtype=np.float32), GRID), GRID)
    assert np.isnan(out.data).all()


@pytest.mark.parametrize("model", ["rigid", "similarity", "affine", "thin-plate"])
@pytest.mark.parametrize("count", [0, 1])
def test_too_few_landmarks_are_refused(model, count):
    points = np.arange(2.0 * count).reshape(count, 2)
    with pytest.raises(InputError, match=r"landmark"):
        fit_landmarks(LandmarkPairs(points, points), model)


@pytest.mark.parametrize("model", ["affine", "thin-plate"])
def test_landmarks_on_a_line_are_refused(model):
    points = np.arange(8.0)[:, None] * [1.0, 2.0]
    with pytest.raises(InputError, match="line"):
        fit_landmarks(LandmarkPairs(points, points), model)


PAIRS = [
    ("nothing", [], []),
    ("one case", [1.0], [2.0]),
    ("two cases", [1.0, 2.0], [2.0, 3.0]),
    ("one value throughout", [3.0] * 6, [3.0] * 6),
    ("NaN alone", [np.nan] * 6, [np.nan] * 6),
]


@pytest.mark.parametrize(("name", "x", "y"), PAIRS)
@pytest.mark.parametrize(
    "statistic", [bland_altman, concordance, deming, intraclass, passing_bablok, r_squared]
)
def test_statistics_of_too_little_are_nan_or_refused(statistic, name, x, y):
    """Too few cases, or cases that do not differ: a reason or NaN, never a crash."""
    x, y = np.array(x), np.array(y)
    try:
        found = statistic(np.stack([x, y], axis=1)) if statistic is intraclass else statistic(x, y)
    except CoregError:
        return  # in words; anything else fails here
    if name in ("nothing", "NaN alone"):
        values = (
            [v for v in vars(found).values() if isinstance(v, float)]
            if hasattr(found, "__dict__")
            else [float(found)]
        )
        assert all(np.isnan(v) for v in values)


def test_a_white_or_black_image_has_no_tissue():
    for level in (255, 0):
        picture = Image(np.full((*SLIDE.shape, 3), level, dtype=np.uint8), SLIDE)
        assert tissue_mask(picture).sum() in (0, picture.data[..., 0].size)
        assert np.isfinite(optical_density(picture.data, (240, 240, 240))).all()
    assert len(sections(EMPTY, SLIDE)) == 0
