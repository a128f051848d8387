"""Sine fit and tracking jitter against closed forms.

The three-parameter sine fit is that of IEEE Std 1057 (clause not checked, from memory).
"""

from __future__ import annotations

import numpy as np
import pytest

from coreg.displacement import fit_oscillation


def recording(traces: np.ndarray) -> np.ndarray:
    """(frames, pixels) as (frames, 1, pixels)."""
    return np.asarray(traces)[:, None, :]


def test_noise_free_sine_is_found_exactly():
    """fs 1000 Hz, f 50 Hz, amplitude 7.5, phase 0.7, offset 2, 400 samples (computed)."""
    t = np.arange(400) / 1000
    y = 7.5 * np.cos(2 * np.pi * 50 * t + 0.7) + 2
    fit = fit_oscillation(recording(y[:, None]), 1000.0, 50.0, drift_order=0, harmonics=1)
    assert fit.amplitude[0, 0] == pytest.approx(15.0, abs=2e-5)
    assert fit.phase[0, 0] == pytest.approx(0.7, abs=1e-6)
    assert fit.residual[0, 0] < 1e-5


def test_quarter_period_samples_by_hand():
    """Samples (5, 6, -1, 0) a quarter period apart: A = B = 3, C = 2.5, amplitude 3 sqrt 2.

    Computed by hand. The four samples are repeated once, since four would leave one degree of
    freedom.
    """
    y = np.tile([5.0, 6.0, -1.0, 0.0], 2)
    fit = fit_oscillation(recording(y[:, None]), 4.0, 1.0, drift_order=0, harmonics=1)
    assert fit.amplitude[0, 0] / 2 == pytest.approx(4.242641, abs=2e-6)
    assert fit.phase[0, 0] == pytest.approx(-np.pi / 4, abs=1e-6)


def test_amplitude_error_is_sigma_root_two_over_m():
    """SD of the amplitude sigma sqrt(2 / M): 0.070711 for sigma 1, M 400 (computed)."""
    rng = np.random.default_rng(20)
    t = np.arange(400) / 1000
    y = 7.5 * np.cos(2 * np.pi * 50 * t + 0.7)[:, None] + rng.normal(0, 1, (400, 20_000))
    fit = fit_oscillation(recording(y), 1000.0, 50.0, drift_order=0, harmonics=1)
    assert (fit.amplitude / 2).std() == pytest.approx(0.070711, rel=0.02)
    assert (fit.standard_error / 2).mean() == pytest.approx(0.070711, rel=0.01)


def test_noise_alone_shows_the_rayleigh_floor():
    """Mean amplitude of pure noise sigma sqrt(2 / M) sqrt(pi / 2): 0.088623 (computed)."""
    rng = np.random.default_rng(21)
    y = rng.normal(0, 1, (400, 20_000))
    fit = fit_oscillation(recording(y), 1000.0, 50.0, drift_order=0, harmonics=1)
    assert (fit.amplitude / 2).mean() == pytest.approx(0.088623, rel=0.02)
    assert (fit.noise_floor / 2).mean() == pytest.approx(0.088623, rel=0.01)


def test_largest_minus_smallest_is_biased_where_the_fit_is_not():
    """Over 40 noisy samples max - min has mean 17.12 against the true 15 (computed)."""
    rng = np.random.default_rng(22)
    t = np.arange(40) / 1000
    clean = 7.5 * np.cos(2 * np.pi * 50 * t + 0.7)[:, None]
    y = clean + rng.normal(0, 1, (40, 20_000))
    fit = fit_oscillation(recording(y), 1000.0, 50.0, drift_order=0, harmonics=1)
    assert np.ptp(y, axis=0).mean() == pytest.approx(17.12, abs=0.1)
    assert fit.amplitude.mean() == pytest.approx(15.0, abs=0.1)


@pytest.mark.parametrize("decibel", [20, 30, 40])
@pytest.mark.parametrize("frames", [200, 331])
def test_amplitude_meets_the_cramer_rao_bound(decibel: int, frames: int):
    """Root mean square error within 10 % of 2 sigma sqrt(2 / M), with drift and harmonics fitted.

    Bound for a sinusoid's amplitude in white noise, sigma sqrt(2 / M), from memory (Kay 1993). Both
    whole (200 frames, 10 periods) and broken (331 frames, 16.55 periods) recordings.
    """
    rng = np.random.default_rng([decibel, frames])
    t = np.arange(frames) / 1000
    phase = rng.uniform(0, 2 * np.pi, 6000)
    sigma = np.sqrt(5**2 / 2 / 10 ** (decibel / 10))
    y = 5 * np.cos(2 * np.pi * 50 * t[:, None] + phase) + 4 * t[:, None] + 1.0
    fit = fit_oscillation(recording(y + rng.normal(0, sigma, y.shape)), 1000.0, 50.0)
    error = np.sqrt(np.mean((fit.amplitude.astype(float) - 10) ** 2))
    assert 0.9 < error / (2 * sigma * np.sqrt(2 / frames)) < 1.1


def test_fit_equals_an_fft_bin_over_whole_periods_and_beats_it_elsewhere():
    """Over whole periods without drift the FFT bin at f is the same least-squares estimate."""
    rng = np.random.default_rng(3)
    for frames, same in ((400, True), (413, False)):
        t = np.arange(frames) / 1000
        y = 5 * np.cos(2 * np.pi * 50 * t + 0.3)[:, None] + rng.normal(0, 0.1, (frames, 200))
        fit = fit_oscillation(recording(y), 1000.0, 50.0, drift_order=0, harmonics=1)
        bin_ = np.abs(np.fft.rfft(y, axis=0))[round(0.05 * frames)]
        if same:
            np.testing.assert_allclose(fit.amplitude[0], 4 * bin_ / frames, rtol=2e-5)
        else:
            fft_error = np.abs(4 * bin_ / frames - 10).mean()
            assert np.abs(fit.amplitude - 10).mean() < 0.05 * fft_error


def test_agrees_with_scipy_on_one_pixel():
    """Amplitude and standard error as scipy.optimize.curve_fit gives them, frames missing."""
    from scipy.optimize import curve_fit

    rng = np.random.default_rng(5)
    t = np.arange(150) / 800
    keep = rng.random(150) > 0.2

    def model(t, half, phase, c, d):
        return half * np.cos(2 * np.pi * 60 * t + phase) + c + d * t

    y = model(t, 4.0, 1.1, 3.0, 20.0) + rng.normal(0, 0.4, 150)
    best, covariance = curve_fit(model, t[keep], y[keep], p0=(3.0, 1.0, 0.0, 0.0))
    gaps = np.where(keep, y, np.nan)
    fit = fit_oscillation(recording(gaps[:, None]), 800.0, 60.0, harmonics=1)
    assert fit.amplitude[0, 0] == pytest.approx(2 * best[0], rel=1e-5)
    assert fit.phase[0, 0] == pytest.approx(best[1], rel=1e-5)
    assert fit.standard_error[0, 0] == pytest.approx(2 * np.sqrt(covariance[0, 0]), rel=1e-3)


def test_demo_jitter_follows_the_delay_bound():
    """Walker & Trahey, IEEE UFFC 1995;42:301-308: the formula is from memory, values computed.

    5 MHz, 1 µs, fractional bandwidth 0.5: 0.485291 µm at rho 1 and 30 dB; here for the generator's
    own band (7.8 MHz, 0.6) and a window of 1.5 µs, scaled by its sqrt(T): 2 µs gives 0.167955 µm.
    """
    recording_of_demo = pytest.importorskip("coreg.demo.recording")
    jitter = recording_of_demo.jitter_um(np.array(0.999), np.array(100.0))
    assert jitter * np.sqrt(1.5 / 2.0) == pytest.approx(0.167955, rel=1e-4)
