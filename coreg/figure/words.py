"""Numbers in words: names of measures, rounding, values with their intervals."""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import cache
from typing import Any

import numpy as np

from coreg.figure.data import Estimate, FigureData, StudyData
from coreg.figure.style import MM_PER_INCH, SMALL_PT

# measure -> (name in words, unit, decimals, factor to that unit)
MEASURE_WORDS: dict[str, tuple[str, str, int, float]] = {
    "dice": ("Dice", "", 2, 1),
    "jaccard": ("Jaccard", "", 2, 1),
    "sensitivity": ("Sensitivity", "", 2, 1),
    "specificity": ("Specificity", "", 2, 1),
    "precision": ("Precision", "", 2, 1),
    "predicted_area_mm2": ("Predicted area", "mm²", 1, 1),
    "pathology_area_mm2": ("Pathology area", "mm²", 1, 1),
    "pathology_area_as_cut_mm2": ("Pathology area as cut", "mm²", 1, 1),
    "area_difference_mm2": ("Area difference, predicted − pathology", "mm²", 1, 1),
    "area_ratio": ("Area ratio, predicted / pathology", "", 2, 1),
    "mean_boundary_distance_mm": ("Mean boundary distance", "mm", 2, 1),
    "hd95_mm": ("95th percentile boundary distance", "mm", 2, 1),
    "hausdorff_mm": ("Hausdorff distance", "mm", 2, 1),
    "centroid_offset_depth_mm": ("Centroid offset along depth", "mm", 2, 1),
    "centroid_offset_lateral_mm": ("Centroid offset along lateral", "mm", 2, 1),
    "predicted_depth_mm": ("Predicted extent along depth", "mm", 1, 1),
    "predicted_width_mm": ("Predicted width", "mm", 1, 1),
    "pathology_depth_mm": ("Pathology extent along depth", "mm", 1, 1),
    "pathology_width_mm": ("Pathology width", "mm", 1, 1),
    "predicted_outside_valid_share": ("Predicted lesion not judged", "%", 0, 100),
    "pathology_outside_valid_share": ("Pathology lesion not judged", "%", 0, 100),
    "observers_kappa": ("Kappa between observers", "", 2, 1),
}
NO_VALUE = "no value"


def measure_name(measure: str) -> str:
    """The measure in words; an unknown one as it is, without underscores."""
    known = MEASURE_WORDS.get(measure)
    return known[0] if known else measure.replace("_", " ").capitalize()


def number(value: float | None, decimals: int) -> str:
    """A rounded number with a true minus sign; "no value" for None and NaN."""
    if value is None or not math.isfinite(value):
        return NO_VALUE
    rounded = round(value, decimals) + 0.0  # no "-0.0"
    return f"{rounded:.{decimals}f}".replace("-", "−")


def in_order(measures: Mapping[str, Any]) -> dict[str, Any]:
    """Measures in the order in which tables show them; unknown ones at the end."""
    known = {name: measures[name] for name in MEASURE_WORDS if name in measures}
    return {**known, **{name: value for name, value in measures.items() if name not in known}}


def with_interval(measure: str, estimate: Mapping[str, float | None], unit: bool = True) -> str:
    """ "0.81 (0.74–0.86)", the unit behind the value; "to" where a bound is negative."""
    _, unit_text, decimals, factor = MEASURE_WORDS.get(measure, (measure, "", 2, 1))
    value = _scaled(estimate.get("value"), factor)
    text = number(value, decimals)
    if text == NO_VALUE:
        return text
    if unit and unit_text:
        text += f" {unit_text}"
    low, high = (_scaled(estimate.get(bound), factor) for bound in ("low", "high"))
    if low is None or high is None:
        return text
    dash = " to " if low < 0 or high < 0 else "–"
    return f"{text} ({number(low, decimals)}{dash}{number(high, decimals)})"


def _scaled(value: float | None, factor: float) -> float | None:
    return None if value is None or not math.isfinite(value) else value * factor


def key_numbers(data: FigureData, width_mm: float) -> list[str]:
    """The few numbers that stand under the mapped section, in lines that fit its width."""
    lines: list[str] = []
    for zone, measures in data.agreement.items():
        if "dice" in measures:
            lines += broken(f"{zone}: Dice {with_interval('dice', measures['dice'])}", width_mm)
    return lines


def limits_in_words(data: StudyData, width_mm: float) -> list[str]:
    """Bias and limits of agreement under the Bland–Altman panel."""
    about = data.comparison
    lines: list[str] = []
    for name, estimate in (
        ("bias", about.bias),
        ("lower limit", about.lower_limit),
        ("upper limit", about.upper_limit),
    ):
        if estimate is not None:
            lines += broken(f"{name}: {estimate_text(estimate, about.unit)}", width_mm)
    return [*lines, *broken(number_of_cases(data), width_mm)]


def number_of_cases(data: StudyData) -> str:
    """ "n = 12 cases of 8 animals", only those with both lesions counted."""
    both = np.isfinite(data.predicted) & np.isfinite(data.pathology)
    animals = {a for a, there in zip(data.animals, both, strict=True) if there}
    return f"n = {int(both.sum())} cases of {len(animals)} animals"


def estimate_text(estimate: Estimate, unit: str, decimals: int = 2) -> str:
    """ "−1.20 mm² (−3.40 to 1.00)"."""
    text = number(estimate.value, decimals)
    if text == NO_VALUE:
        return text
    text += f" {unit}" if unit else ""
    if not (math.isfinite(estimate.low) and math.isfinite(estimate.high)):
        return text
    dash = " to " if estimate.low < 0 or estimate.high < 0 else "–"
    return f"{text} ({number(estimate.low, decimals)}{dash}{number(estimate.high, decimals)})"


def broken(text: str, width_mm: float) -> list[str]:
    """Text broken into lines of at most `width_mm` at the small size; long words stay whole."""
    lines: list[str] = []
    for word in text.split(" "):
        if lines and text_mm(f"{lines[-1]} {word}") <= width_mm:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines


def shortened(text: str, width_mm: float, size_pt: float) -> str:
    """Text cut with "…" so that it fits the width; at least its first letter stays."""
    cut = text
    while len(cut) > 1 and text_mm(f"{cut}…" if cut != text else text, size_pt) > width_mm:
        cut = cut[:-1].rstrip()
    return text if cut == text else f"{cut}…"


def text_mm(text: str, size_pt: float = SMALL_PT) -> float:
    """How wide a line of text is in the figures' font."""
    return _widths(text) * size_pt * MM_PER_INCH / 72


@cache
def _widths(text: str) -> float:
    """Width of a line at 1 pt, in pt."""
    from matplotlib.font_manager import FontProperties, findfont, get_font

    font = get_font(findfont(FontProperties(family="DejaVu Sans")))
    font.set_size(100, 72)
    font.set_text(text)
    return float(font.get_width_height()[0]) / 64 / 100
