"""Agreement of a predicted lesion with a pathology lesion: measures, intervals, curves, limits.

Public names load when used.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_WHERE = {
    "MEASURES": "measures",
    "Agreement": "measures",
    "measure": "measures",
    "measure_outlines": "measures",
    "on_finer_grid": "measures",
    "refined_grid": "measures",
    "LesionMatch": "lesions",
    "match_lesions": "lesions",
    "Interval": "monte_carlo",
    "IntervalInputs": "monte_carlo",
    "Intervals": "monte_carlo",
    "intervals": "monte_carlo",
    "RegionRules": "regions",
    "ThresholdCurve": "curves",
    "ThresholdCurves": "curves",
    "threshold_curves": "curves",
    "MapNoise": "background",
    "map_noise": "background",
    "ResolutionLimit": "resolution",
    "resolution_limit": "resolution",
}

__all__ = sorted(_WHERE)


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(f"module 'coreg.agreement' has no attribute {name!r}")
    return getattr(import_module(f"coreg.agreement.{_WHERE[name]}"), name)


def __dir__() -> list[str]:
    return __all__
