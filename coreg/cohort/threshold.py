"""A threshold for all animals, chosen with each animal left out in turn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coreg.errors import InputError


@dataclass(frozen=True)
class ThresholdChoice:
    """The threshold that is best over animals, and the agreement that it gives on others.

    threshold_percent : best on all animals together
    optimistic_dice : mean Dice of the animals at that threshold; chosen on the same data, so too
        high
    unbiased_dice : mean Dice of the animals, each at the threshold that is best for all others
    unbiased_ci : its 95 % interval by t over animals; NaN with fewer than 3
    left_out : animal → (threshold chosen without it in per cent, its Dice there)
    spread_percent : smallest and largest of those thresholds
    """

    threshold_percent: float
    optimistic_dice: float
    unbiased_dice: float
    unbiased_ci: tuple[float, float]
    left_out: dict[str, tuple[float, float]]
    spread_percent: tuple[float, float]
    cases: int

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        values = dict(vars(self))
        values["left_out"] = {
            name: {"threshold_percent": threshold, "dice": dice}
            for name, (threshold, dice) in self.left_out.items()
        }
        return values


def leave_one_animal_out(
    thresholds: np.ndarray, dice: np.ndarray, animals: Sequence[Any] | np.ndarray
) -> ThresholdChoice:
    """Choose the threshold with the largest mean Dice, every animal counting once.

    Parameters
    ----------
    thresholds : (m,) per cent, the same for all cases
    dice : (cases, m); cases with NaN are left out (no pathology lesion)
    animals : (cases,) names; the Dice of an animal is the mean over its cases

    Raises
    ------
    InputError : fewer than 2 animals
    """
    from scipy.stats import t

    steps, curves = np.asarray(thresholds, float), np.asarray(dice, float)
    names = np.asarray(animals).astype(str)
    if curves.ndim != 2 or curves.shape != (len(names), len(steps)):
        raise InputError(
            f"Expected Dice of shape ({len(names)} cases, {len(steps)} thresholds), "
            f"got {curves.shape}."
        )
    known = np.isfinite(curves).all(axis=1)
    curves, names = curves[known], names[known]
    unique = sorted(set(names.tolist()))
    if len(unique) < 2:
        raise InputError(
            f"Leaving each animal out needs at least 2 animals with a lesion, got {len(unique)}."
        )
    of_animal = np.stack([curves[names == name].mean(axis=0) for name in unique])
    best = _best(of_animal.mean(axis=0))
    left_out = {}
    for k, name in enumerate(unique):
        chosen = _best(np.delete(of_animal, k, axis=0).mean(axis=0))
        left_out[name] = (float(steps[chosen]), float(of_animal[k, chosen]))
    unbiased = np.array([value for _, value in left_out.values()])
    half = float("nan")
    if len(unique) > 2:
        half = t.ppf(0.975, len(unique) - 1) * unbiased.std(ddof=1) / np.sqrt(len(unique))
    mean = float(unbiased.mean())
    chosen_thresholds = [threshold for threshold, _ in left_out.values()]
    return ThresholdChoice(
        float(steps[best]),
        float(of_animal[:, best].mean()),
        mean,
        (float(max(mean - half, 0.0)), float(min(mean + half, 1.0)))
        if np.isfinite(half)
        else (half, half),
        left_out,
        (min(chosen_thresholds), max(chosen_thresholds)),
        len(curves),
    )


def _best(mean_dice: np.ndarray) -> int:
    """Index of the largest value, the middle one of equals."""
    equal = np.flatnonzero(mean_dice >= mean_dice.max() * (1 - 1e-12))
    return int(equal[len(equal) // 2])
