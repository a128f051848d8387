"""Noise of a change map, judged by unchanged tissue."""

import numpy as np
import pytest

from coreg.agreement import map_noise
from coreg.agreement.perturb import NoiseFields
from coreg.errors import InputError
from coreg.geometry import Grid

GRID = Grid((160, 140), (0.2, 0.25))
ROWS, COLUMNS = np.meshgrid(GRID.rows, GRID.columns, indexing="ij")
LESION = np.hypot(ROWS - 16, COLUMNS - 17) < 4
EVERYWHERE = np.ones(GRID.shape, dtype=bool)


def uneven(sd_percent, kernel_mm=(0.6, 0.6), seed=0):
    rng = np.random.default_rng(seed)
    field = NoiseFields(GRID, kernel_mm, rng).draw(rng)
    return np.where(LESION, -50.0, 0.0) + sd_percent * field


def test_unevenness_that_the_fit_does_not_know_is_found():
    found = map_noise(uneven(8.0), np.full(GRID.shape, 2.0), GRID, LESION, EVERYWHERE, (1, 1))
    assert found.extra_percent == pytest.approx(np.sqrt(8**2 - 2**2), rel=0.12)
    assert found.fwhm_mm == pytest.approx((1.41, 1.41), rel=0.2)
    assert found.pixels > 1000


def test_the_error_falls_with_the_amplitude():
    found = map_noise(uneven(8.0), None, GRID, LESION, EVERYWHERE, (1, 1))
    inside, outside = found.error_percent[80, 68], np.median(found.error_percent[~LESION])
    assert inside < 0.75 * outside


def test_noise_that_the_fit_knows_is_not_counted_twice():
    found = map_noise(uneven(5.0), np.full(GRID.shape, 5.0), GRID, LESION, EVERYWHERE, (1, 1))
    assert found.extra_percent < 2.0
    assert np.median(found.error_percent) == pytest.approx(5.0, abs=0.5)


def test_kernel_widths_differ_by_axis():
    found = map_noise(uneven(8.0, (0.9, 0.4)), None, GRID, LESION, EVERYWHERE, (1, 1))
    assert found.fwhm_mm[0] > 1.6 * found.fwhm_mm[1]


def test_slow_warming_and_the_lesion_itself_are_no_noise():
    slow = 10 * np.cos(2 * np.pi * ROWS / 30)
    found = map_noise(uneven(1.0) + slow, None, GRID, LESION, EVERYWHERE, (1, 1))
    assert found.extra_percent < 2.5


def test_too_little_background_keeps_what_was_given():
    valid = np.hypot(ROWS - 16, COLUMNS - 17) < 7.2
    error = np.full(GRID.shape, 2.0)
    found = map_noise(uneven(8.0), error, GRID, LESION, valid, (1.0, 0.8))
    assert (found.pixels, found.extra_percent, found.fwhm_mm) == (0, 0.0, (1.0, 0.8))
    assert np.array_equal(found.error_percent, error)


def test_maps_off_the_grid_are_refused():
    with pytest.raises(InputError, match="Expected the lesion on the grid"):
        map_noise(uneven(1.0), None, GRID, LESION[:3], EVERYWHERE, (1, 1))
