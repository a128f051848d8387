"""Displacement of tissue: oscillation to amplitude, change from baseline, predicted lesion, course.

Amplitude is peak to peak in µm, change is in µm or per cent of baseline (negative: stiffer), NaN
marks pixels without a valid estimate. Public names load when used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from coreg.displacement.amplitude import OscillationFit as OscillationFit
    from coreg.displacement.amplitude import fit_oscillation as fit_oscillation
    from coreg.displacement.change import Change as Change
    from coreg.displacement.change import change_from_baseline as change_from_baseline
    from coreg.displacement.change import repeatability as repeatability
    from coreg.displacement.change import stand_in_baseline as stand_in_baseline
    from coreg.displacement.frequency import Finding as Finding
    from coreg.displacement.frequency import FrequencyCheck as FrequencyCheck
    from coreg.displacement.frequency import check_frequency as check_frequency
    from coreg.displacement.lesion import LesionOptions as LesionOptions
    from coreg.displacement.lesion import PredictedLesion as PredictedLesion
    from coreg.displacement.lesion import predict_lesion as predict_lesion
    from coreg.displacement.motion import Motion as Motion
    from coreg.displacement.motion import correct_motion as correct_motion
    from coreg.displacement.motion import estimate_motion as estimate_motion
    from coreg.displacement.movie import save_course_plot as save_course_plot
    from coreg.displacement.movie import save_movie as save_movie
    from coreg.displacement.over_time import Course as Course
    from coreg.displacement.over_time import Onset as Onset
    from coreg.displacement.over_time import course as course
    from coreg.displacement.over_time import onset_of_change as onset_of_change
    from coreg.displacement.quality import FrameRejection as FrameRejection
    from coreg.displacement.quality import Quality as Quality
    from coreg.displacement.quality import QualityOptions as QualityOptions
    from coreg.displacement.quality import quality_mask as quality_mask
    from coreg.displacement.quality import reject_breathing as reject_breathing

_PLACES = {
    "OscillationFit": "amplitude",
    "fit_oscillation": "amplitude",
    "Change": "change",
    "change_from_baseline": "change",
    "repeatability": "change",
    "stand_in_baseline": "change",
    "Course": "over_time",
    "Onset": "over_time",
    "course": "over_time",
    "onset_of_change": "over_time",
    "Finding": "frequency",
    "FrequencyCheck": "frequency",
    "check_frequency": "frequency",
    "LesionOptions": "lesion",
    "PredictedLesion": "lesion",
    "predict_lesion": "lesion",
    "Motion": "motion",
    "correct_motion": "motion",
    "estimate_motion": "motion",
    "save_course_plot": "movie",
    "save_movie": "movie",
    "FrameRejection": "quality",
    "Quality": "quality",
    "QualityOptions": "quality",
    "quality_mask": "quality",
    "reject_breathing": "quality",
}

__all__ = [
    "Change",
    "Course",
    "Finding",
    "FrameRejection",
    "FrequencyCheck",
    "LesionOptions",
    "Motion",
    "Onset",
    "OscillationFit",
    "PredictedLesion",
    "Quality",
    "QualityOptions",
    "change_from_baseline",
    "check_frequency",
    "correct_motion",
    "course",
    "estimate_motion",
    "fit_oscillation",
    "onset_of_change",
    "predict_lesion",
    "quality_mask",
    "reject_breathing",
    "repeatability",
    "save_course_plot",
    "save_movie",
    "stand_in_baseline",
]


def __getattr__(name: str) -> Any:
    if name not in _PLACES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_PLACES[name]}"), name)
