"""Agreement as a function of the threshold on the relative change."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from coreg.agreement.measures import plain
from coreg.errors import InputError
from coreg.geometry import Grid


@dataclass(frozen=True)
class ThresholdCurve:
    """One pathology zone against every threshold; arrays of shape (thresholds,).

    dice : NaN where neither side has a pixel
    precision : NaN where nothing is predicted; recall : NaN without pathology
    average_precision : area under the precision–recall curve over all distinct changes, as the
        sum of precision times the step in recall (no interpolation); NaN without pathology
    best_threshold_percent, best_dice : the threshold with the largest Dice, the middle one of
        equals; NaN without pathology. The best on these data, so optimistic for others.
    pathology_area_mm2 : area of the zone inside the region of validity
    """

    dice: np.ndarray
    precision: np.ndarray
    recall: np.ndarray
    average_precision: float
    best_threshold_percent: float
    best_dice: float
    pathology_area_mm2: float


@dataclass(frozen=True)
class ThresholdCurves:
    """Curves over the threshold: predicted is where the change is at or below it.

    thresholds_percent, predicted_area_mm2 : (thresholds,), thresholds rising
    zones : name of the zone → its curve
    """

    thresholds_percent: np.ndarray
    predicted_area_mm2: np.ndarray
    zones: dict[str, ThresholdCurve]

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; NaN becomes None."""
        return {
            "thresholds_percent": self.thresholds_percent.tolist(),
            "predicted_area_mm2": self.predicted_area_mm2.tolist(),
            "zones": {
                zone: {
                    key: [plain(v) for v in value.tolist()]
                    if isinstance(value, np.ndarray)
                    else plain(value)
                    for key, value in vars(curve).items()
                }
                for zone, curve in self.zones.items()
            },
        }


def threshold_curves(
    change_percent: np.ndarray,
    pathology: np.ndarray | Mapping[str, np.ndarray],
    grid: Grid,
    valid: np.ndarray | None = None,
    thresholds: np.ndarray | None = None,
) -> ThresholdCurves:
    """Agreement of the plainly thresholded map with one or more pathology zones.

    Parameters
    ----------
    change_percent : (rows, columns) relative change, negative is stiffer; NaN is left out, as is
        all outside `valid`
    pathology : (rows, columns) bool, or name → mask
    thresholds : per cent; None takes every per cent from -95 to -5

    Nothing is smoothed, filled or dropped after thresholding: pixels alone decide.
    """
    zones = dict(pathology) if isinstance(pathology, Mapping) else {"pathology": pathology}
    steps = np.arange(-95.0, -4.0) if thresholds is None else np.sort(np.asarray(thresholds, float))
    for name, mask in {"change": change_percent, **zones}.items():
        if mask.shape != grid.shape:
            raise InputError(
                f"Expected the {name} map on the grid {grid.shape}, got shape {mask.shape}."
            )
    if steps.ndim != 1 or not len(steps) or not np.isfinite(steps).all():
        raise InputError("Expected a list of finite thresholds in per cent.")
    counted = np.isfinite(change_percent)
    if valid is not None:
        counted &= valid
    change = change_percent[counted]
    order = np.argsort(change, kind="stable")
    change = change[order]
    upto = np.searchsorted(change, steps, side="right")
    curves = {
        name: _curve(mask[counted][order], change, upto, steps, grid.pixel_area)
        for name, mask in zones.items()
    }
    return ThresholdCurves(steps, upto * grid.pixel_area, curves)


def average_precision(positive: np.ndarray, change: np.ndarray) -> float:
    """Area under the precision–recall curve.

    Parameters
    ----------
    positive : (n,) bool; change : (n,) rising, the lowest is predicted first; ties count as one
    """
    total = positive.sum()
    if not total:
        return float("nan")
    ends = np.flatnonzero(np.append(np.diff(change) > 0, True))
    hits = np.cumsum(positive)[ends]
    precision, recall = hits / (ends + 1), hits / total
    return float(np.sum(np.diff(recall, prepend=0.0) * precision))


def _curve(
    positive: np.ndarray, change: np.ndarray, upto: np.ndarray, steps: np.ndarray, pixel: float
) -> ThresholdCurve:
    hits = np.concatenate([[0], np.cumsum(positive)])[upto].astype(np.float64)
    total = float(positive.sum())
    with np.errstate(invalid="ignore", divide="ignore"):
        dice = 2 * hits / (upto + total)
        precision = hits / upto
        recall = hits / total
    best_dice = best = float("nan")
    if total:
        best_dice = float(np.nanmax(dice))
        equal = np.flatnonzero(dice >= best_dice * (1 - 1e-12))
        best = float(steps[equal[len(equal) // 2]])
    return ThresholdCurve(
        dice,
        precision,
        recall,
        average_precision(positive, change),
        best,
        best_dice,
        total * pixel,
    )
