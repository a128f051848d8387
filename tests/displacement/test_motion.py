"""Known rigid motion is recovered and undone."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from coreg.displacement import Motion, correct_motion, estimate_motion
from coreg.errors import InputError
from coreg.geometry import Grid, Image, resample

GRID = Grid((120, 100), (0.2, 0.25), (3.0, -12.0))


def texture(seed=0):
    """Speckle-like texture with a margin, on a finer grid than the frames."""
    rng = np.random.default_rng(seed)
    fine = Grid((400, 400), (0.08, 0.08), (-1.0, -16.0))
    return Image(ndimage.gaussian_filter(rng.standard_normal(fine.shape), 5).astype("f4"), fine)


def frames_moved_by(shifts, angles, noise=0.05):
    rng = np.random.default_rng(1)
    count = len(shifts)
    centre = tuple(np.array(GRID.origin) + (np.array(GRID.shape) - 1) * GRID.spacing / 2)
    truth = Motion(
        np.array(shifts, float),
        np.array(angles, float),
        centre,
        np.ones(count),
        np.ones(count, bool),
        0,
        ("",) * count,
    )
    picture = texture()
    scale = picture.data.std()

    def back(i, points):
        # The frame shows at p what the reference shows where p came from.
        angle = np.radians(angles[i])
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        return (points - centre - truth.shifts[i]) @ turn + centre

    frames = [
        resample(picture, GRID, lambda p, i=i: back(i, p))
        + noise * scale * rng.standard_normal(GRID.shape)
        for i in range(count)
    ]
    return np.stack(frames).astype(np.float32), truth


def test_shift_and_turn_are_recovered():
    frames, truth = frames_moved_by(
        [(0, 0), (0.83, -0.41), (-1.3, 0.6), (0.1, 0.0)], [0, 1.5, -2.0, 0.0]
    )
    found = estimate_motion(frames, GRID)
    np.testing.assert_allclose(found.shifts, truth.shifts, atol=0.03)
    np.testing.assert_allclose(found.angles_deg, truth.angles_deg, atol=0.15)
    assert found.keep.all()
    assert "1.4" in found.summary()


def test_correction_brings_maps_back():
    frames, _ = frames_moved_by([(0, 0), (0.83, -0.41)], [0, 1.5], noise=0.0)
    found = estimate_motion(frames, GRID)
    before = np.abs(frames[1] - frames[0]).mean()
    corrected = correct_motion(frames, found, GRID)
    after = np.nanmean(np.abs(corrected[1] - frames[0]))
    assert after < 0.1 * before
    assert np.isnan(corrected[1]).any()


def test_frames_that_no_rigid_motion_explains_are_rejected():
    frames, _ = frames_moved_by([(0, 0), (0.4, 0.2), (0, 0), (0, 0)], [0, 0, 0, 0])
    frames[2] = np.random.default_rng(5).standard_normal(GRID.shape)
    frames[3] = np.nan
    found = estimate_motion(frames, GRID)
    assert found.keep.tolist() == [True, True, False, False]
    assert "correlates only" in found.reasons[2]
    assert found.reasons[3] == "no valid pixel"
    assert np.isnan(correct_motion(frames, found, GRID)[2]).all()


def test_pixels_without_estimate_do_not_disturb():
    frames, truth = frames_moved_by([(0, 0), (0.5, -0.5)], [0, 0])
    frames[1, 20:30, 40:55] = np.nan
    found = estimate_motion(frames, GRID, turns=False)
    np.testing.assert_allclose(found.shifts, truth.shifts, atol=0.05)
    assert (found.angles_deg == 0).all()


def test_misuse():
    with pytest.raises(InputError, match="frames of shape"):
        estimate_motion(np.zeros((3, 4, 4)), GRID)
    with pytest.raises(InputError, match="reference frame of 0 to 1"):
        estimate_motion(np.zeros((2, *GRID.shape)), GRID, reference=2)
