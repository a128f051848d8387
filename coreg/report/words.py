"""Measures of agreement in plain words, with their intervals."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from coreg.figure.words import MEASURE_WORDS, number

Estimate = Mapping[str, float | None]


def plain_words(measure: str, estimate: Estimate) -> str:
    """One sentence that says what the number means; "" for a measure without one or no value."""
    value = estimate.get("value")
    say = _SENTENCES.get(measure)
    if say is None or value is None or not math.isfinite(value):
        return ""
    text = say(value)
    low, high = estimate.get("low"), estimate.get("high")
    if low is None or high is None or not (math.isfinite(low) and math.isfinite(high)):
        return text
    _, unit, decimals, factor = MEASURE_WORDS[measure]
    least, most = number(low * factor, decimals), number(high * factor, decimals)
    if least == most:
        return text
    unit_text = f" {unit}" if unit else ""
    return f"{text} Anything from {least} to {most}{unit_text} fits what is known."


def _percent(value: float) -> str:
    return f"{number(100 * value, 0)} %"


def _than(value: float, more: str, less: str, equal: str, unit: str, decimals: int) -> str:
    """ "2.1 mm² larger", or `equal` where the rounded value is 0."""
    text = number(abs(value), decimals)
    if float(text) == 0:
        return equal
    return f"{text} {unit} {more if value > 0 else less}"


_SENTENCES: dict[str, Callable[[float], str]] = {
    "dice": lambda v: (
        f"Twice the shared area is {_percent(v)} of both areas together; 1 is the same region, "
        "0 is none shared."
    ),
    "jaccard": lambda v: f"Both sides share {_percent(v)} of the area that either covers.",
    "sensitivity": lambda v: f"The prediction covers {_percent(v)} of the pathology lesion.",
    "specificity": lambda v: (
        f"Of the tissue without damage {_percent(v)} is left out of the prediction; large fields "
        "of view make this high."
    ),
    "precision": lambda v: f"{_percent(v)} of the predicted lesion is damaged in pathology.",
    "area_difference_mm2": lambda v: (
        f"The predicted lesion is {_than(v, 'larger', 'smaller', 'as large', 'mm²', 1)}."
    ),
    "area_ratio": lambda v: f"The predicted lesion has {_percent(v)} of the pathology's area.",
    "mean_boundary_distance_mm": lambda v: (
        f"On average the two boundaries lie {number(v, 2)} mm apart."
    ),
    "hd95_mm": lambda v: (
        f"95 % of either boundary lies within {number(v, 2)} mm of the other boundary."
    ),
    "hausdorff_mm": lambda v: f"Nowhere do the boundaries lie more than {number(v, 2)} mm apart.",
    "centroid_offset_depth_mm": lambda v: (
        "The predicted centre lies "
        f"{_than(v, 'deeper', 'shallower', 'at the same depth', 'mm', 2)}."
    ),
    "centroid_offset_lateral_mm": lambda v: (
        f"The predicted centre lies {number(abs(v), 2)} mm towards "
        f"{'larger' if v >= 0 else 'smaller'} lateral positions."
    ),
    "predicted_outside_valid_share": lambda v: (
        f"{_percent(v)} of the predicted lesion lies where pathology cannot judge it."
    ),
    "pathology_outside_valid_share": lambda v: (
        f"{_percent(v)} of the pathology lesion lies where imaging cannot judge it."
    ),
    "pathology_area_mm2": lambda v: "Area in the living plane, after the alignment.",
    "pathology_area_as_cut_mm2": lambda v: "Area on the slide, shrunk as fixed and embedded.",
}
