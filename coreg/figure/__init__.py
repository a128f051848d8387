"""Results into figures fit for print, with nothing to edit afterwards."""

from coreg.figure.data import (
    Course,
    Estimate,
    FigureData,
    MethodComparison,
    StudyData,
    ThresholdCurve,
)
from coreg.figure.layout import Layout, draw
from coreg.figure.save import save

__all__ = [
    "Course",
    "Estimate",
    "FigureData",
    "Layout",
    "MethodComparison",
    "StudyData",
    "ThresholdCurve",
    "draw",
    "save",
]
