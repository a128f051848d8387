"""Numbers in words: names of measures, rounding, values with their intervals."""

from __future__ import annotations

import math
from collections.abc import Mapping

from coreg.figure.data import FigureData

# measure -> (name in words, unit, decimals, factor to that unit)
MEASURE_WORDS: dict[str, tuple[str, str, int, float]] = {
    "dice": ("Dice", "", 2, 1),
    "jaccard": ("Jaccard", "", 2, 1),
    "sensitivity": ("Sensitivity", "", 2, 1),
    "specificity": ("Specificity", "", 2, 1),
    "precision": ("Precision", "", 2, 1),
    "predicted_area_mm2": ("Predicted area", "mm²", 1, 1),
    "pathology_area_mm2": ("Pathology area", "mm²", 1, 1),
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


def key_numbers(data: FigureData) -> list[str]:
    """The few numbers that stand under the mapped section, one line a zone."""
    lines = []
    for zone, measures in data.agreement.items():
        parts = [f"Dice {with_interval('dice', measures['dice'])}"] if "dice" in measures else []
        if "hd95_mm" in measures:
            parts.append(f"95 % within {with_interval('hd95_mm', measures['hd95_mm'])}")
        lines += [f"{zone}:", *parts] if parts else []
    return lines
