"""Magnitudes that look wrong: asked about, never changed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from coreg.sources.recordings.reading import Recording

# A radiation force moves tissue by micrometres: common practice, no source.
_LARGEST_UM, _SMALLEST_UM = 500.0, 0.05
# A small animal's imaging plane, with room for a large one.
_LARGEST_PLANE_MM, _SMALLEST_PLANE_MM = 400.0, 1.0
_LARGEST_PIXEL_MM, _SMALLEST_PIXEL_MM = 5.0, 0.001


def ask(recording: Recording) -> tuple[str, ...]:
    """One sentence for each magnitude of a recording that looks wrong."""
    questions = _displacement(recording) + _plane(recording)
    times = recording.times_s
    if len(times) > 1 and times[-1] - times[0] > 6 * 3600:
        questions.append(
            f"The treatment lasts {(times[-1] - times[0]) / 3600:.1f} h: are the times in seconds?"
        )
    rate, modulation = recording.frame_rate_hz, recording.modulation_frequency_hz
    if rate is not None and not 5 <= rate <= 50_000:
        questions.append(f"The frame rate is {rate:g} Hz: is frame_rate_hz right?")
    if modulation is not None and not 1 <= modulation <= 5_000:
        questions.append(
            f"The modulation frequency is {modulation:g} Hz: is modulation_frequency_hz right?"
        )
    if recording.correlation is not None:
        top = float(np.nanmax(recording.correlation, initial=0.0))
        if top > 1.01:
            questions.append(
                f"The correlation maps reach {top:g}, above 1: is correlation the right array?"
            )
    return tuple(questions)


def _displacement(recording: Recording) -> list[str]:
    sample = _sample(recording.data)
    sample = (
        sample[..., np.isfinite(sample).all(axis=0)]
        if recording.kind == "oscillation"
        else (sample[np.isfinite(sample)])
    )
    if sample.size == 0:
        return ["The recording holds no finite displacement: is array the right one?"]
    if recording.kind == "oscillation":
        extent = np.ptp(sample, axis=0)
        what = "The displacement swings by"
    else:
        extent = np.abs(sample)
        what = "The amplitude reaches"
    typical = float(np.percentile(extent, 99))
    found = []
    if typical > _LARGEST_UM:
        found.append(f"{what} {_length(typical)}: is unit right?")
    elif typical < _SMALLEST_UM:
        found.append(f"{what} only {_length(typical)}: is unit right?")
    if recording.kind != "oscillation" and float((sample < 0).mean()) > 0.05:
        found.append(
            f"{100 * (sample < 0).mean():.0f} % of the amplitudes are below 0: are these "
            "peak-to-peak amplitudes, and not displacements or changes?"
        )
    return found


def _sample(data: Any) -> np.ndarray:
    """Up to some 100,000 values: a few rows of the first and last treatment time."""
    rows = data.shape[-2]
    chosen = sorted({int(r) for r in np.linspace(0, rows - 1, min(rows, 16))})
    if data.ndim == 4:
        pieces = [np.asarray(data[0, :, r : r + 1, :]) for r in chosen]
        return np.concatenate([p.reshape(p.shape[0], -1) for p in pieces], axis=1)
    return np.concatenate([np.asarray(data[:, r : r + 1, :]).ravel() for r in chosen])


def _length(um: float) -> str:
    if um >= 1e6:
        return f"{um / 1e6:.3g} m"
    if um >= 1e3:
        return f"{um / 1e3:.3g} mm"
    return f"{um:.3g} µm" if um >= 1e-2 else f"{um * 1e3:.3g} nm"


def _plane(recording: Recording) -> list[str]:
    grid = recording.grid
    found = []
    for name, size, step in zip(("deep", "wide"), grid.size, grid.spacing, strict=True):
        shown = f"{size / 1000:.3g} m" if size >= 1000 else f"{size:.3g} mm"
        if size > _LARGEST_PLANE_MM or size < _SMALLEST_PLANE_MM:
            found.append(f"The imaging plane is {shown} {name}: is axis_unit right?")
        elif not _SMALLEST_PIXEL_MM <= step <= _LARGEST_PIXEL_MM:
            found.append(f"The pixels are {step:.3g} mm {name}: is axis_unit right?")
    return found
