"""Results into figures fit for print, with nothing to edit afterwards."""

from coreg.figure.data import (
    Course,
    Estimate,
    FigureData,
    MethodComparison,
    StudyData,
    ThresholdCurve,
)
from coreg.figure.layout import Layout, draw, draw_strips
from coreg.figure.legend import legend
from coreg.figure.numbers import write_numbers
from coreg.figure.panels import PANELS
from coreg.figure.save import FORMATS, save, to_bytes

__all__ = [
    "FORMATS",
    "PANELS",
    "Course",
    "Estimate",
    "FigureData",
    "Layout",
    "MethodComparison",
    "StudyData",
    "ThresholdCurve",
    "draw",
    "draw_strips",
    "legend",
    "save",
    "to_bytes",
    "write_numbers",
]
