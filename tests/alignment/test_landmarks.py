"""Landmark fits: known maps recovered, misfits named, degenerate sets refused in words."""

from __future__ import annotations

import numpy as np
import pytest

from coreg.alignment.landmarks import LandmarkPairs, fit_landmarks, plane_errors
from coreg.errors import InputError
from coreg.transforms import ThinPlate, transform_from_dict

TURN = np.array([[np.cos(2.0), -np.sin(2.0)], [np.sin(2.0), np.cos(2.0)]])
MATRICES = {
    "rigid": TURN,
    "similarity": 0.83 * TURN,
    "affine": TURN @ np.diag([0.8, 0.9]),
    "thin-plate": TURN @ np.diag([0.8, 0.9]),
}


def scattered(n: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).uniform(0, 25, (n, 2))


@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("model", list(MATRICES))
def test_known_map_is_recovered(model: str, mirror: bool) -> None:
    plane = scattered(9)
    matrix = MATRICES[model] @ np.diag([1, -1 if mirror else 1])
    fit = fit_landmarks(LandmarkPairs(plane, plane @ matrix.T + [3, -8]), model)
    assert np.allclose(fit.affine.matrix, matrix, atol=1e-9)
    assert fit.mirrored is mirror
    assert fit.residuals.max() < 1e-9
    assert fit.leave_one_out.max() < 1e-9
    assert fit.reason == ""


def test_shrinkage_is_told_apart_along_depth_and_lateral() -> None:
    plane = scattered(6)
    fit = fit_landmarks(LandmarkPairs(plane, plane @ MATRICES["affine"].T))
    assert fit.shrinkage == pytest.approx((0.2, 0.1), abs=1e-9)
    assert fit.stretches == pytest.approx((0.9, 0.8), abs=1e-9)


def test_errors_are_measured_in_plane_millimetres() -> None:
    """A slide of half the size: a miss of 0.1 mm there is one of 0.2 mm in the plane."""
    plane = scattered(5)
    slide = plane * 0.5
    fit = fit_landmarks(LandmarkPairs(plane, slide))
    shifted = LandmarkPairs(plane, slide + np.array([0.1, 0.0]))
    assert plane_errors(fit.transform, shifted) == pytest.approx(np.full(5, 0.2), abs=1e-9)


def test_leave_one_out_is_the_error_of_a_fit_without_that_landmark() -> None:
    rng = np.random.default_rng(4)
    plane = scattered(7)
    pairs = LandmarkPairs(plane, plane * 0.9 + rng.normal(0, 0.3, plane.shape))
    for model in ("similarity", "affine", "thin-plate"):
        fit = fit_landmarks(pairs, model)
        rest = np.arange(7) != 2
        other = fit_landmarks(pairs.select(rest), model)
        expected = plane_errors(other.transform, pairs)[2]
        assert fit.leave_one_out[2] == pytest.approx(expected, abs=1e-9)
        assert (fit.leave_one_out.mean() > fit.residuals.mean()) == (model != "rigid")


@pytest.mark.parametrize("model", ["similarity", "affine", "thin-plate"])
def test_robust_fit_names_and_ignores_two_bad_landmarks(model: str) -> None:
    rng = np.random.default_rng(11)
    plane = scattered(14, seed=11)
    matrix = 0.85 * TURN
    slide = plane @ matrix.T + rng.normal(0, 0.05, plane.shape)
    slide[3] += [3, 1]
    slide[8] += [-2, 2.5]
    fit = fit_landmarks(LandmarkPairs(plane, slide), model, robust=True)
    assert set(fit.suspects) == {"4", "9"}
    assert np.allclose(fit.affine.matrix, matrix, atol=0.02)
    assert fit.worst in {"4", "9"}


def test_sound_landmarks_are_rarely_accused() -> None:
    """The level is 5 % a set; 60 sets with sound landmarks give 3 on average."""
    rng = np.random.default_rng(6)
    accused = 0
    for _ in range(60):
        plane = rng.uniform(0, 25, (8, 2))
        pairs = LandmarkPairs(plane, plane + rng.normal(0, 0.3, plane.shape))
        accused += bool(fit_landmarks(pairs).suspects)
    assert accused <= 8


def test_a_bend_is_followed_and_noise_is_smoothed() -> None:
    rng = np.random.default_rng(3)
    plane = scattered(40, seed=3)
    bend = plane * 0.9 + 0.8 * np.sin(plane[:, ::-1] / 6)
    pairs = LandmarkPairs(plane, bend + rng.normal(0, 0.15, plane.shape))
    affine, bent, exact = (
        np.median(
            np.linalg.norm(
                fit_landmarks(pairs, model, smoothing=smoothing).transform.to_slide(plane) - bend,
                axis=1,
            )
        )
        for model, smoothing in (("affine", 0.0), ("thin-plate", "gcv"), ("thin-plate", 1e-3))
    )
    assert bent < 0.5 * affine
    assert bent < exact


def test_weights_and_spreads_pull_alike() -> None:
    rng = np.random.default_rng(9)
    plane = scattered(6)
    slide = plane + rng.normal(0, 0.4, plane.shape)
    sd = np.array([0.1, 0.4, 0.4, 0.2, 0.4, 0.4])
    by_spread = fit_landmarks(LandmarkPairs(plane, slide, sd_mm=sd))
    by_weight = fit_landmarks(LandmarkPairs(plane, slide), weights=1 / sd**2)
    assert np.allclose(by_spread.affine.matrix, by_weight.affine.matrix, atol=1e-12)


def test_thin_plate_goes_there_and_back_and_is_stored() -> None:
    plane = scattered(10)
    pairs = LandmarkPairs(plane, plane + np.sin(plane / 5))
    spline = fit_landmarks(pairs, "thin-plate", smoothing=0.0).transform
    assert isinstance(spline, ThinPlate)
    probe = scattered(50, seed=1)
    assert np.allclose(spline.to_plane(spline.to_slide(probe)), probe, atol=1e-5)
    again = transform_from_dict(spline.to_dict())
    assert np.array_equal(again.to_slide(probe), spline.to_slide(probe))
    step = np.array([0.0, 1e-6])
    numeric = (spline.to_slide(probe + step) - spline.to_slide(probe - step)) / 2e-6
    assert np.allclose(spline.jacobian(probe)[:, :, 1], numeric, atol=1e-6)


LINE = np.column_stack([np.arange(5.0), 2 * np.arange(5.0)])


@pytest.mark.parametrize(
    ("plane", "slide", "model", "message"),
    [
        (scattered(2), scattered(2), "affine", "at least 3 landmarks for an affine fit, got 2"),
        (scattered(1), scattered(1), "rigid", "at least 2 landmarks for a rigid fit, got 1"),
        (LINE, scattered(5), "affine", "on one line in the imaging plane"),
        (scattered(5), LINE, "thin-plate", "on one line in the slide"),
        (np.ones((4, 2)), scattered(4), "similarity", "at one place in the imaging plane"),
        (scattered(4)[[0, 1, 2, 2]], scattered(4), "thin-plate", "Landmarks 3 and 4 lie at the sa"),
    ],
)
def test_degenerate_sets_are_refused(plane, slide, model: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        fit_landmarks(LandmarkPairs(plane, slide), model)


def test_swapped_landmarks_fold_and_are_said_to() -> None:
    plane = np.array([(0, 0), (0, 20), (20, 0), (20, 20), (10, 9), (10, 11)], dtype=float)
    slide = plane.copy()
    slide[[4, 5]] = slide[[5, 4]]
    with pytest.raises(InputError, match="folds the plane at smoothing 0"):
        fit_landmarks(LandmarkPairs(plane, slide), "thin-plate", smoothing=0.0)
    fit = fit_landmarks(LandmarkPairs(plane, slide), "thin-plate")
    assert (np.linalg.det(fit.transform.jacobian(scattered(100) * 0.8)) > 0).all()


def test_two_landmarks_cannot_tell_a_mirrored_section() -> None:
    plane = np.array([(0.0, 0.0), (10.0, 4.0)])
    pairs = LandmarkPairs(plane, 0.9 * plane)
    open_question = fit_landmarks(pairs, "similarity")
    assert not open_question.mirror_certain
    assert "cannot tell whether the section is mirrored" in open_question.reason
    said = fit_landmarks(pairs, "similarity", mirrored=True)
    assert said.mirrored
    assert said.reason == ""
    assert said.residuals.max() < 1e-9


def test_a_statement_that_the_landmarks_contradict_is_said() -> None:
    plane = scattered(6)
    fit = fit_landmarks(LandmarkPairs(plane, plane * [1, -1]), mirrored=False)
    assert "said to be not mirrored, but the landmarks fit the other way" in fit.reason


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"model": "projective"}, "Unknown model 'projective'"),
        ({"weights": np.ones(3)}, "Expected 5 weights"),
        ({"weights": np.zeros(5)}, "Every landmark has weight 0"),
        ({"model": "thin-plate", "smoothing": -1.0}, "smoothing of 0 or more"),
        ({"model": "thin-plate", "smoothing": "best"}, "Expected smoothing 'leave-one-out'"),
    ],
)
def test_wrong_arguments_are_refused(arguments: dict, message: str) -> None:
    pairs = LandmarkPairs(scattered(5), scattered(5, seed=1))
    with pytest.raises(InputError, match=message):
        fit_landmarks(pairs, **arguments)


def test_no_landmarks_yet_says_what_to_do() -> None:
    none = np.zeros((0, 2))
    with pytest.raises(InputError, match="no pair of landmarks yet; place the same spots"):
        fit_landmarks(LandmarkPairs(none, none))


def test_a_landmark_without_a_number_is_named() -> None:
    plane = scattered(3)
    plane[1, 0] = np.nan
    with pytest.raises(InputError, match="Landmark 'vessel' has a coordinate that is not a finite"):
        LandmarkPairs(plane, scattered(3), ("capsule", "vessel", "sinus"))
