"""Change from baseline and its error."""

from __future__ import annotations

import numpy as np
import pytest

from coreg.displacement import change_from_baseline, repeatability, stand_in_baseline
from coreg.errors import InputError
from coreg.geometry import Grid


def test_half_the_amplitude_is_minus_fifty_per_cent():
    change = change_from_baseline(np.full((3, 4), 5.0), np.full((3, 4), 10.0))
    assert (change.um == -5).all()
    assert (change.percent == -50).all()
    assert np.isnan(change.percent_error).all()
    assert not change.low_baseline.any()


def test_errors_propagate_as_repeated_draws_say():
    rng = np.random.default_rng(0)
    shape = (300, 300)
    now = 6 + rng.normal(0, 0.3, shape)
    base = 12 + rng.normal(0, 0.5, shape)
    change = change_from_baseline(
        now, base, error=np.full(shape, 0.3), baseline_error=np.full(shape, 0.5)
    )
    assert change.um.std() == pytest.approx(np.hypot(0.3, 0.5), rel=0.02)
    assert np.median(change.um_error) == pytest.approx(change.um.std(), rel=0.02)
    assert np.median(change.percent_error) == pytest.approx(change.percent.std(), rel=0.03)


def test_several_baseline_frames_are_averaged_and_give_the_error():
    rng = np.random.default_rng(1)
    base = 10 + rng.normal(0, 0.4, (5, 80, 80))
    change = change_from_baseline(10 + rng.normal(0, 0.4, (80, 80)), base)
    np.testing.assert_allclose(change.baseline, base.mean(axis=0), rtol=1e-6)
    assert np.median(change.baseline_error) == pytest.approx(0.4 / np.sqrt(5), rel=0.05)
    assert np.median(change.um_error) == pytest.approx(0.4 * np.sqrt(1 + 1 / 5), rel=0.05)


def test_stated_errors_of_several_baselines_shrink_with_their_number():
    errors = np.full((4, 3, 3), 0.8)
    change = change_from_baseline(
        np.ones((3, 3)), np.full((4, 3, 3), 10.0), error=np.zeros((3, 3)), baseline_error=errors
    )
    np.testing.assert_allclose(change.baseline_error, 0.4)


def test_low_baseline_is_flagged_not_hidden():
    base = np.array([[10.0, 1.0, 0.0, np.nan]])
    change = change_from_baseline(
        base / 2, base, error=np.full((1, 4), 0.3), baseline_error=np.full((1, 4), 0.3)
    )
    assert change.low_baseline.tolist() == [[False, True, True, False]]
    assert change.percent[0, 1] == pytest.approx(-50)
    assert np.isnan(change.percent[0, 2:]).all()
    assert change.um[0, 2] == 0


def test_missing_baseline_frames_are_left_out_at_each_pixel():
    base = np.full((3, 2, 2), 10.0)
    base[0, 0, 0] = np.nan
    change = change_from_baseline(np.full((2, 2), 5.0), base, baseline_error=np.ones((3, 2, 2)))
    assert change.baseline[0, 0] == 10
    assert change.baseline_error[0, 0] == pytest.approx(1 / np.sqrt(2))
    assert change.baseline_error[1, 1] == pytest.approx(1 / np.sqrt(3))


def test_series_keeps_its_times():
    change = change_from_baseline(
        np.stack([np.full((2, 2), v) for v in (10, 8, 4)]), np.full((2, 2), 10.0)
    )
    assert change.percent[:, 0, 0].tolist() == pytest.approx([0, -20, -60])
    assert change.last().percent[0, 0] == pytest.approx(-60)
    assert change.at(1).percent[0, 0] == pytest.approx(-20)


def test_grids_must_agree():
    with pytest.raises(InputError, match="on one grid"):
        change_from_baseline(np.ones((3, 4)), np.ones((4, 3)))


def test_a_stand_in_baseline_is_exact_for_a_gaussian_force():
    """A final map without a baseline: the hole at the focus is seen against its surroundings."""
    grid = Grid((80, 70), (0.5, 0.5), (0.0, -17.0))
    rows, columns = np.meshgrid(grid.rows, grid.columns, indexing="ij")
    truth = 40 * np.exp(-0.5 * (((rows - 21) / 12) ** 2 + ((columns - 3) / 9) ** 2))
    final = np.where(np.hypot(rows - 20, columns - 2) < 4, 0.4 * truth, truth)
    found = stand_in_baseline(final, grid, (20.0, 2.0))
    np.testing.assert_allclose(found, truth, rtol=0.01)


def test_a_stand_in_baseline_needs_surroundings():
    grid = Grid((10, 10), (0.5, 0.5))
    with pytest.raises(InputError, match="too few"):
        stand_in_baseline(np.ones((10, 10)), grid, (2.5, 2.5))


def test_repeatability_is_recovered_from_unchanged_tissue_and_makes_errors_honest():
    """Maps that differ by 6 % from recording to recording beyond their fit error of 0.2 µm."""
    rng = np.random.default_rng(6)
    shape = (120, 100)
    truth = rng.uniform(8, 30, shape)
    now, base = (
        truth * (1 + 0.06 * rng.standard_normal(shape)) + rng.normal(0, 0.2, shape)
        for _ in range(2)
    )
    errors = {"error": np.full(shape, 0.2), "baseline_error": np.full(shape, 0.2)}
    plain = change_from_baseline(now, base, **errors)
    found = repeatability(plain, np.ones(shape, bool))
    assert found == pytest.approx(6.0, rel=0.1)
    honest = change_from_baseline(now, base, repeatability_percent=found, **errors)
    assert (plain.um / plain.um_error).std() > 3
    assert (honest.um / honest.um_error).std() == pytest.approx(1.0, abs=0.1)


def test_repeatability_needs_enough_tissue_and_a_sensible_value():
    change = change_from_baseline(np.ones((9, 9)), np.ones((9, 9)))
    assert repeatability(change, np.ones((9, 9), bool)) == 0
    with pytest.raises(InputError, match="Only 0 valid pixels of unchanged tissue"):
        repeatability(change, np.zeros((9, 9), bool))
    with pytest.raises(InputError, match="repeatability_percent of 0 or more"):
        change_from_baseline(np.ones((9, 9)), np.ones((9, 9)), repeatability_percent=-1.0)
