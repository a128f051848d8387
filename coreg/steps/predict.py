"""Predict: from the recording to amplitude, change from baseline and the predicted lesion."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from coreg.case import Case, Progress
from coreg.errors import InputError

if TYPE_CHECKING:
    from coreg.displacement import LesionOptions
    from coreg.sources.recordings import RecordingSpec


def seed(case: Case) -> int | None:
    """Nothing here is random."""
    return None


def run(case: Case, folder: Path, progress: Progress) -> dict[str, Any]:
    """Write change.npz (maps on the recording's grid) and predicted.geojson (plane mm)."""
    from coreg.displacement import change_from_baseline, predict_lesion
    from coreg.sources.maps import save_maps
    from coreg.sources.outlines import write_outlines
    from coreg.sources.recordings import read_recording

    progress(0.0, "Reading the recording")
    recording = read_recording(recording_spec(case))
    amplitude, error, baseline, baseline_error = _amplitudes(recording, progress)
    change = change_from_baseline(amplitude, baseline, error=error, baseline_error=baseline_error)
    valid = np.isfinite(change.last().percent)
    progress(0.9, "Finding the predicted lesion")
    lesion = predict_lesion(change, lesion_options(case), grid=recording.grid, valid=valid)
    last = change.last()
    save_maps(
        folder / "change.npz",
        recording.grid,
        {
            "baseline_um": change.baseline,
            "final_um": (change.baseline + last.um).astype(np.float32),
            "change_um": last.um,
            "change_percent": last.percent,
            "change_error_percent": last.percent_error,
            "low_baseline": last.low_baseline,
            "valid": lesion.valid,
            "predicted": lesion.mask,
            "score": lesion.score,
            "smoothed_change_percent": lesion.change_percent,
            "series_change_percent": np.atleast_3d(change.percent)
            if change.percent.ndim == 3
            else change.percent[None],
        },
    )
    write_outlines(folder / "predicted.geojson", lesion.outlines, frame="plane")
    return {
        "predicted_area_mm2": lesion.area,
        "threshold_percent": lesion.threshold_percent,
        "rule": lesion.rule,
        "reason": lesion.reason,
        "treatment_times_s": recording.times_s.tolist(),
        "grid": recording.grid.to_dict(),
        "valid_share": float(lesion.valid.mean()),
        "options": lesion.options.to_dict(),
        "notes": [*recording.notes, *lesion.notes],
        "questions": list(recording.questions),
    }


def recording_spec(case: Case) -> RecordingSpec:
    """What the case's [displacement] table says, as the readers take it."""
    from coreg.sources.recordings import RecordingSpec

    case.require("displacement")
    given = {
        key: value for key, value in case.settings["displacement"].items() if value is not None
    }
    if not given["baseline_path"]:
        del given["baseline_path"]
    return RecordingSpec.from_dict(given, case.folder)


def lesion_options(case: Case) -> LesionOptions:
    """What the case's [predict] table says, as the rule takes it."""
    from coreg.displacement import LesionOptions

    given = {key: value for key, value in case.settings["predict"].items() if value is not None}
    focus = given.pop("focus_mm", None)
    if focus is not None:
        given["focus"] = tuple(focus)
    return LesionOptions(**given)


def _amplitudes(
    recording: Any, progress: Progress
) -> tuple[np.ndarray, np.ndarray | None, np.ndarray, np.ndarray | None]:
    """Amplitude over treatment and at baseline, each with its standard error where known."""
    from coreg.displacement import fit_oscillation

    if recording.kind == "oscillation":

        def fit(data: Any, part: float, of: float) -> Any:
            return fit_oscillation(
                data,
                recording.frame_rate_hz,
                recording.modulation_frequency_hz,
                progress=lambda f, text: progress(part + of * f, text),
            )

        now = fit(recording.data, 0.05, 0.7)
        amplitude, error = now.amplitude, now.standard_error
        if recording.baseline is not None:
            before = fit(recording.baseline, 0.75, 0.1)
            return amplitude, error, before.amplitude, before.standard_error
    else:
        amplitude, error = np.asarray(recording.data), None
        if recording.baseline is not None:
            return amplitude, None, np.asarray(recording.baseline), None
    first = recording.baseline_times
    if first < 1 or len(amplitude) <= first:
        raise InputError(
            f"The recording holds {len(amplitude)} treatment time(s), of which {first} are the "
            "baseline, so no change can be computed; name a baseline array in [displacement] or "
            "lower baseline_times."
        )
    return (
        amplitude[first:],
        None if error is None else error[first:],
        amplitude[:first],
        (None if error is None else error[:first]),
    )
