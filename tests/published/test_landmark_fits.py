"""Landmark fits against printed examples, derived relations and reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import RBFInterpolator
from skimage.transform import EuclideanTransform, SimilarityTransform

from coreg.alignment.landmarks import LandmarkPairs, fit_landmarks
from coreg.alignment.linear import PARAMETERS, fit_linear

# F. L. Bookstein, IEEE Trans. Pattern Anal. Mach. Intell. 11, 1989, 567–585: coordinates from
# memory, spline values computed.
SQUARE = np.array([(0, 1), (-1, 0), (0, -1), (1, 0)], dtype=float)
KITE = np.array([(0, 0.75), (-1, 0.25), (0, -1.25), (1, 0.25)])
FIVE = np.array(
    [
        (3.6929, 10.3819),
        (6.5827, 8.8386),
        (6.7756, 12.0866),
        (4.8189, 11.2047),
        (5.6969, 10.0748),
    ]
)
FIVE_MOVED = np.array(
    [(3.9724, 6.5354), (6.6969, 4.1181), (6.5394, 7.2362), (5.4016, 6.4528), (5.7756, 5.1142)]
)


def spline(source: np.ndarray, target: np.ndarray, smoothing: float = 0.0):
    return fit_landmarks(LandmarkPairs(source, target), "thin-plate", smoothing=smoothing).transform


def test_square_to_kite() -> None:
    """Analytic: affine part is the identity, |w_y| = 1 / (16 ln 2) in units of one."""
    fitted = spline(SQUARE, KITE)
    assert np.allclose(fitted.affine.matrix, np.eye(2), atol=1e-12)
    weights = fitted.weights / fitted.scale**2  # U in millimetres instead of in units of scale
    expected = np.array([-1, 1, -1, 1]) / (16 * np.log(2))
    assert np.allclose(weights[:, 0], 0, atol=1e-12)
    assert np.allclose(weights[:, 1], expected, atol=1e-12)
    assert np.allclose(
        fitted.to_slide([(0.5, 0.5), (2, 1)]), [(0.5, 0.5), (2, 1.201205)], atol=1e-6
    )


def test_five_landmarks() -> None:
    """Affine part as recalled from the paper to 3e-4; spot values computed."""
    fitted = spline(FIVE, FIVE_MOVED)
    moved = fitted.to_slide([(5, 10), (6, 11)])
    assert np.allclose(moved, [(5.203213, 5.347881), (6.113479, 5.976971)], atol=1e-6)
    matrix = [(0.8747, -0.0289), (-0.2956, 0.9216)]
    assert np.allclose(fitted.affine.matrix, matrix, atol=3e-4)


@pytest.mark.parametrize("smoothing", [0.0, 0.3])
def test_thin_plate_agrees_with_scipy(smoothing: float) -> None:
    """SciPy's spline of the same points, its smoothing converted to our units of length."""
    rng = np.random.default_rng(5)
    source = rng.uniform(0, 30, (40, 2))
    target = source * 0.85 + np.sin(source / 6) + 5
    fitted = spline(source, target, smoothing)
    scale = fitted.scale
    # SciPy's kernel is r² ln r, half of ours; r is in mm there, in units of scale here.
    reference = RBFInterpolator(
        source / scale, target, kernel="thin_plate_spline", smoothing=smoothing / 2
    )
    probe = rng.uniform(2, 28, (200, 2))
    assert np.allclose(fitted.to_slide(probe), reference(probe / scale), atol=1e-8)


def test_umeyama_example() -> None:
    """S. Umeyama, IEEE Trans. Pattern Anal. Mach. Intell. 13, 1991, 376–380: rotation, scale and
    shift as in print (from memory); the error 8/15 computed."""
    a = np.array([(0, 0), (1, 0), (0, 2)], dtype=float)
    b = np.array([(0, 0), (-1, 0), (0, 2)], dtype=float)
    fitted = fit_linear(a, b, "similarity", mirrored=False)
    scale = np.sqrt(np.linalg.det(fitted.matrix))
    assert scale == pytest.approx(np.sqrt(13) / 5, abs=1e-12)
    assert np.allclose(fitted.matrix / scale, [[0.832, 0.555], [-0.555, 0.832]], atol=5e-4)
    assert np.allclose(fitted.offset, [-0.8, 0.4], atol=1e-12)
    residual = ((fitted.to_slide(a) - b) ** 2).sum(axis=1).mean()
    assert residual == pytest.approx(8 / 15, abs=1e-12)


@pytest.mark.parametrize(
    ("model", "reference"), [("rigid", EuclideanTransform), ("similarity", SimilarityTransform)]
)
def test_turns_agree_with_scikit_image(model: str, reference: type) -> None:
    rng = np.random.default_rng(2)
    source = rng.uniform(0, 20, (9, 2))
    angle = 2.2
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    target = 0.9 * source @ turn.T + rng.normal(0, 0.3, (9, 2)) + 7
    other = reference()
    other.estimate(source, target) if not hasattr(reference, "from_estimate") else None
    if hasattr(reference, "from_estimate"):
        other = reference.from_estimate(source, target)
    ours = fit_linear(source, target, model, mirrored=False)
    assert np.allclose(ours.to_slide(source), other(source), atol=1e-9)


@pytest.mark.parametrize("model", ["rigid", "similarity", "affine"])
@pytest.mark.parametrize("n", [4, 10])
def test_fiducial_error_ratio(model: str, n: int) -> None:
    """<FRE²> / <FLE²> = 1 - q / (2 n): derived; 1 - 2 / n is the three-dimensional rigid form of
    J. M. Fitzpatrick, J. B. West, C. R. Maurer, IEEE Trans. Med. Imaging 17, 1998, 694–702."""
    rng = np.random.default_rng(n)
    points = rng.uniform(-30, 30, (n, 2))
    trials, sd = 3000, 0.1
    squares = 0.0
    for _ in range(trials):
        noisy = points + rng.normal(0, sd, points.shape)
        fitted = fit_linear(points, noisy, model, mirrored=False)
        squares += ((fitted.to_slide(points) - noisy) ** 2).sum() / n
    expected = 1 - PARAMETERS[model] / (2 * n)
    assert squares / trials / (2 * sd**2) == pytest.approx(expected, rel=0.03)


def test_noise_estimate_uses_the_free_parameters() -> None:
    """The estimate of a landmark's spread is unbiased in variance: the same relation inverted."""
    rng = np.random.default_rng(8)
    points = rng.uniform(-30, 30, (6, 2))
    variances = [
        fit_landmarks(LandmarkPairs(points, points + rng.normal(0, 0.2, (6, 2)))).noise_sd_mm ** 2
        for _ in range(400)
    ]
    assert np.mean(variances) == pytest.approx(0.04, rel=0.08)
