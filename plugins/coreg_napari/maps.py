"""The displacement maps of a finished step: stepping through time, a threshold that moves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from coreg.geometry import Grid, Outline

if TYPE_CHECKING:
    from coreg.case import Case
    from coreg.displacement import Change, LesionOptions, PredictedLesion
    from coreg.figure import FigureData


@dataclass(frozen=True)
class Maps:
    """What the displacement step left.

    grid : of all maps, frame "plane"
    series_percent : (times, depth, lateral) relative change over treatment
    times_s : (times,), treatment times of the series; its index where they are not known
    change : the last map with its errors, which the rule looks at
    valid : (depth, lateral) bool
    options : the rule as the case states it
    """

    grid: Grid
    series_percent: np.ndarray
    times_s: np.ndarray
    change: Change
    valid: np.ndarray
    options: LesionOptions

    def lesion(self, threshold_percent: float | None = None) -> PredictedLesion:
        """The predicted lesion by the case's rule, at another threshold where one is given."""
        from coreg.displacement import predict_lesion

        options = self.options
        if threshold_percent is not None:
            options = replace(options, rule="threshold", threshold_percent=threshold_percent)
        return predict_lesion(self.change, options, grid=self.grid, valid=self.valid)

    def course(self, name: str, region: Sequence[Outline]) -> FigureData:
        """How the change went inside outlines, ready for coreg's figure."""
        from coreg.displacement import course
        from coreg.figure import Course, FigureData

        series = replace(
            self.change,
            um=self.series_percent / 100 * self.change.baseline,
            percent=self.series_percent,
            um_error=np.full_like(self.series_percent, np.nan),
            percent_error=np.full_like(self.series_percent, np.nan),
        )
        found = course(
            series, self.times_s, region, self.grid, options=self.options, valid=self.valid
        )
        return FigureData(name, course=Course(found.times_s, found.mean, found.deviation))


def read_maps(case: Case) -> Maps | None:
    """The maps of the case's displacement step; None where it is to do."""
    from coreg.displacement import Change
    from coreg.sources.maps import load_maps
    from coreg.steps.predict import lesion_options

    result = case.result("predict")
    if result is None:
        return None
    grid, maps = load_maps(result.file("change.npz"))
    series = maps["series_change_percent"]
    followed: dict[str, Any] = result.summary.get("course") or {}
    times = np.array(followed.get("times_s", []), dtype=np.float64)
    unknown = np.full(grid.shape, np.nan, dtype=np.float32)
    change = Change(
        um=maps["change_um"],
        percent=maps["change_percent"],
        um_error=unknown,
        percent_error=maps["change_error_percent"],
        baseline=maps["baseline_um"],
        baseline_error=unknown,
        low_baseline=maps["low_baseline"],
    )
    return Maps(
        grid,
        series,
        times if len(times) == len(series) else np.arange(len(series), dtype=np.float64),
        change,
        maps["valid"].astype(bool),
        lesion_options(case),
    )
