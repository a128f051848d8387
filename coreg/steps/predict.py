"""Predict: from the recording to amplitude, change from baseline and the predicted lesion."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from coreg.case import Case, Progress
from coreg.errors import InputError
from coreg.geometry import Grid, Image
from coreg.results import write_text

if TYPE_CHECKING:
    from coreg.displacement import Change, Course, LesionOptions, PredictedLesion
    from coreg.displacement.series import AmplitudeSeries
    from coreg.sources.recordings import Recording, RecordingSpec


@dataclass
class _Amplitudes:
    """Amplitude over treatment and at baseline, with what was noticed on the way."""

    now: np.ndarray
    now_error: np.ndarray | None
    baseline: np.ndarray
    baseline_error: np.ndarray | None
    times_s: np.ndarray
    notes: list[str] = field(default_factory=list)
    questions: list[str] = field(default_factory=list)


def seed(case: Case) -> int | None:
    """Nothing here is random."""
    return None


def run(case: Case, folder: Path, progress: Progress) -> dict[str, Any]:
    """Write change.npz (maps on the recording's grid), predicted.geojson (plane mm), course.csv."""
    from coreg.displacement import change_from_baseline, predict_lesion, quality_mask
    from coreg.sources.recordings import read_recording
    from coreg.sources.recordings.reading import require_signal

    progress(0.0, "Reading the recording")
    spec = recording_spec(case)
    recording = read_recording(spec)
    require_signal(recording, spec.array or spec.path.name)
    require_focus_inside(case, recording.grid)
    amplitudes = _amplitudes(case, recording, progress)
    change = change_from_baseline(
        amplitudes.now,
        amplitudes.baseline,
        error=amplitudes.now_error,
        baseline_error=amplitudes.baseline_error,
    )
    quality = quality_mask(
        amplitudes.now,
        grid=recording.grid,
        error=amplitudes.now_error,
        baseline=change.baseline,
        correlation=recording.correlation,
        bmode=_bmode_of_quality(case),
    )
    progress(0.9, "Finding the predicted lesion")
    options = lesion_options(case)
    lesion = predict_lesion(change, options, grid=recording.grid, valid=quality.mask)
    followed = _followed(change, amplitudes.times_s, lesion)
    course = None if followed is None else _write_course(folder, followed)
    if case.settings["predict"]["movie"]:
        _write_movie(folder, change, amplitudes.times_s, lesion, followed)
    _write_maps(folder, change, lesion)
    return {
        "predicted_area_mm2": lesion.area,
        "threshold_percent": lesion.threshold_percent,
        "rule": lesion.rule,
        "reason": lesion.reason,
        "course": course,
        "grid": recording.grid.to_dict(),
        "valid_share": float(lesion.valid.mean()),
        "left_out_shares": quality.shares,
        "options": options.to_dict(),
        "notes": [*recording.notes, *amplitudes.notes, *lesion.notes],
        "questions": [*recording.questions, *amplitudes.questions],
    }


def require_focus_inside(case: Case, grid: Grid) -> None:
    """Raise `InputError` where the case's focus lies off the recording's plane."""
    focus = case.settings["predict"]["focus_mm"]
    if focus is not None and not grid.contains(np.array([focus])).all():
        top, left, bottom, right = grid.bounds
        raise InputError(
            f"The focus at depth {focus[0]:g}, lateral {focus[1]:g} mm lies off the recording's "
            f"plane (depth {top:g} to {bottom:g} mm, lateral {left:g} to {right:g} mm); correct "
            f"[predict] focus_mm in {case.folder / 'case.toml'}."
        )


def _bmode_of_quality(case: Case) -> Image | None:
    """The B-mode whose shadow and saturation are not to be trusted; None where not asked for."""
    from coreg.steps.bmode import case_bmode

    found = case_bmode(case) if case.settings["predict"]["shadow_from_bmode"] else None
    return None if found is None else found.image


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


# Settings of [predict] that the lesion's rule takes as they are; the others steer this step.
_RULE_KEYS = (
    "rule",
    "threshold_percent",
    "standard_errors",
    "focus_radius_mm",
    "window_mm",
    "connected_to_focus",
    "smallest_mm2",
    "fill_holes_mm2",
    "smooth_mm",
    "edge_weight",
    "low_baseline",
)


def lesion_options(case: Case) -> LesionOptions:
    """What the case's [predict] table says, as the rule takes it."""
    from coreg.displacement import LesionOptions

    settings = case.settings["predict"]
    given = {key: settings[key] for key in _RULE_KEYS if settings[key] is not None}
    if settings["focus_mm"] is not None:
        given["focus"] = tuple(settings["focus_mm"])
    return LesionOptions(**given)


def _amplitudes(case: Case, recording: Recording, progress: Progress) -> _Amplitudes:
    if recording.kind == "oscillation":
        found = _from_oscillation(case, recording, progress)
    else:
        found = _from_maps(case, recording)
    if case.settings["predict"]["motion"] != "none":
        _undo_motion(case, found, recording)
    return found


def _from_oscillation(case: Case, recording: Recording, progress: Progress) -> _Amplitudes:
    from coreg.displacement import check_frequency
    from coreg.displacement.series import amplitude_series

    rate, frequency = recording.frame_rate_hz, recording.modulation_frequency_hz
    assert rate is not None  # the spec asks for both of an oscillation
    assert frequency is not None
    checked = check_frequency(recording.data, rate, frequency)
    wrong = [finding.text for finding in checked.findings if finding.serious]
    minor = [finding.text for finding in checked.findings if not finding.serious]

    def fit(data: Any, part: float, of: float) -> AmplitudeSeries:
        return amplitude_series(
            data,
            rate,
            frequency,
            leave_out_breathing=case.settings["predict"]["leave_out_breathing"],
            progress=lambda fraction, text: progress(part + of * fraction, text),
        )

    now = fit(recording.data, 0.05, 0.7)
    if now.rejected_frames.any():
        minor.append(
            f"{int(now.rejected_frames.sum())} frames were left out for bulk motion (breathing)."
        )
    if recording.baseline is not None:
        before = fit(recording.baseline, 0.75, 0.1)
        return _Amplitudes(
            now.amplitude,
            now.error,
            before.amplitude,
            before.error,
            recording.times_s,
            minor,
            wrong,
        )
    first = _baseline_times(recording)
    assert now.error is not None
    return _Amplitudes(
        now.amplitude[first:],
        now.error[first:],
        now.amplitude[:first],
        now.error[:first],
        recording.times_s[first:],
        minor,
        wrong,
    )


def _from_maps(case: Case, recording: Recording) -> _Amplitudes:
    from coreg.displacement import stand_in_baseline

    maps = np.asarray(recording.data)
    if recording.baseline is not None:
        before = np.asarray(recording.baseline)
        return _Amplitudes(maps, None, before, None, recording.times_s)
    focus = case.settings["predict"]["focus_mm"]
    if len(maps) == 1 and case.settings["predict"]["stand_in_baseline"]:
        if focus is None:
            raise InputError(
                "A stand-in for a missing baseline needs the focus; give [predict] focus_mm in "
                "case.toml."
            )
        before = stand_in_baseline(maps[0], recording.grid, (focus[0], focus[1]))
        note = "There is no baseline; one was made up from the final map's surroundings."
        return _Amplitudes(maps, None, before, None, recording.times_s, [note])
    first = _baseline_times(recording)
    return _Amplitudes(maps[first:], None, maps[:first], None, recording.times_s[first:])


def _baseline_times(recording: Recording) -> int:
    first, count = recording.baseline_times, recording.data.shape[0]
    if first < 1 or count <= first:
        raise InputError(
            f"The recording holds {count} treatment time(s), of which {first} are the baseline, so "
            "no change can be computed; name a baseline array in [displacement] baseline, lower "
            "baseline_times, or set [predict] stand_in_baseline = true."
        )
    return first


def _undo_motion(case: Case, found: _Amplitudes, recording: Recording) -> None:
    """Bring the maps of the treatment to the last baseline map; leave out those that cannot be."""
    from coreg.displacement import correct_motion, estimate_motion

    reference = np.atleast_3d(found.baseline) if found.baseline.ndim == 3 else found.baseline[None]
    stack = np.concatenate([reference[-1:], found.now])
    if case.settings["predict"]["motion"] == "bmode":
        motion = estimate_motion(*_bmode_frames(case, recording))
    else:
        motion = estimate_motion(stack, recording.grid)
    kept = motion.keep[1:]
    if not kept.any():
        raise InputError(
            "Every map of the treatment moved too far from the baseline to be brought back; look "
            'at the recording, or set [predict] motion = "none".'
        )
    found.now = correct_motion(stack, motion, recording.grid)[1:][kept]
    found.times_s = found.times_s[kept]
    if found.now_error is not None:
        errors = np.concatenate([found.now_error[:1], found.now_error])
        found.now_error = correct_motion(errors, motion, recording.grid)[1:][kept]
    found.notes.append(motion.summary())


def _bmode_frames(case: Case, recording: Recording) -> tuple[np.ndarray, Grid]:
    """B-mode at the last baseline time and at each treatment time, and their grid."""
    from coreg.steps.bmode import case_bmode

    first = recording.baseline_times
    if recording.baseline is not None or first < 1:
        raise InputError(
            "Motion from B-mode needs the baseline among the treatment times; set [predict] motion "
            '= "maps", or leave [displacement] baseline out.'
        )
    found = [case_bmode(case, frame=i) for i in range(first - 1, recording.data.shape[0])]
    images = [bmode.image for bmode in found if bmode is not None]
    if not images:
        raise InputError(
            "Motion from B-mode needs a file with a frame for each treatment time; give [bmode] "
            'path, or set [predict] motion = "maps".'
        )
    return np.stack([image.data for image in images]), images[0].grid


def _write_maps(folder: Path, change: Change, lesion: PredictedLesion) -> None:
    from coreg.sources.maps import save_maps
    from coreg.sources.outlines import write_outlines

    last = change.last()
    series = change.percent if change.percent.ndim == 3 else change.percent[None]
    save_maps(
        folder / "change.npz",
        lesion.grid,
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
            "series_change_percent": series,
        },
    )
    write_outlines(folder / "predicted.geojson", lesion.outlines, frame="plane")


def _followed(change: Change, times_s: np.ndarray, lesion: PredictedLesion) -> Course | None:
    """The course in the predicted lesion; None where there is none to follow."""
    from coreg.displacement import course

    if not lesion.mask.any() or change.percent.ndim != 3 or len(times_s) < 2:
        return None
    rule = lesion.options
    if np.isfinite(lesion.threshold_percent):
        # One threshold over time, so that the area's growth is not the rule's change of mind.
        rule = replace(rule, rule="threshold", threshold_percent=float(lesion.threshold_percent))
    return course(change, times_s, lesion.mask, lesion.grid, options=rule, valid=lesion.valid)


def _write_movie(
    folder: Path,
    change: Change,
    times_s: np.ndarray,
    lesion: PredictedLesion,
    followed: Course | None,
) -> None:
    from coreg.displacement import save_course_plot, save_movie

    series = change.percent if change.percent.ndim == 3 else change.percent[None]
    shown = np.where(lesion.valid, series, np.nan)
    outlines = [lesion.outlines] * len(series)
    save_movie(
        folder / "change.gif", shown, times_s[-len(series) :], lesion.grid, outlines=outlines
    )
    if followed is not None:
        save_course_plot(folder / "course.png", followed)


def _write_course(folder: Path, found: Course) -> dict[str, Any]:
    """Write course.csv and return the course as plain values."""
    rows = [
        "time_s,mean_percent,median_percent,deviation_percent,low_percent,high_percent,area_mm2"
    ]
    columns = (
        found.times_s,
        found.mean,
        found.median,
        found.deviation,
        found.low,
        found.high,
        found.area_mm2,
    )
    rows += [",".join(f"{value:.6g}" for value in row) for row in zip(*columns, strict=True)]
    write_text(folder / "course.csv", "\n".join(rows) + "\n")
    return {
        "times_s": found.times_s.tolist(),
        "mean_percent": found.mean.tolist(),
        "deviation_percent": found.deviation.tolist(),
        "area_mm2": found.area_mm2.tolist(),
        "onset_s": found.onset.time_s,
        "onset_interval_s": list(found.onset.interval_s),
        "onset_reason": found.onset.reason,
    }
