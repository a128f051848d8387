"""Displacement of tissue: oscillation to amplitude, change from baseline, predicted lesion, course.

Amplitude is peak to peak in µm, change is in µm or per cent of baseline (negative: stiffer), NaN
marks pixels without a valid estimate. Public names load when used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from coreg.displacement.amplitude import OscillationFit, fit_oscillation
    from coreg.displacement.change import Change, change_from_baseline
    from coreg.displacement.lesion import LesionOptions, PredictedLesion, predict_lesion

_PLACES = {
    "OscillationFit": "amplitude",
    "fit_oscillation": "amplitude",
    "Change": "change",
    "change_from_baseline": "change",
    "LesionOptions": "lesion",
    "PredictedLesion": "lesion",
    "predict_lesion": "lesion",
}

__all__ = [
    "Change",
    "LesionOptions",
    "OscillationFit",
    "PredictedLesion",
    "change_from_baseline",
    "fit_oscillation",
    "predict_lesion",
]


def __getattr__(name: str) -> Any:
    if name not in _PLACES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_PLACES[name]}"), name)
