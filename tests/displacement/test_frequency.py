"""Aliasing, a wrong frequency, and doubling are found and said."""

from __future__ import annotations

import numpy as np
import pytest

from coreg.displacement import check_frequency, fit_oscillation
from coreg.displacement.frequency import alias_of


def recording(frequency, rate=1000.0, frames=240, amplitude=10.0, noise=0.5, extra=None):
    rng = np.random.default_rng(0)
    t = np.arange(frames)[:, None, None] / rate
    y = amplitude / 2 * np.cos(2 * np.pi * frequency * t + rng.uniform(0, 6, (12, 10)))
    if extra is not None:
        y = y + extra[1] / 2 * np.cos(2 * np.pi * extra[0] * t)
    drift = 20 * np.sin(2 * np.pi * 0.9 * t)
    return (y + drift + rng.normal(0, noise, y.shape)).astype(np.float32)


def codes(check):
    return [finding.code for finding in check.findings]


@pytest.mark.parametrize("frequency", [20.0, 50.0, 67.3, 210.0])
def test_a_right_frequency_raises_nothing(frequency):
    check = check_frequency(recording(frequency), 1000.0, frequency)
    assert codes(check) == []
    assert check.ok
    assert check.peak_hz == pytest.approx(frequency, abs=0.3)


def test_aliasing_is_said_and_the_amplitude_still_fitted():
    data = recording(70.0, rate=100.0)
    check = check_frequency(data, 100.0, 70.0)
    assert codes(check) == ["aliased"]
    assert check.expected_hz == pytest.approx(30.0)
    assert "appears at 30 Hz" in check.findings[0].text
    fit = fit_oscillation(data, 100.0, 70.0)
    assert fit.amplitude.mean() == pytest.approx(10.0, abs=0.2)


def test_a_wrong_frequency_is_named_with_the_right_one():
    check = check_frequency(recording(40.0), 1000.0, 50.0)
    assert codes(check) == ["wrong frequency"]
    assert not check.ok
    assert "lies at 40" in check.findings[0].text


def test_a_slightly_wrong_frequency_says_how_much_amplitude_is_lost():
    frames, off = 400, 0.8
    data = recording(50.0 + off, frames=frames, noise=0.1)
    check = check_frequency(data, 1000.0, 50.0)
    assert codes(check) == ["wrong frequency"]
    loss = 1 - fit_oscillation(data, 1000.0, 50.0, drift_order=2).amplitude.mean() / 10
    assert f"{100 * loss:.0f} %" in check.findings[0].text


@pytest.mark.parametrize("extra", [None, (50.0, 2.0)])
def test_doubling_is_told_from_any_other_wrong_frequency(extra):
    check = check_frequency(recording(100.0, extra=extra), 1000.0, 50.0)
    assert codes(check) == ["doubled"]
    assert "Set modulation_frequency_hz to 100" in check.findings[0].text


def test_a_distorted_oscillation_is_not_called_doubled():
    check = check_frequency(recording(50.0, extra=(100.0, 4.0)), 1000.0, 50.0)
    assert codes(check) == []


def test_pure_noise_has_no_oscillation():
    check = check_frequency(recording(50.0, amplitude=0.0), 1000.0, 50.0)
    assert codes(check) == ["no oscillation"]
    assert np.isnan(check.peak_hz)


def test_too_few_periods_and_the_edge_of_the_band_are_said():
    assert "few periods" in codes(check_frequency(recording(5.0), 1000.0, 5.0))
    assert "near half the frame rate" in codes(check_frequency(recording(498.0), 1000.0, 498.0))


def test_a_harmonic_that_folds_onto_the_oscillation_is_said():
    check = check_frequency(recording(50.0, rate=150.0), 150.0, 50.0)
    assert codes(check) == ["harmonic folds"]
    assert check.ok


def test_alias_by_hand():
    assert alias_of(70, 100) == pytest.approx(30)
    assert alias_of(130, 100) == pytest.approx(30)
    assert alias_of(20, 100) == pytest.approx(20)


@pytest.mark.parametrize("frames", [24, 240])
def test_pixels_where_tracking_fails_do_not_drown_the_oscillation(frames):
    """Noise ten times the oscillation in two thirds of the plane, and few periods at that."""
    data = recording(50.0, rate=500.0, frames=frames)
    data[:, :8] = np.random.default_rng(1).normal(0, 100.0, data[:, :8].shape)
    check = check_frequency(data, 500.0, 50.0, pixels=40)
    assert codes(check) == []
    assert check.peak_hz == pytest.approx(50.0, abs=1.5)


@pytest.mark.parametrize("frames", [24, 60, 240])
def test_choosing_clear_pixels_makes_no_oscillation_out_of_noise(frames):
    noise = np.random.default_rng(2).normal(0, 5.0, (frames, 60, 100)).astype(np.float32)
    assert "no oscillation" in codes(check_frequency(noise, 500.0, 50.0))
