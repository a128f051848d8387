"""Amplitude over a treatment: one sine fit a treatment time, breathing frames left out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from coreg.displacement.amplitude import fit_oscillation
from coreg.displacement.quality import reject_breathing


@dataclass(frozen=True)
class AmplitudeSeries:
    """Amplitude and its standard error over treatment, float32 (times, depth, lateral) in µm.

    error : None where the source holds amplitude maps without error
    rejected_frames : (times,) frames left out for bulk motion
    """

    amplitude: np.ndarray
    error: np.ndarray | None
    rejected_frames: np.ndarray


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
    times = [_OneTime(data, i) for i in range(data.shape[0])] if len(data.shape) == 4 else [data]
    keep = np.ones((len(times), data.shape[-3]), dtype=bool)
    if leave_out_breathing:
        for i, one in enumerate(times):
            keep[i] = reject_breathing(one, frame_rate_hz, modulation_frequency_hz).keep
    # One fit of all times: it reads its blocks itself, so that no treatment time is held whole.
    fit = fit_oscillation(
        data, frame_rate_hz, modulation_frequency_hz, keep_frames=keep, progress=progress
    )
    shape = (len(times), *data.shape[-2:])
    return AmplitudeSeries(
        fit.amplitude.reshape(shape), fit.standard_error.reshape(shape), (~keep).sum(axis=1)
    )


class _OneTime:
    """One treatment time of a recording, read only where it is sliced."""

    def __init__(self, data: Any, time: int) -> None:
        self.data, self.time = data, time
        self.shape = data.shape[1:]

    def __getitem__(self, key: tuple[slice, ...]) -> np.ndarray:
        return np.asarray(self.data[(self.time, *key)])
