"""Speckle statistics and what the B-mode shows."""

import numpy as np
import pytest
from scipy import stats

from coreg.demo import Scenario, simulate, ultrasound
from coreg.demo.anatomy import Anatomy
from coreg.geometry import Grid, mask_from_outlines


def test_even_tissue_gives_fully_developed_speckle() -> None:
    """Mean over SD of a Rayleigh envelope is 1.91: Burckhardt 1978 (from memory)."""
    grid = Grid((400, 250), (0.1, 0.15), (0.05, -18.7))
    envelope = ultrasound.speckle_envelope(np.zeros(grid.shape), grid, np.random.default_rng(0))
    assert envelope.mean() / envelope.std() == pytest.approx(np.sqrt(np.pi / (4 - np.pi)), abs=0.04)
    assert np.square(envelope).mean() == pytest.approx(1.0, abs=0.03)
    apart = envelope[::12, ::16].ravel()
    assert stats.kstest(apart, stats.rayleigh(scale=np.sqrt(0.5)).cdf).pvalue > 0.01


def test_speckle_is_wider_across_than_along_and_widest_away_from_the_probe_focus() -> None:
    grid = Grid((400, 250), (0.1, 0.15), (0.05, -18.7))
    envelope = ultrasound.speckle_envelope(np.zeros(grid.shape), grid, np.random.default_rng(1))

    def alike(rows: slice, shift: tuple[int, int]) -> float:
        a = envelope[rows]
        return np.corrcoef(a.ravel(), np.roll(a, shift, (0, 1)).ravel())[0, 1]

    focus, far = slice(190, 250), slice(340, 400)
    assert alike(focus, (0, 2)) > alike(focus, (3, 0))
    assert alike(far, (0, 4)) > alike(focus, (0, 4)) + 0.1


def test_shadow_and_kidney_are_darker_than_the_body_wall() -> None:
    simulated = simulate(Scenario(seed=5, shadow=True))
    image, grid = simulated.bmode.data, simulated.bmode.grid
    assert image.dtype == np.float32
    assert image.min() >= -60
    assert image.max() == 0
    lost = ultrasound.shadow_loss_db(simulated.scenario, grid) > 20
    beside = (ultrasound.shadow_loss_db(simulated.scenario, grid) < 0.5) & (grid.rows[:, None] > 30)
    assert image[lost & (grid.rows[:, None] > 30)].mean() < image[beside].mean() - 10
    kidney = mask_from_outlines(simulated.tissue_outline_plane(), grid)
    clear = ultrasound.shadow_loss_db(simulated.scenario, grid) < 0.5
    assert image[kidney & clear].mean() < image[~kidney & clear].mean() - 3


def test_vessel_has_no_echoes() -> None:
    scenario = Scenario(seed=5, shadow=False)
    anatomy = Anatomy(scenario)
    image = ultrasound.bmode(scenario, anatomy)
    levels = anatomy.levels(ultrasound.plane_points(image.grid))
    lumen = (levels.vessel > 0.35).reshape(image.grid.shape)
    assert lumen.sum() > 20
    around = (np.abs(levels.vessel + 0.8) < 0.3).reshape(image.grid.shape)
    assert image.data[lumen].mean() < image.data[around].mean() - 10
