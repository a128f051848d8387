"""Quality mask and breathing frames."""

from __future__ import annotations

import numpy as np
import pytest

from coreg.displacement import QualityOptions, fit_oscillation, quality_mask, reject_breathing
from coreg.errors import InputError
from coreg.geometry import Grid, Image

GRID = Grid((40, 30), (0.25, 0.25))


def test_reasons_are_kept_apart():
    amplitude = np.full(GRID.shape, 10.0)
    amplitude[0, 0] = np.nan
    error = np.full(GRID.shape, 0.3)
    error[1, 1] = 4.0
    correlation = np.full(GRID.shape, 0.99)
    correlation[2, 2] = 0.3
    found = quality_mask(amplitude, grid=GRID, error=error, correlation=correlation)
    assert found.why[0, 0] == 1
    assert found.why[1, 1] == 2
    assert found.why[2, 2] == 4
    assert (~found.mask).sum() == 3
    assert found.shares["correlation"] == pytest.approx(1 / 1200)


def test_a_lesion_is_not_masked_because_it_hardly_moves():
    """The error is weighed against the baseline, not against the fallen amplitude."""
    amplitude = np.full(GRID.shape, 10.0)
    amplitude[10:20, 10:20] = 1.0
    error = np.full(GRID.shape, 0.9)
    found = quality_mask(amplitude, grid=GRID, error=error, baseline=np.full(GRID.shape, 10.0))
    assert found.mask.all()


def test_shadow_and_saturation_on_a_finer_bmode_grid():
    rng = np.random.default_rng(0)
    fine = Grid((200, 150), (0.05, 0.05), (-0.1, -0.1))
    grey = 120 + 20 * rng.standard_normal(fine.shape)
    grey[100:, 90:130] = 5
    grey[20:80, 20:80] = 255
    bmode = Image(np.clip(grey, 0, 255).astype(np.float32), fine)
    found = quality_mask(np.ones(GRID.shape), grid=GRID, bmode=bmode)
    assert found.why[35, 22] == 8
    assert found.why[10, 10] == 16
    assert found.mask[30, 5]


def test_error_without_estimate_is_not_trusted():
    error = np.full(GRID.shape, np.nan)
    found = quality_mask(np.ones(GRID.shape), grid=GRID, error=error)
    assert not found.mask.any()


def test_misuse():
    with pytest.raises(InputError, match="correlation of the grid's shape"):
        quality_mask(np.ones(GRID.shape), grid=GRID, correlation=np.ones((3, 3)))
    with pytest.raises(InputError, match="smallest_correlation in 0 to 1"):
        QualityOptions(smallest_correlation=2.0)


def breathing(seed=0):
    rng = np.random.default_rng(seed)
    t = np.arange(300)[:, None, None] / 1000
    clean = 6 * np.cos(2 * np.pi * 50 * t + 0.3) * np.ones((1, 20, 16)) + 30 * t
    y = clean + rng.normal(0, 0.4, clean.shape)
    y[100:140] += 60 * np.sin(np.linspace(0, np.pi, 40))[:, None, None]
    return y.astype(np.float32)


def test_breathing_frames_are_found_and_leaving_them_out_mends_the_amplitude():
    data = breathing()
    found = reject_breathing(data, 1000.0, 50.0)
    assert not found.keep[104:136].any()
    assert found.keep[:95].all()
    assert found.keep[145:].all()
    spoilt = fit_oscillation(data, 1000.0, 50.0)
    mended = fit_oscillation(data, 1000.0, 50.0, keep_frames=found.keep)
    assert np.abs(mended.amplitude - 12).mean() < 0.1
    assert mended.standard_error.mean() < 0.1 * spoilt.standard_error.mean()


def test_an_undisturbed_recording_loses_no_frame():
    data = breathing()[:100]
    assert reject_breathing(data, 1000.0, 50.0).rejected == 0


def test_a_recording_of_motion_alone_is_refused():
    data = np.full((20, 4, 4), np.nan, dtype=np.float32)
    with pytest.raises(InputError, match="no finite displacement"):
        reject_breathing(data, 1000.0, 50.0)
