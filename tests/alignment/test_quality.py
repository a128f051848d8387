"""Quality of an alignment: known errors are expected, folds and misfits are said."""

from __future__ import annotations

import numpy as np
import pytest

from coreg.alignment.landmarks import LandmarkPairs, fit_landmarks
from coreg.alignment.quality import assess, inverse_consistency
from coreg.alignment.uncertainty import rigid_target_error, sample_transforms
from coreg.errors import FrameError, InputError
from coreg.geometry import Grid, Outline
from coreg.transforms import Affine, Warp

GRID = Grid((60, 80), (0.5, 0.5))


def disc(radius: float, centre=(15.13, 20.21)) -> np.ndarray:
    away = np.linalg.norm(GRID.centres() - np.array(centre), axis=1)
    return (away < radius).reshape(GRID.shape)


def fitted(sd: float, n: int = 8, model: str = "affine", seed: int = 0):
    rng = np.random.default_rng(seed)
    plane = rng.uniform((2, 2), (28, 38), (n, 2))
    slide = 0.85 * plane + rng.normal(0, sd, plane.shape)
    return fit_landmarks(LandmarkPairs(plane, slide), model)


def test_good_alignment_is_called_good_with_its_numbers() -> None:
    fit = fitted(0.05)
    quality = assess(
        fit.transform, GRID, disc(6), landmarks=fit, draws=sample_transforms(fit, 200, 0)
    )
    assert quality.verdict == "good"
    assert quality.shrinkage == pytest.approx((0.15, 0.15), abs=0.02)
    assert quality.diameter_mm == pytest.approx(12, abs=0.2)
    low, high = quality.error_interval_mm
    assert 0 < low < quality.error_mm < high < 0.3
    assert np.isnan(quality.expected_error_mm[0, 0])
    assert np.isfinite(quality.expected_error_mm[disc(6)]).all()
    assert "12.0 mm across" in quality.reasons[0]


@pytest.mark.parametrize(("sd", "verdict"), [(2.0, "doubtful"), (7.0, "not usable")])
def test_verdict_follows_the_error_over_the_lesion(sd: float, verdict: str) -> None:
    fit = fitted(sd, seed=3)
    quality = assess(
        fit.transform, GRID, disc(3), landmarks=fit, draws=sample_transforms(fit, 200, 0)
    )
    assert quality.verdict == verdict


def test_error_map_is_the_formula_of_rigid_fits() -> None:
    """Fitzpatrick, West and Maurer's relation in two dimensions (derived form)."""
    rng = np.random.default_rng(2)
    plane = rng.uniform((2, 2), (28, 38), (30, 2))
    fit = fit_landmarks(LandmarkPairs(plane, plane + rng.normal(0, 0.3, plane.shape)), "rigid")
    quality = assess(fit.transform, GRID, draws=sample_transforms(fit, 1500, 1))
    expected = rigid_target_error(plane, fit.noise_sd_mm, GRID.centres()).reshape(GRID.shape)
    assert np.allclose(quality.expected_error_mm, expected, rtol=0.1)


def test_a_fold_is_found_and_not_usable() -> None:
    bend = np.zeros((*GRID.shape, 2))
    bend[..., 0] = -6 * np.sin(GRID.rows / 2)[:, None]
    quality = assess(Warp(Affine.identity(), GRID, bend), GRID)
    assert quality.folded_share > 0.2
    assert quality.verdict == "not usable"
    assert "folds over" in quality.reasons[0]


def test_no_evidence_is_doubtful() -> None:
    quality = assess(Affine.identity(), GRID, disc(5))
    assert quality.verdict == "doubtful"
    assert "Nothing states the error" in quality.reasons[0]
    assert np.isnan(quality.error_mm)


def test_a_suspect_landmark_is_named_in_the_verdict() -> None:
    rng = np.random.default_rng(1)
    plane = rng.uniform((2, 2), (28, 38), (10, 2))
    slide = plane + rng.normal(0, 0.05, plane.shape)
    slide[4] += 3
    fit = fit_landmarks(LandmarkPairs(plane, slide), robust=True)
    quality = assess(fit.transform, GRID, disc(6), landmarks=fit)
    assert quality.verdict == "doubtful"
    assert any("Landmark '5' does not fit" in reason for reason in quality.reasons)


def test_tissue_outlines_are_compared_on_the_plane_side() -> None:
    square = np.array([(4.75, 4.75), (4.75, 29.75), (24.75, 29.75), (24.75, 4.75)])
    half = Affine(0.5 * np.eye(2), np.zeros(2))
    same = assess(
        half,
        GRID,
        tissue_plane=[Outline(square, "plane")],
        tissue_slide=[Outline(square / 2, "slide")],
    )
    assert same.tissue_overlap == pytest.approx(1, abs=1e-9)
    moved = Outline(square / 2 + np.array([0, 2.5]), "slide")  # 5 mm of plane
    off = assess(half, GRID, tissue_plane=[Outline(square, "plane")], tissue_slide=[moved])
    assert off.tissue_overlap == pytest.approx(0.8, abs=1e-9)
    assert any("Dice of only 0.80" in reason for reason in off.reasons)


def test_inverse_consistency_of_a_map_and_its_inverse_is_zero() -> None:
    there = Affine(np.array([[0.0, 0.9], [-0.8, 0.1]]), np.array([3.0, 4.0]))
    back = Affine(np.linalg.inv(there.matrix), -np.linalg.solve(there.matrix, there.offset))
    points = GRID.centres()[::97]
    assert inverse_consistency(there, back, points).max() < 1e-9
    shifted = Affine(back.matrix, back.offset + np.array([0.3, 0.4]))
    assert inverse_consistency(there, shifted, points) == pytest.approx(np.full(len(points), 0.5))


@pytest.mark.parametrize(
    ("grid", "mask", "error", "message"),
    [
        (GRID, np.zeros(GRID.shape), InputError, "region to judge the alignment over is empty"),
        (GRID, np.ones((2, 2)), InputError, r"mask of shape \(60, 80\), got \(2, 2\)"),
        (Grid((4, 4), (1, 1), frame="slide"), None, FrameError, "grid in plane mm"),
    ],
)
def test_wrong_regions_are_refused(grid, mask, error, message) -> None:
    with pytest.raises(error, match=message):
        assess(Affine.identity(), grid, mask)
