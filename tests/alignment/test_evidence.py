"""Scales judged by the evidence: as scikit-learn judges them, and true scales are found."""

from __future__ import annotations

import numpy as np
import pytest

from coreg.alignment.evidence import Rows, Scale, averaged


def rows(design: np.ndarray, data: np.ndarray, scale: Scale) -> Rows:
    return Rows(design, data, np.ones(len(data)), np.ones(len(data)), scale)


def smooth_set(seed: int, noise: float, spread: float) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    design = rng.normal(size=(80, 12))
    return design, design @ (spread * rng.normal(size=12)) + noise * rng.normal(size=80)


def test_open_scales_are_those_of_scikit_learn() -> None:
    """BayesianRidge maximises the same evidence; its own priors are next to flat."""
    from sklearn.linear_model import BayesianRidge

    design, data = smooth_set(1, 0.5, 2.0)
    flat = Scale(1.0, 50.0)
    found = averaged(lambda s: np.eye(6) / s**2, [flat], [rows(design, data, flat)])
    theirs = BayesianRidge(fit_intercept=False, tol=1e-8, max_iter=2000).fit(design, data)
    assert found.noise[0] == pytest.approx(theirs.alpha_**-0.5, rel=0.02)
    assert found.prior[0] == pytest.approx(theirs.lambda_**-0.5, rel=0.02)
    assert found.mean == pytest.approx(theirs.coef_, abs=0.01)
    assert np.diag(found.covariance) == pytest.approx(np.diag(theirs.sigma_), rel=0.2)


def test_fixed_scales_give_the_plain_posterior() -> None:
    design, data = smooth_set(2, 1.0, 1.0)
    found = averaged(
        lambda s: np.eye(6) / s**2, [Scale(2.0, 1.0)], [rows(design, data, Scale(0.5, 1.0))]
    )
    matrix = design.T @ design / 0.25 + np.eye(12) / 4
    assert found.covariance == pytest.approx(np.linalg.inv(matrix), rel=1e-6)
    assert found.mean == pytest.approx(np.linalg.solve(matrix, design.T @ data / 0.25), rel=1e-6)
    assert (found.prior, found.noise) == ((2.0,), (0.5,))


def test_each_kind_of_rows_gets_its_own_spread() -> None:
    """Medians over 20 seeded sets lie near the truth although the prior expects 1."""
    scales = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        truth = rng.normal(size=12)
        kinds = []
        for noise in (0.4, 2.0):
            design = rng.normal(size=(60, 12))
            data = design @ truth + noise * rng.normal(size=60)
            kinds.append(rows(design, data, Scale(1.0, 3.0)))
        scales.append(averaged(lambda s: np.eye(6) / s**2, [Scale(1.0, 2.0)], kinds).noise)
    assert np.median(scales, axis=0) == pytest.approx([0.4, 2.0], rel=0.1)


def test_a_direction_without_prior_or_data_gets_no_variance() -> None:
    design = np.zeros((30, 4))
    design[:, :2] = np.random.default_rng(0).normal(size=(30, 2))
    found = averaged(
        lambda s: np.diag([1.0, 0.0]) / s**2,
        [Scale(1.0, 1.0)],
        [rows(design, np.ones(30), Scale(1.0, 1.0))],
    )
    assert np.isfinite(found.covariance).all()
    assert np.abs(found.covariance[2:]).max() < 1e-6


def test_data_may_be_measured_about_other_coefficients() -> None:
    design, data = smooth_set(3, 0.5, 1.0)
    about = np.arange(12.0)
    scale = Scale(1.0, 1.5)
    plain = averaged(lambda s: np.eye(6) / s**2, [scale], [rows(design, data, scale)])
    moved = averaged(
        lambda s: np.eye(6) / s**2, [scale], [rows(design, data - design @ about, scale)], about
    )
    assert moved.mean == pytest.approx(plain.mean, abs=1e-6)


def test_a_scale_needs_a_positive_median() -> None:
    with pytest.raises(ValueError, match="median above 0"):
        Scale(0.0)
