"""Sine fit: drift, gaps, blocks, harmonics, misuse."""

from __future__ import annotations

import numpy as np
import pytest

from coreg.displacement import fit_oscillation
from coreg.errors import Cancelled, InputError

RATE, FREQUENCY = 1000.0, 50.0


def wave(frames=173, depth=6, lateral=5, seed=0, noise=0.05):
    """(frames, depth, lateral) with known amplitude and phase maps, drift, and noise."""
    rng = np.random.default_rng(seed)
    t = np.arange(frames)[:, None, None] / RATE
    amplitude = rng.uniform(2, 30, (depth, lateral))
    phase = rng.uniform(-np.pi, np.pi, (depth, lateral))
    y = amplitude / 2 * np.cos(2 * np.pi * FREQUENCY * t + phase) + 40 * t - 100.0
    return y + rng.normal(0, noise, y.shape), amplitude, phase


def test_amplitude_and_phase_survive_drift_and_broken_periods():
    y, amplitude, phase = wave(noise=0.0)
    fit = fit_oscillation(y.astype(np.float32), RATE, FREQUENCY)
    np.testing.assert_allclose(fit.amplitude, amplitude, rtol=2e-5, atol=2e-5)
    np.testing.assert_allclose(np.exp(1j * fit.phase), np.exp(1j * phase), atol=1e-4)


def test_quadratic_drift_needs_its_order():
    y, amplitude, _ = wave(noise=0.0)
    y = y + 5000 * (np.arange(len(y))[:, None, None] / RATE) ** 2
    straight = np.abs(fit_oscillation(y, RATE, FREQUENCY).amplitude - amplitude).max()
    curved = np.abs(fit_oscillation(y, RATE, FREQUENCY, drift_order=2).amplitude - amplitude).max()
    assert curved < 1e-3 < 0.05 < straight


def test_times_axis_is_kept_and_each_time_is_fitted_alone():
    first, a, _ = wave(seed=1)
    second, b, _ = wave(seed=2)
    fit = fit_oscillation(np.stack([first, second]), RATE, FREQUENCY)
    assert fit.amplitude.shape == (2, 6, 5)
    np.testing.assert_allclose(fit.amplitude, [a, b], atol=0.1)


def test_a_large_offset_does_not_cost_precision():
    """Single precision is kept for the oscillation: 1 µm on an offset of 10,000 µm."""
    t = np.arange(2000) / RATE
    y = 0.5 * np.cos(2 * np.pi * FREQUENCY * t) + 10_000.0
    fit = fit_oscillation(y[:, None, None], RATE, FREQUENCY)
    assert fit.amplitude[0, 0] == pytest.approx(1.0, abs=1e-5)


def test_dropped_frames_are_left_out_where_they_are_missing():
    y, amplitude, _ = wave()
    gaps = y.copy()
    gaps[10:30] = np.nan  # everywhere
    gaps[40:60, 0, 0] = np.inf  # at one pixel more
    fit = fit_oscillation(gaps, RATE, FREQUENCY)
    np.testing.assert_allclose(fit.amplitude, amplitude, atol=0.1)
    assert fit.share_of_frames[0, 0] == pytest.approx(1 - 40 / 173)
    assert fit.share_of_frames[1, 1] == pytest.approx(1 - 20 / 173)
    # Fewer frames, larger error.
    whole = fit_oscillation(y, RATE, FREQUENCY).standard_error[0, 0]
    assert fit.standard_error[0, 0] > whole


def test_gap_fit_equals_the_fit_without_those_frames():
    y, _, _ = wave()
    keep = np.ones(len(y), dtype=bool)
    keep[[3, 4, 5, 50, 51, 120]] = False
    gaps = np.where(keep[:, None, None], y, np.nan)
    a = fit_oscillation(gaps, RATE, FREQUENCY)
    b = fit_oscillation(y, RATE, FREQUENCY, keep_frames=keep)
    times = np.flatnonzero(keep) / RATE
    c = fit_oscillation(y[keep], RATE, FREQUENCY, frame_times_s=times)
    for name in ("amplitude", "standard_error", "residual"):
        np.testing.assert_allclose(getattr(a, name), getattr(b, name), rtol=1e-3)
        np.testing.assert_allclose(getattr(b, name), getattr(c, name), rtol=1e-5)


def test_pixels_with_too_few_frames_are_nan():
    y, _, _ = wave()
    y[: len(y) // 2 + 5, 2, 2] = np.nan
    y[:, 3, 3] = np.nan
    fit = fit_oscillation(y, RATE, FREQUENCY)
    assert np.isnan(fit.amplitude[[2, 3], [2, 3]]).all()
    assert np.isnan(fit.amplitude).sum() == 2


def test_distortion_is_the_share_of_harmonics():
    t = np.arange(500)[:, None, None] / RATE
    y = (
        10 * np.cos(2 * np.pi * 50 * t)
        + 3 * np.sin(2 * np.pi * 100 * t + 1)
        + 4 * np.cos(2 * np.pi * 150 * t)
    )
    fit = fit_oscillation(y, RATE, 50.0)
    assert fit.distortion[0, 0] == pytest.approx(0.5, abs=1e-5)
    assert fit.amplitude[0, 0] == pytest.approx(20.0, abs=1e-4)


def test_no_harmonic_below_half_the_frame_rate_gives_nan_distortion():
    y, amplitude, _ = wave()
    fit = fit_oscillation(y, RATE, FREQUENCY, harmonics=1)
    assert np.isnan(fit.distortion).all()
    np.testing.assert_allclose(fit.amplitude, amplitude, atol=0.1)


def test_standard_error_is_honest_with_drift_and_gaps():
    """95 % of the errors lie within 1.96 standard errors."""
    rng = np.random.default_rng(4)
    t = np.arange(120)[:, None, None] / RATE
    y = 6 * np.cos(2 * np.pi * 50 * t + 0.5) + 30 * t + rng.normal(0, 1, (120, 60, 60))
    y[30:50] = np.nan
    fit = fit_oscillation(y, RATE, 50.0)
    inside = np.abs(fit.amplitude - 12) < 1.96 * fit.standard_error
    assert 0.935 < inside.mean() < 0.965


def test_whole_numbers_are_fitted_without_overflow():
    t = np.arange(300)[:, None, None] / RATE
    y = np.rint(30_000 * np.cos(2 * np.pi * 50 * t)).astype(np.int16)
    assert fit_oscillation(y, RATE, 50.0).amplitude[0, 0] == pytest.approx(60_000, rel=1e-4)


def test_a_mapped_file_is_read_in_blocks_and_gives_the_same(tmp_path, monkeypatch):
    from coreg.displacement import amplitude as module

    y, _, _ = wave(frames=64, depth=40, lateral=16)
    data = np.stack([y, 2 * y]).astype(np.float32)
    np.save(tmp_path / "data.npy", data)
    mapped = np.load(tmp_path / "data.npy", mmap_mode="r")

    class Watched:
        """Stands for a file and remembers the largest part taken from it."""

        shape, dtype, largest = mapped.shape, mapped.dtype, 0

        def __getitem__(self, key):
            part = mapped[key]
            Watched.largest = max(Watched.largest, part.nbytes)
            return part

    monkeypatch.setattr(module, "_READ_BYTES", 64 * 16 * 4 * 3)
    whole = fit_oscillation(data, RATE, FREQUENCY)
    for source in (mapped, Watched()):
        blocks = fit_oscillation(source, RATE, FREQUENCY)
        np.testing.assert_allclose(blocks.amplitude, whole.amplitude, rtol=1e-5)
    assert Watched.largest == 3 * 64 * 16 * 4


def test_progress_can_stop_the_fit():
    y, _, _ = wave()

    def stop(fraction, text):
        raise Cancelled("stopped")

    with pytest.raises(Cancelled, match="stopped"):
        fit_oscillation(y, RATE, FREQUENCY, progress=stop)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"data": np.zeros((10, 4))}, "set axis_order"),
        ({"data": np.zeros((5, 4, 4))}, "too short"),
        ({"modulation_frequency_hz": 500.0}, "cannot be told from"),
        ({"modulation_frequency_hz": 0.01}, "cannot be told from drift"),
        ({"frame_rate_hz": 0.0}, "frame rate above 0"),
        ({"modulation_frequency_hz": -1.0}, "modulation frequency above 0"),
        ({"keep_frames": np.ones(3, bool)}, "keep_frames for 100 frames"),
        ({"frame_times_s": np.zeros(100)}, "increase"),
        ({"data": np.zeros((100, 4, 4), complex)}, "real numbers"),
    ],
)
def test_misuse_is_one_sentence(change, message):
    arguments = {
        "data": np.zeros((100, 4, 4)),
        "frame_rate_hz": 1000.0,
        "modulation_frequency_hz": 50.0,
    } | change
    with pytest.raises(InputError, match=message):
        fit_oscillation(**arguments)


def test_a_still_recording_has_amplitude_zero():
    fit = fit_oscillation(np.full((100, 3, 3), 7.0), RATE, FREQUENCY)
    assert (fit.amplitude == 0).all()
    assert (fit.standard_error == 0).all()


def test_frames_missing_differently_at_every_pixel():
    """Each pixel's fit equals numpy's least squares on its own valid frames."""
    rng = np.random.default_rng(8)
    y, _, _ = wave(noise=0.5)
    y[rng.random(y.shape) < 0.3] = np.nan
    fit = fit_oscillation(y, RATE, FREQUENCY, harmonics=1)
    t = np.arange(len(y)) / RATE
    angle = 2 * np.pi * FREQUENCY * t
    columns = np.column_stack([np.cos(angle), np.sin(angle), np.ones_like(t), t])
    for row, column in ((0, 0), (3, 2), (5, 4)):
        trace = y[:, row, column]
        good = np.isfinite(trace)
        best, power, *_ = np.linalg.lstsq(columns[good], trace[good], rcond=None)
        assert fit.amplitude[row, column] == pytest.approx(2 * np.hypot(*best[:2]), rel=1e-5)
        sd = np.sqrt(power[0] / (good.sum() - 4))
        assert fit.residual[row, column] == pytest.approx(sd, rel=1e-5)
