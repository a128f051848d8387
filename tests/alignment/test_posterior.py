"""The error that outlines and landmarks leave: judged from their misfit, and held by the truth."""

from __future__ import annotations

import numpy as np
import pytest
from invented_tissue import PLANE, bent

from coreg.alignment import (
    ImageFit,
    IntensityOptions,
    LandmarkPairs,
    Level,
    align_images,
    sample_transforms,
)
from coreg.geometry import Grid, Image, Outline

QUICK = IntensityOptions(features=(), levels=(Level(60, 0, 1, 4, 9), Level(60, 12, 1, 6, 6)))
PROBE = np.random.default_rng(9).uniform((9, 11), (15, 19), (40, 2))
TRUTH = bent(15, False, 0.88, 0.3)


def ring(noise: np.ndarray) -> np.ndarray:
    angle = np.linspace(0, 2 * np.pi, len(noise), endpoint=False)
    radius = 8 + 1.4 * np.cos(2 * angle) + 0.9 * np.sin(3 * angle) + noise
    return np.array([12.0, 15.0]) + radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], 1)


def fitted(seed: int, marks: int, mark_sd: float, outline_sd: float) -> ImageFit:
    from scipy.ndimage import gaussian_filter1d

    rng = np.random.default_rng(seed)
    noise = gaussian_filter1d(rng.standard_normal((2, 160)), 5, axis=1, mode="wrap")
    noise *= outline_sd / noise.std()
    plane = Outline(ring(noise[0]), "plane", zone="tissue")
    slide = TRUTH.outline_to_slide(Outline(ring(noise[1]), "plane", zone="tissue"))
    points = rng.uniform((6, 9), (18, 21), (marks, 2))
    pairs = LandmarkPairs(points + rng.normal(0, mark_sd, points.shape), TRUTH.to_slide(points))
    blank = Image(np.zeros(PLANE.shape, dtype=np.float32), PLANE)
    glass = Image(np.zeros((50, 50), np.float32), Grid((50, 50), (1, 1), (-30, -30), "slide"))
    return align_images(
        blank,
        glass,
        QUICK,
        initial=TRUTH.affine,
        landmarks=pairs if marks else None,
        tissue_plane=[plane],
        tissue_slide=[slide],
    )


def errors(fit: ImageFit) -> tuple[float, np.ndarray]:
    """The true median error over the probe, and those of 200 draws; slide mm."""
    here = fit.transform.to_slide(PROBE)
    true = np.median(np.linalg.norm(here - TRUTH.to_slide(PROBE), axis=1))
    drawn = [
        np.median(np.linalg.norm(draw.to_slide(PROBE) - here, axis=1))
        for draw in sample_transforms(fit, 200, 0)
    ]
    return float(true), np.array(drawn)


@pytest.mark.parametrize("marks", [0, 6])
def test_the_interval_holds_the_true_error(marks: int) -> None:
    """95 % intervals of six seeded cases with other spreads than the options expect: four at least
    (a true 95 % gives fewer once in 450 runs). 50 cases are in the benchmark."""
    held = 0
    for seed in range(6):
        spread = 0.1 + 0.06 * seed
        true, drawn = errors(fitted(seed, marks, spread, spread))
        low, high = np.percentile(drawn, [2.5, 97.5])
        held += low <= true <= high
    assert held >= 4


def test_worse_landmarks_and_outlines_state_a_larger_error() -> None:
    """Nobody says how large the observers' error is: the misfit does."""
    fine, rough = (
        np.mean([np.median(errors(fitted(seed, 12, sd, sd))[1]) for seed in range(2)])
        for sd in (0.08, 0.5)
    )
    assert rough > 1.5 * fine
