"""Amplitude over a treatment: each time fitted for itself, breathing frames left out."""

from __future__ import annotations

import numpy as np
import pytest

from coreg.displacement.series import amplitude_series

RATE, FREQUENCY = 1000.0, 50.0


def recording(amplitudes=(20.0, 12.0), frames=100, seed=0):
    """(times, frames, 6, 5) µm of known peak-to-peak amplitude with a little noise."""
    rng = np.random.default_rng(seed)
    wave = np.cos(2 * np.pi * FREQUENCY * np.arange(frames) / RATE)
    clean = np.array(amplitudes)[:, None, None, None] / 2 * wave[None, :, None, None]
    return (clean + rng.normal(0, 0.05, (len(amplitudes), frames, 6, 5))).astype(np.float32)


def test_each_treatment_time_gets_its_own_amplitude():
    series = amplitude_series(recording(), RATE, FREQUENCY)
    assert series.amplitude.shape == (2, 6, 5)
    np.testing.assert_allclose(series.amplitude[0], 20.0, atol=0.1)
    np.testing.assert_allclose(series.amplitude[1], 12.0, atol=0.1)
    assert series.rejected_frames.tolist() == [0, 0]


@pytest.mark.parametrize("leave_out", [True, False])
def test_a_breath_spoils_the_amplitude_unless_its_frames_are_left_out(leave_out):
    data = recording()
    data[1, 40:45] += 60.0
    series = amplitude_series(data, RATE, FREQUENCY, leave_out_breathing=leave_out)
    error = np.abs(series.amplitude[1] - 12.0).max()
    if leave_out:
        assert 5 <= series.rejected_frames[1] <= 12
        assert error < 0.1
    else:
        assert error > 1.0


def test_one_time_without_a_times_axis_gives_one_map():
    assert amplitude_series(recording()[0], RATE, FREQUENCY).amplitude.shape == (1, 6, 5)


def test_a_recording_in_a_file_is_read_in_blocks_and_gives_the_same(tmp_path, monkeypatch):
    """Only slices of rows are ever asked of it; the largest is far below one treatment time."""

    class Counted:
        def __init__(self, data):
            self.data, self.shape, self.dtype = data, data.shape, data.dtype
            self.largest = 0

        def __getitem__(self, key):
            found = self.data[key]
            self.largest = max(self.largest, found.nbytes)
            return found

    rows = np.tile(recording(), (1, 1, 60, 20))
    np.save(tmp_path / "r.npy", rows)
    mapped = Counted(np.load(tmp_path / "r.npy", mmap_mode="r"))
    from coreg.displacement import amplitude

    monkeypatch.setattr(amplitude, "_READ_BYTES", 2**20)
    series = amplitude_series(mapped, RATE, FREQUENCY)
    assert mapped.largest < rows[0].nbytes / 8
    whole = amplitude_series(rows, RATE, FREQUENCY)
    # Products of other block sizes round differently: a few units of float32 (1.2e-7).
    np.testing.assert_allclose(series.amplitude, whole.amplitude, rtol=1e-6)
