"""Kappa between observers over a study, from the labels that each gave to each place.

A place is no independent subject, so the interval of a study's kappa is bootstrapped over animals;
a single case's kappa has none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from coreg.cohort.bootstrap import DRAWS, Estimate, bias_corrected_limits, resampled_sums

# What is told apart: name → the label (a number) that takes the place of each zone's.
DISTINCTIONS: dict[str, dict[str, int]] = {
    "zone labels": {"neither": 0, "diffusion-damaged": 1, "ablated": 2},
    "ablated": {"neither": 0, "diffusion-damaged": 0, "ablated": 1},
    "ablated + diffusion-damaged": {"neither": 0, "diffusion-damaged": 1, "ablated": 1},
}


def case_kappa(labels: Mapping[str, Any], distinction: str) -> float:
    """Kappa of one case: Cohen's for two observers, Fleiss' for more, areas for weights.

    Parameters
    ----------
    labels : as `coreg.zones.observers.ObserverLabels.to_dict`
    distinction : one of `DISTINCTIONS`

    Returns
    -------
    float, NaN where all gave one label to everything.
    """
    return float(_kappa(_sums(labels, distinction)[:, None], len(labels["observers"]))[0])


def study_kappas(
    labels: Sequence[Mapping[str, Any] | None],
    animals: Sequence[str],
    *,
    seed: int = 0,
    draws: int = DRAWS,
) -> dict[str, Any]:
    """Kappa over the cases of a study that several observers drew.

    Cases with different numbers of observers are kept apart. With two, rows and columns of Cohen's
    table are the observers in the order of their names in each case. Areas of all cases are
    pooled, so that large sections weigh more.

    Parameters
    ----------
    labels : (n,) as for `case_kappa`, None for a case with one observer
    animals : (n,) names

    Returns
    -------
    dict: "by_observers" → a list with, for each number of observers, "observers" (how many),
    "names", "form", "cases" and "kappa" (distinction → value, 95 % limits, n, animals, method);
    or a "reason" where no case has several observers.
    """
    counts = sorted({len(found["observers"]) for found in labels if found is not None})
    if not counts:
        return {"reason": "no case holds outlines of several observers"}
    groups = []
    for count in counts:
        chosen = [
            (found, animal)
            for found, animal in zip(labels, animals, strict=True)
            if found is not None and len(found["observers"]) == count
        ]
        names = np.array([animal for _, animal in chosen])
        kappas = {
            distinction: _estimate(
                np.stack([_sums(found, distinction) for found, _ in chosen], axis=1),
                names,
                count,
                seed,
                draws,
            ).to_dict()
            for distinction in DISTINCTIONS
        }
        groups.append(
            {
                "observers": count,
                "names": sorted({name for found, _ in chosen for name in found["observers"]}),
                "form": "Cohen" if count == 2 else "Fleiss",
                "cases": len(chosen),
                "kappa": kappas,
            }
        )
    return {"by_observers": groups}


def _estimate(
    sums: np.ndarray, animals: np.ndarray, observers: int, seed: int, draws: int
) -> Estimate:
    """Kappa of the pooled cases, sums (columns, cases), with its bootstrap over animals."""
    value = float(_kappa(sums.sum(axis=1, keepdims=True), observers)[0])
    count = len(np.unique(animals))
    if count < 3:
        return Estimate(value, np.nan, np.nan, sums.shape[1], count, "none: under 3 animals")
    drawn = _kappa(np.stack(resampled_sums(list(sums), animals, draws, seed)), observers)
    low, high = bias_corrected_limits(drawn, value)
    return Estimate(value, low, high, sums.shape[1], count, "bootstrap over animals")


def _sums(labels: Mapping[str, Any], distinction: str) -> np.ndarray:
    """The areas of one case that a kappa needs, (columns,), which add up over cases.

    For two observers the table of their labels; for more the area, the area times the share of
    agreeing pairs, and the mean area of each label.
    """
    merged = DISTINCTIONS[distinction]
    number = np.array([merged[label] for label in labels["labels"]])
    patterns = number[np.asarray(labels["patterns"], dtype=int)]
    areas = np.asarray(labels["areas_mm2"], dtype=np.float64)
    size = max(merged.values()) + 1
    observers = patterns.shape[1]
    if observers == 2:
        cells = patterns[:, 0] * size + patterns[:, 1]
        return np.bincount(cells, weights=areas, minlength=size**2)
    chosen = np.stack([(patterns == label).sum(axis=1) for label in range(size)], axis=1)
    agreeing = (chosen * (chosen - 1)).sum(axis=1) / (observers * (observers - 1))
    return np.concatenate([[areas.sum(), areas @ agreeing], areas @ chosen / observers])


def _kappa(sums: np.ndarray, observers: int) -> np.ndarray:
    """Kappa from sums (columns, draws): (observed − chance) / (1 − chance), (draws,)."""
    if observers == 2:
        size = round(np.sqrt(len(sums)))
        table = sums.reshape(size, size, -1) / sums.sum(axis=0)
        seen = np.trace(table)
        chance = (table.sum(axis=0) * table.sum(axis=1)).sum(axis=0)
    else:
        seen = sums[1] / sums[0]
        chance = ((sums[2:] / sums[0]) ** 2).sum(axis=0)
    known = chance < 1 - 1e-12
    return np.where(known, (seen - chance) / np.where(known, 1 - chance, 1.0), np.nan)
