"""Panels that plot numbers of a study: regression, Bland–Altman, each case."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from coreg.figure import style
from coreg.figure.data import Estimate, StudyData
from coreg.figure.plots import headroom, interval, open_axes
from coreg.figure.words import measure_name

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MARKERS = "os^Dv<>pPX*h"
_MOST_NAMED, _CASE_MM = 80, 2.5


def draw_regression(ax: Axes, data: StudyData) -> None:
    """Predicted against pathology, one mark an animal, with identity and fitted line."""
    about = data.comparison
    points = np.concatenate([data.predicted, data.pathology])
    finite = points[np.isfinite(points)]
    most = style.round_up(float(finite.max()) * 1.05) if len(finite) and finite.max() > 0 else 1.0
    ax.plot([0, most], [0, most], color=style.QUIET, lw=style.THIN_PT, ls=":", label="identity")
    lines = 1
    known = data.pathology[np.isfinite(data.pathology)]
    if about.slope is not None and about.intercept is not None and len(known):
        x = np.array([known.min(), known.max()])
        ax.plot(
            x,
            about.intercept.value + about.slope.value * x,
            color=style.INK,
            label=about.regression,
        )
        lines += 1
    _points(ax, data, data.pathology, data.predicted)
    ax.set(xlim=(0, most), ylim=(0, most * (1 + headroom(ax, lines))))
    ax.set_xlabel(f"Pathology {about.quantity} ({about.unit})")
    ax.set_ylabel(f"Predicted {about.quantity} ({about.unit})")
    ax.legend(loc="upper left", frameon=False, borderaxespad=0.1)
    open_axes(ax)


def draw_bland_altman(ax: Axes, data: StudyData) -> None:
    """Difference against mean, with bias and 95 % limits, their intervals as bands."""
    about = data.comparison
    mean = (data.predicted + data.pathology) / 2
    difference = data.predicted - data.pathology
    ax.axhline(0, color=style.QUIET, lw=style.THIN_PT)
    for estimate, dashes in (
        (about.bias, "-"),
        (about.lower_limit, "--"),
        (about.upper_limit, "--"),
    ):
        if estimate is not None and np.isfinite(estimate.value):
            _level(ax, estimate, dashes)
    _points(ax, data, mean, difference)
    ax.margins(x=0.1, y=0.08)
    ax.set_xlabel(f"Mean {about.quantity} ({about.unit})")
    ax.set_ylabel(f"Predicted − pathology ({about.unit})")
    open_axes(ax)


def _level(ax: Axes, estimate: Estimate, dashes: str) -> None:
    if np.isfinite(estimate.low) and np.isfinite(estimate.high):
        ax.axhspan(estimate.low, estimate.high, color=style.SERIES[0][0], alpha=0.15, lw=0)
    ax.axhline(estimate.value, color=style.SERIES[0][0], ls=dashes, lw=style.LINE_PT)


def per_case_height_mm(data: StudyData) -> float:
    """Room for a line of text a case, up to a page's height."""
    return min(len(data.cases), _MOST_NAMED) * _CASE_MM


def draw_per_case(ax: Axes, data: StudyData) -> None:
    """Each case's measure with its interval, in the order of the study."""
    measure = next(iter(data.per_case))
    for row, estimate in enumerate(data.per_case[measure]):
        colour, marker = _look(data, row)
        interval(ax, vars(estimate), row, colour, marker)
    if len(data.cases) <= _MOST_NAMED:
        ax.set_yticks(range(len(data.cases)), list(data.cases))
    else:
        ax.set_yticks([])
        ax.set_ylabel("Cases, in the order of the table")
    ax.set(ylim=(len(data.cases) - 0.5, -0.5))
    ax.set_xlabel(f"{measure_name(measure)}, {data.zone}")
    if measure == "dice":
        ax.set_xlim(0, 1)
    open_axes(ax)


def _points(ax: Axes, data: StudyData, x: np.ndarray, y: np.ndarray) -> None:
    for i in range(len(data.cases)):
        colour, marker = _look(data, i)
        ax.plot(x[i], y[i], marker, color=colour, ms=3.5, mec="white", mew=0.3)


def _look(data: StudyData, case: int) -> tuple[str, str]:
    """Colour and mark of a case's animal: marks change fastest, they tell animals apart in grey."""
    number = list(dict.fromkeys(data.animals)).index(data.animals[case])
    marks, colours = len(_MARKERS), len(style.SERIES)
    colour = style.SERIES[(number + number // marks) % colours][0]
    return colour, _MARKERS[number % marks]
