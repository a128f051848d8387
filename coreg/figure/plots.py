"""Panels that plot numbers of one case: course, agreement, choice of threshold."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from coreg.figure import style
from coreg.figure.data import FigureData
from coreg.figure.words import measure_name

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# Measures between 0 and 1 share an axis.
SHARES = ("dice", "jaccard", "sensitivity", "specificity", "precision")


def draw_course(ax: Axes, data: FigureData) -> None:
    """Mean change (with spread) and predicted area over treatment time."""
    course = data.course
    assert course is not None
    colour, dashes, marker = style.SERIES[0]
    if course.spread_percent is not None:
        ax.fill_between(
            course.times_s,
            course.change_percent - course.spread_percent,
            course.change_percent + course.spread_percent,
            color=colour,
            alpha=0.2,
            linewidth=0,
        )
    ax.plot(course.times_s, course.change_percent, color=colour, ls=dashes, marker=marker, ms=2.5)
    ax.axhline(0, color=style.QUIET, lw=style.THIN_PT)
    ax.set_xlabel("Treatment time (s)")
    ax.set_ylabel("Change in lesion (%)", color=colour)
    open_axes(ax)
    if course.area_mm2 is None:
        return
    colour, dashes, marker = style.SERIES[1]
    other = ax.twinx()
    if course.area_low_mm2 is not None and course.area_high_mm2 is not None:
        other.fill_between(
            course.times_s,
            course.area_low_mm2,
            course.area_high_mm2,
            color=colour,
            alpha=0.2,
            linewidth=0,
        )
    other.plot(course.times_s, course.area_mm2, color=colour, ls=dashes, marker=marker, ms=2.5)
    other.set_ylabel("Predicted area (mm²)", color=colour)
    other.set_ylim(bottom=0)
    other.spines["top"].set_visible(False)


def draw_agreement(ax: Axes, data: FigureData) -> None:
    """Overlap measures with their intervals, one row a measure, one mark a zone."""
    measures = [m for m in SHARES if any(m in table for table in data.agreement.values())]
    zones = list(data.agreement)
    for number, zone in enumerate(zones):
        colour, _, marker = style.SERIES[number % len(style.SERIES)]
        shift = (number - (len(zones) - 1) / 2) * 0.3
        for row, measure in enumerate(measures):
            estimate = data.agreement[zone].get(measure, {})
            interval(ax, estimate, row + shift, colour, marker, zone if row == 0 else "")
    top = -0.5 - len(measures) * headroom(ax, len(zones))
    ax.set(ylim=(len(measures) - 0.5, top), xlim=(0, 1.0))
    ax.set_yticks(range(len(measures)), [measure_name(m) for m in measures])
    ax.set_xlabel("Value with 95 % interval")
    if ax.get_legend_handles_labels()[0]:
        ax.legend(loc="upper left", frameon=False, handlelength=1.0, borderaxespad=0.1)
    else:
        ax.text(0.5, 0.5, "no value", transform=ax.transAxes, ha="center", size=style.SMALL_PT)
    open_axes(ax)


def interval(
    ax: Axes, estimate: Any, position: float, colour: str, marker: str, label: str = ""
) -> None:
    """A mark with a horizontal interval; nothing where there is no value."""
    value = _finite(estimate.get("value"))
    low, high = _finite(estimate.get("low")), _finite(estimate.get("high"))
    if np.isnan(value):
        return
    if np.isfinite(low) and np.isfinite(high):
        ax.plot([low, high], [position, position], color=colour, lw=style.LINE_PT)
    ax.plot(value, position, marker, color=colour, ms=3.5, label=label or "_", clip_on=False)


def draw_threshold(ax: Axes, data: Any) -> None:
    """Dice against threshold, one line a zone; the threshold used as a dotted line."""
    for number, curve in enumerate(data.threshold_curves):
        colour, dashes, _ = style.SERIES[number % len(style.SERIES)]
        if curve.low is not None and curve.high is not None:
            ax.fill_between(
                curve.threshold_percent, curve.low, curve.high, color=colour, alpha=0.2, lw=0
            )
        ax.plot(curve.threshold_percent, curve.dice, color=colour, ls=dashes, label=curve.label)
    used = next((c.used_percent for c in data.threshold_curves if c.used_percent is not None), None)
    if used is not None:
        ax.plot([used, used], [0, 1], color=style.INK, lw=style.THIN_PT * 1.5, ls=":", label="used")
    lines = len(data.threshold_curves) + (used is not None)
    ax.set_ylim(0, 1 + headroom(ax, lines))
    ax.set_yticks(np.arange(0, 1.01, 0.2))
    ax.set_xlabel("Threshold of change (%)")
    ax.set_ylabel("Dice")
    ax.legend(loc="upper left", frameon=False, handlelength=2.2, borderaxespad=0.1)
    open_axes(ax)


def headroom(ax: Axes, lines: int) -> float:
    """What must be added to an axis, relative to its length, for a legend above the data."""
    figure = ax.get_figure(root=True)
    assert figure is not None
    height_mm = ax.get_position().height * figure.get_figheight() * style.MM_PER_INCH
    share = min((lines * 3.4 + 1.0) / height_mm, 0.6)
    return share / (1 - share)


def open_axes(ax: Axes) -> None:
    """Take away the frame's upper and right side."""
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)


def _finite(value: float | None) -> float:
    return float("nan") if value is None else float(value)
