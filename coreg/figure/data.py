"""What a figure is drawn from: results of a case or of a study, nothing computed here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np

from coreg.errors import FrameError, InputError
from coreg.geometry import Image, Outline

# zone label -> measure -> {"value", "low", "high"}; the interval's bounds may be None or NaN
AgreementTable = Mapping[str, Mapping[str, Mapping[str, float | None]]]


@dataclass(frozen=True)
class Course:
    """How the change and the predicted area went during treatment.

    Parameters
    ----------
    times_s : (n,) s since treatment began
    change_percent : (n,) mean change in the lesion, per cent of baseline
    spread_percent : (n,) standard deviation of the change over the lesion's pixels, or None
    area_mm2 : (n,) predicted area, or None
    area_low_mm2, area_high_mm2 : (n,) 95 % interval of the area, or None

    NaN leaves a gap in the line.
    """

    times_s: np.ndarray
    change_percent: np.ndarray
    spread_percent: np.ndarray | None = None
    area_mm2: np.ndarray | None = None
    area_low_mm2: np.ndarray | None = None
    area_high_mm2: np.ndarray | None = None

    def __post_init__(self) -> None:
        _same_length(self, "times_s")


@dataclass(frozen=True)
class ThresholdCurve:
    """Agreement against the threshold of the predicted lesion.

    Parameters
    ----------
    label : which pathology lesion, e.g. "ablated"
    threshold_percent : (n,) change below which a pixel counts as lesion, per cent
    dice : (n,) Dice at each threshold; low, high : (n,) 95 % interval or None
    used_percent : the threshold that was used, or None
    """

    label: str
    threshold_percent: np.ndarray
    dice: np.ndarray
    low: np.ndarray | None = None
    high: np.ndarray | None = None
    used_percent: float | None = None

    def __post_init__(self) -> None:
        _same_length(self, "threshold_percent")


@dataclass(frozen=True)
class FigureData:
    """What one case offers to its figure; all but the name may be missing.

    Parameters
    ----------
    name : the case
    bmode : grey image of the plane, any range; shown from its 1st to its 99th percentile
    baseline, final : amplitude maps, µm peak to peak, NaN where invalid
    change_percent : change of the amplitude, per cent of baseline
    valid : bool of the shape of `change_percent` (or of `final`), the region of validity
    predicted : outlines of the predicted lesion, plane mm
    section : RGB of the section, slide mm
    section_outlines : its zones, slide mm
    section_on_plane : RGB of the section pulled onto the plane; NaN or white outside
    pathology : its zones mapped to plane mm
    error_mm : expected error of the alignment, mm
    agreement : zone label -> measure -> {"value", "low", "high"}
    course, threshold_curves : see there
    focus_mm : (depth, lateral) of the focus
    """

    name: str
    bmode: Image | None = None
    baseline: Image | None = None
    final: Image | None = None
    change_percent: Image | None = None
    valid: np.ndarray | None = None
    predicted: tuple[Outline, ...] = ()
    section: Image | None = None
    section_outlines: tuple[Outline, ...] = ()
    section_on_plane: Image | None = None
    pathology: tuple[Outline, ...] = ()
    error_mm: Image | None = None
    agreement: AgreementTable = field(default_factory=dict)
    course: Course | None = None
    threshold_curves: tuple[ThresholdCurve, ...] = ()
    focus_mm: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        for name, frame in _FRAMES.items():
            things = getattr(self, name)
            for thing in things if isinstance(things, tuple) else (things,):
                if thing is not None and thing.frame != frame:
                    raise FrameError(
                        f"The figure's {name} should be in {frame} mm, got {thing.frame} mm; map "
                        "it with to_slide or to_plane first."
                    )
        for name in ("section", "section_on_plane"):
            image = getattr(self, name)
            if image is not None and (image.data.ndim != 3 or image.data.shape[2] not in (3, 4)):
                raise InputError(
                    f"The figure's {name} should be an RGB image, got shape {image.data.shape}."
                )
        if self.valid is not None:
            maps = self.maps
            if not maps or self.valid.shape != maps[0].grid.shape:
                raise InputError(
                    f"The figure's region of validity has shape {self.valid.shape}; it should have "
                    "that of the change map."
                )

    @property
    def maps(self) -> tuple[Image, ...]:
        """The displacement maps that are there; the first one's grid is that of `valid`."""
        return tuple(m for m in (self.change_percent, self.final, self.baseline) if m is not None)


_FRAMES = {
    "bmode": "plane",
    "baseline": "plane",
    "final": "plane",
    "change_percent": "plane",
    "predicted": "plane",
    "section_on_plane": "plane",
    "pathology": "plane",
    "error_mm": "plane",
    "section": "slide",
    "section_outlines": "slide",
}


@dataclass(frozen=True)
class Estimate:
    """A number with its 95 % interval; NaN bounds where there is none."""

    value: float
    low: float = float("nan")
    high: float = float("nan")


@dataclass(frozen=True)
class MethodComparison:
    """Predicted against pathology over cases, for one quantity, as coreg.cohort computed it.

    Parameters
    ----------
    quantity, unit : what was measured, e.g. "area", "mm²"
    bias, lower_limit, upper_limit : Bland–Altman mean difference (predicted minus pathology) and
        95 % limits of agreement, each with its interval
    slope, intercept : of the regression of predicted on pathology
    regression : the regression's name, e.g. "Deming"
    """

    quantity: str
    unit: str
    bias: Estimate | None = None
    lower_limit: Estimate | None = None
    upper_limit: Estimate | None = None
    slope: Estimate | None = None
    intercept: Estimate | None = None
    regression: str = "regression"


@dataclass(frozen=True)
class StudyData:
    """What a study offers to its figure.

    Parameters
    ----------
    name : the study
    cases, animals : (n) names; cases of one animal share its name
    predicted, pathology : (n,) the compared quantity on both sides, in the unit of `comparison`
    comparison : Bland–Altman limits and regression
    zone : which pathology lesion, e.g. "ablated"
    per_case : measure -> one estimate a case (e.g. "dice"), NaN where a case has none
    threshold_curves : over the study
    """

    name: str
    cases: tuple[str, ...]
    animals: tuple[str, ...]
    predicted: np.ndarray
    pathology: np.ndarray
    comparison: MethodComparison
    zone: str = "ablated"
    per_case: Mapping[str, tuple[Estimate, ...]] = field(default_factory=dict)
    threshold_curves: tuple[ThresholdCurve, ...] = ()

    def __post_init__(self) -> None:
        n = len(self.cases)
        lengths = {
            "animals": len(self.animals),
            "predicted": len(self.predicted),
            "pathology": len(self.pathology),
            **{name: len(values) for name, values in self.per_case.items()},
        }
        for name, length in lengths.items():
            if length != n:
                raise InputError(f"The study has {n} cases but {length} values of {name}.")


def _same_length(thing: Any, first: str) -> None:
    n = len(getattr(thing, first))
    for f in fields(thing):
        values = getattr(thing, f.name)
        if isinstance(values, np.ndarray) and values.shape != (n,):
            raise InputError(f"Expected {f.name} of shape ({n},) like {first}, got {values.shape}.")
