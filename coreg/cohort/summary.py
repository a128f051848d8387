"""What a study says about each pathology lesion, from the records of its cases."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coreg.cohort.bland_altman import bland_altman
from coreg.cohort.bootstrap import cluster_mean
from coreg.cohort.concordance import concordance, intraclass
from coreg.cohort.groups import compare_groups, mixed_model, per_animal
from coreg.cohort.regression import deming, passing_bablok, r_squared
from coreg.cohort.threshold import leave_one_animal_out
from coreg.errors import InputError

# What is compared on both sides: quantity → (predicted, pathology) measure.
COMPARED: dict[str, tuple[str, str]] = {
    "area_mm2": ("predicted_area_mm2", "pathology_area_mm2"),
    "depth_mm": ("predicted_depth_mm", "pathology_depth_mm"),
    "width_mm": ("predicted_width_mm", "pathology_width_mm"),
}
# Of two-way random effects, absolute agreement, single measurement: method against method.
INTRACLASS_FORM = "ICC(2,1)"


@dataclass(frozen=True)
class ZoneTable:
    """The numbers of one pathology lesion over the cases that were done.

    cases, animals, groups : (n,) names
    values : measure → (n,) float64, NaN where a case has none
    thresholds : (m,) per cent; dice_curves : (n, m)
    """

    cases: tuple[str, ...]
    animals: tuple[str, ...]
    groups: tuple[str, ...]
    values: dict[str, np.ndarray]
    thresholds: np.ndarray
    dice_curves: np.ndarray


def summarise_zone(table: ZoneTable, seed: int = 0, draws: int = 2000) -> dict[str, Any]:
    """Every statistic of one lesion as plain values; what cannot be had says why in "reason".

    Returns
    -------
    dict with "n", "animals", "measures" (mean over lesions with bootstrap over animals),
    "comparisons" (quantity → Bland–Altman, concordance, intraclass, regressions), "threshold",
    "mixed_model" and "groups" (both on Dice)
    """
    animals = np.array(table.animals)
    measures = {
        name: cluster_mean(values, animals, draws=draws, seed=seed).to_dict()
        for name, values in table.values.items()
    }
    comparisons = {
        quantity: compare(
            table.values[predicted], table.values[pathology], animals, seed=seed, draws=draws
        )
        for quantity, (predicted, pathology) in COMPARED.items()
        if predicted in table.values and pathology in table.values
    }
    dice = table.values.get("dice", np.full(len(animals), np.nan))
    return {
        "n": len(table.cases),
        "animals": len(set(table.animals)),
        "measures": measures,
        "comparisons": comparisons,
        "threshold": _or_reason(
            lambda: leave_one_animal_out(table.thresholds, table.dice_curves, animals).to_dict()
        ),
        "mixed_model": _or_reason(lambda: mixed_model(dice, animals).to_dict()),
        "groups": _groups(dice, table.groups, animals),
    }


def compare(
    predicted: np.ndarray,
    pathology: np.ndarray,
    animals: Sequence[Any] | np.ndarray,
    *,
    seed: int = 0,
    draws: int = 2000,
) -> dict[str, Any]:
    """Predicted against pathology for one quantity, (n,) each; differences predicted − pathology.

    Concordance and intraclass correlation take one pair an animal (the mean of its lesions), all
    else takes every lesion and bootstraps over animals where some have several.
    """
    both = np.isfinite(predicted) & np.isfinite(pathology)
    names = np.asarray(animals).astype(str)
    of_p, _ = per_animal(np.where(both, predicted, np.nan), names)
    of_q, _ = per_animal(np.where(both, pathology, np.nan), names)
    return {
        "bland_altman": _or_reason(
            lambda: bland_altman(predicted, pathology, names, seed=seed, draws=draws).to_dict()
        ),
        "concordance": _or_reason(lambda: concordance(of_p, of_q).to_dict()),
        "intraclass": _or_reason(
            lambda: intraclass(np.stack([of_p, of_q], axis=1))[INTRACLASS_FORM].to_dict()
        ),
        "deming": _or_reason(lambda: deming(pathology, predicted, names).to_dict()),
        "passing_bablok": _or_reason(
            lambda: passing_bablok(pathology, predicted, names, seed=seed, draws=draws).to_dict()
        ),
        "r_squared": _or_reason(
            lambda: r_squared(pathology, predicted, names, seed=seed, draws=draws).to_dict()
        ),
    }


def _groups(dice: np.ndarray, groups: Sequence[str], animals: np.ndarray) -> Any:
    named = np.array([bool(group) for group in groups])
    if len({group for group in groups if group}) < 2:
        return {"reason": "fewer than 2 groups are named"}
    chosen = np.array(groups)[named]

    def compared() -> dict[str, Any]:
        return {"pairs": [c.to_dict() for c in compare_groups(dice[named], chosen, animals[named])]}

    return _or_reason(compared)


def _or_reason(function: Callable[[], dict[str, Any]]) -> dict[str, Any]:
    """The result, or the sentence that says why there is none."""
    try:
        return function()
    except InputError as error:
        return {"reason": str(error)}
