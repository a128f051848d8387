"""The course over treatment: level, onset, area."""

from __future__ import annotations

import numpy as np
import pytest
from invented_course import GRID, circle, growing_lesion

from coreg.displacement import LesionOptions, course, onset_of_change
from coreg.errors import InputError


def test_course_of_a_lesion_that_grows():
    times = np.arange(0.0, 90.0, 3.0)
    change = growing_lesion(times)
    found = course(change, times, [circle(2.0)], GRID, options=LesionOptions(threshold_percent=-30))
    assert found.median[0] == pytest.approx(0, abs=1)
    assert found.median[-1] == pytest.approx(-60, abs=3)
    assert found.pixels[0] == pytest.approx(np.pi * 4 / 0.09, rel=0.05)
    assert (found.low <= found.median).all()
    assert (found.median <= found.high).all()
    expected = np.pi * 0.36 * (times[-1] - 20)
    assert found.area_mm2[-1] == pytest.approx(expected, rel=0.05)
    assert (np.diff(found.area_mm2[10:]) > 0).all()
    low, high = found.onset.interval_s
    assert low <= found.onset.time_s <= high
    assert 18 < found.onset.time_s < 28


def test_onset_interval_covers_the_truth_as_often_as_it_says():
    """Intervals at 95 % hold the true onset in 92 % of 150 draws at least."""
    times = np.arange(0.0, 60.0, 2.0)
    truth = -50 * np.clip((times - 21.0) / 18.0, 0, 1)
    rng = np.random.default_rng(3)
    hits, errors = 0, []
    for _ in range(150):
        found = onset_of_change(times, truth + rng.normal(0, 4.0, times.shape))
        low, high = found.interval_s
        hits += low <= 21.0 <= high
        errors.append(found.time_s - 21.0)
    assert hits / 150 >= 0.92
    assert np.abs(np.mean(errors)) < 1.0


def test_no_fall_is_a_result_with_a_reason():
    times = np.arange(0.0, 60.0, 2.0)
    values = np.random.default_rng(0).normal(0, 3, times.shape)
    found = onset_of_change(times, values)
    assert np.isnan(found.time_s)
    assert "No fall" in found.reason
    rise = onset_of_change(times, 0.8 * times)
    assert np.isnan(rise.time_s)


def test_too_few_times_is_a_result_with_a_reason():
    found = onset_of_change(np.arange(5.0), np.arange(5.0) * -9)
    assert "at least 6" in found.reason


def test_misuse():
    change = growing_lesion([0.0, 50.0])
    with pytest.raises(InputError, match="series of maps"):
        course(change.last(), np.array([0.0]), [circle(1)], GRID)
    with pytest.raises(InputError, match="rising treatment times"):
        course(change, np.array([1.0, 0.0]), [circle(1)], GRID)
    with pytest.raises(InputError, match="no valid pixel"):
        course(change, np.array([0.0, 1.0]), np.zeros(GRID.shape, bool), GRID)


def test_a_rounded_course_gets_a_wider_interval():
    """A course that bends where the model has a corner leaves residuals that go together."""
    times = np.arange(0.0, 60.0, 2.0)
    rng = np.random.default_rng(1)
    straight = -50 * np.clip((times - 21.0) / 18.0, 0, 1) + rng.normal(0, 1.5, times.shape)
    rounded = -50 / (1 + np.exp(-(times - 30.0) / 6.0)) + rng.normal(0, 1.5, times.shape)
    widths = [np.ptp(onset_of_change(times, y).interval_s) for y in (straight, rounded)]
    assert widths[1] > 1.2 * widths[0]
