"""Bring a section to the imaging plane, by landmarks, outlines or images, with a stated error.

Public names load when used.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_WHERE = {
    "LandmarkPairs": "coreg.landmark_pairs",
    "LandmarkFit": "coreg.alignment.landmarks",
    "fit_landmarks": "coreg.alignment.landmarks",
    "CurvePair": "coreg.alignment.sliding",
    "SlidingFit": "coreg.alignment.sliding",
    "fit_with_curves": "coreg.alignment.sliding",
    "SectionChoice": "coreg.alignment.sections",
    "which_section": "coreg.alignment.sections",
    "Posterior": "coreg.alignment.uncertainty",
    "sample_transforms": "coreg.alignment.uncertainty",
    "AlignmentQuality": "coreg.alignment.quality",
    "QualityOptions": "coreg.alignment.quality",
    "assess": "coreg.alignment.quality",
    "Candidate": "coreg.alignment.coarse",
    "CoarseOptions": "coreg.alignment.coarse",
    "ImageFit": "coreg.alignment.intensity",
    "IntensityOptions": "coreg.alignment.intensity",
    "Level": "coreg.alignment.intensity",
    "align_images": "coreg.alignment.intensity",
    "coarse_candidates": "coreg.alignment.intensity",
}

__all__ = sorted(_WHERE)


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(f"module 'coreg.alignment' has no attribute {name!r}")
    return getattr(import_module(_WHERE[name]), name)


def __dir__() -> list[str]:
    return __all__
