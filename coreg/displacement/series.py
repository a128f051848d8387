"""Amplitude over a treatment: one sine fit a treatment time, breathing frames left out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from coreg.displacement.amplitude import OscillationFit, fit_oscillation
from coreg.displacement.quality import reject_breathing


@dataclass(frozen=True)
class AmplitudeSeries:
    """Amplitude and its standard error over treatment, float32 (times, depth, lateral) in µm.

    error : None where the source holds amplitude maps without error
    rejected_frames : (times,) frames left out for bulk motion
    distortion : (depth, lateral) median total harmonic distortion over the times, a ratio; or None
    """

    amplitude: np.ndarray
    error: np.ndarray | None
    rejected_frames: np.ndarray
    distortion: np.ndarray | None = None


def amplitude_series(
    data: Any,
    frame_rate_hz: float,
    modulation_frequency_hz: float,
    *,
    leave_out_breathing: bool = True,
    progress: Callable[[float, str], None] | None = None,
) -> AmplitudeSeries:
    """Fit the oscillation at each treatment time.

    Parameters
    ----------
    data : (times, frames, depth, lateral) or (frames, depth, lateral) µm, read in blocks
    leave_out_breathing : drop frames in which the whole plane moves abruptly (`reject_breathing`)
    """
    several = len(data.shape) == 4
    count = data.shape[0] if several else 1
    fits: list[OscillationFit] = []
    rejected = np.zeros(count, dtype=int)
    for i in range(count):
        frames = data[i] if several else data
        keep = None
        if leave_out_breathing:
            found = reject_breathing(frames, frame_rate_hz, modulation_frequency_hz)
            rejected[i] = found.rejected
            keep = found.keep

        def show(fraction: float, text: str, done: int = i) -> None:
            if progress is not None:
                progress((done + fraction) / count, text)

        fits.append(
            fit_oscillation(
                frames,
                frame_rate_hz,
                modulation_frequency_hz,
                keep_frames=keep,
                progress=show,
            )
        )
    return AmplitudeSeries(
        np.stack([fit.amplitude for fit in fits]),
        np.stack([fit.standard_error for fit in fits]),
        rejected,
        np.median(np.stack([fit.distortion for fit in fits]), axis=0),
    )
