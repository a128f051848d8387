"""From draws to the 95 % limits of the true value: what disturbing does to each measure, undone.

The observed lesions are the true ones disturbed once; a draw disturbs them once more. Two kinds of
measures answer differently.

*Areas, extents, offsets* are pushed either way. Their draws are moved back by twice their median
bias, once for the draw's disturbance and once for the observation's own, on a scale on which a
boundary's displacement adds (square roots of areas), and percentiles are taken. That is the
bias-corrected percentile interval with a shift of location (B. Efron, R. J. Tibshirani, An
Introduction to the Bootstrap, 1993, chapter 14, from memory).

*Overlap and mean boundary distance* are pushed one way only, towards disagreement, so that no
percentile of the draws need hold the truth. Their mismatch is split into a signed part, which of
two lesions is larger and by how much, and an unsigned one, form and position: along the boundary
the distance between the lesions is taken as normal with the signed part for its mean and the
unsigned part for its standard deviation. Disturbances add to the signed part with either sign, and
to the square of the unsigned one. A true pair of parts is kept where the observed measure would lie
among the central 95 % of what disturbing it gives (test inversion); the signed part is searched in
its own 95 % interval (R. L. Berger, D. D. Boos, J. Am. Stat. Assoc. 89, 1994, 1012–1016, from
memory). Since overlap cannot exceed what unequal areas allow, the limits never contradict those of
the areas.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from coreg.agreement.measures import MEASURES

# Draws that the search uses, values tried for the signed part, and steps of each bisection.
SEARCH_DRAWS, _SIGNED_VALUES, _BISECTIONS = 400, 15, 17
_TAILS = (0.025, 0.975)
_NOTHING = 1e-9  # changes below this are rounding
_MEAN_ABSOLUTE = float(np.sqrt(2 / np.pi))  # of a standard normal deviate
_AREAS = ("predicted_area_mm2", "pathology_area_mm2")
_SPREADING = ("hd95_mm", "hausdorff_mm")

# A measure from the signed part and the mismatch, each of any shape.
_Reading = Callable[[np.ndarray, np.ndarray], np.ndarray]


def true_limits(
    point: np.ndarray, draws: np.ndarray, valid_area_mm2: float
) -> dict[str, tuple[float, float]]:
    """The 95 % limits of each of `MEASURES`.

    Parameters
    ----------
    point : (measures,), without disturbance
    draws : (n, measures); NaN where a draw has no value
    valid_area_mm2 : area of the region of validity

    Returns
    -------
    dict: measure → (low, high), which hold the point value; NaN where the point has no value or
        fewer than half of the draws have one.
    """
    value = dict(zip(MEASURES, point, strict=True))
    drawn = dict(zip(MEASURES, draws.T, strict=True))
    found = {name: _moved_back(name, value[name], drawn[name]) for name in MEASURES}
    areas = [_corrected(value[n], drawn[n], 0.5) for n in _AREAS]
    found["area_difference_mm2"] = _central(areas[0] - areas[1])
    with np.errstate(divide="ignore", invalid="ignore"):
        found["area_ratio"] = _central(areas[0] / areas[1])
    found.update(_overlap_limits(value, drawn, valid_area_mm2))
    for name in _SPREADING:  # no nearer than the boundaries are on average
        low, high = found[name]
        found[name] = max(low, found["mean_boundary_distance_mm"][0]), high
    limits = {}
    for name, (low, high) in found.items():
        here, change = float(value[name]), np.abs(drawn[name] - value[name])
        if not np.isfinite(here) or np.isfinite(change).mean() < 0.5:
            limits[name] = (float("nan"), float("nan"))
        elif np.nanmax(change) < _NOTHING:
            limits[name] = (here, here)
        else:
            limits[name] = (min(low, here), max(high, here))
    return limits


def _moved_back(name: str, value: float, draws: np.ndarray) -> tuple[float, float]:
    if name in _AREAS:
        return _central(_corrected(value, draws, 0.5))
    moved = _corrected(value, draws, 2.0 if name in _SPREADING else 1.0)
    if name.endswith("_share"):
        moved = np.clip(moved, 0, 1)
    return _central(moved if name.startswith("centroid") else np.maximum(moved, 0))


def _corrected(value: float, draws: np.ndarray, power: float = 1.0) -> np.ndarray:
    """Draws (n,) without twice their median bias, on the scale of a power; NaN stays NaN.

    On any scale but the plain one values are at least 0.
    """
    if not np.isfinite(draws).any():
        return draws
    if power == 1.0:
        return draws - 2 * (np.nanmedian(draws) - value)
    moved = draws**power
    moved = moved - 2 * (np.nanmedian(moved) - value**power)
    return np.asarray(np.maximum(moved, 0) ** (1 / power))


def _central(values: np.ndarray) -> tuple[float, float]:
    known = values[np.isfinite(values)]
    if not len(known):
        return float("nan"), float("nan")
    low, high = np.quantile(known, _TAILS)
    return float(low), float(high)


# --- overlap and mean boundary distance ----------------------------------------------------------


@dataclass(frozen=True)
class _Mismatch:
    """A mismatch (mean absolute distance along the boundary, in any unit) and its signed part.

    signed, total : as observed; `total` is at least the size of `signed`
    noisy : signed part (m,) → (m, n) what disturbing gives of it
    squares : (n,) what disturbing adds to the square of the unsigned part
    range : the signed part's 95 % interval
    largest : an unsigned part beyond which nothing changes
    """

    signed: float
    total: float
    noisy: Callable[[np.ndarray], np.ndarray]
    squares: np.ndarray
    range: tuple[float, float]
    largest: float

    def limits(self, reading: _Reading) -> tuple[float, float]:
        """Smallest and largest reading over the true pairs that the observed one allows.

        Readings fall as the mismatch grows.
        """
        seen = reading(np.array(self.signed), np.array(self.total))
        signed = np.linspace(*self.range, _SIGNED_VALUES)
        if self.range[0] < 0 < self.range[1]:
            signed = np.append(signed, 0.0)
        noisy = self.noisy(signed)

        def tail(unsigned: np.ndarray, share: float) -> np.ndarray:
            spread = np.sqrt(np.maximum(unsigned[:, None] ** 2 + self.squares, 0))
            return np.quantile(reading(noisy, folded(noisy, spread)), share, axis=1)

        # Rounding must not part what is equal, as when nothing is disturbed.
        slack = _NOTHING * max(abs(float(seen)), 1.0)
        least = self._first(lambda u: tail(u, _TAILS[0]) <= seen + slack, len(signed))
        most = self._first(lambda u: tail(u, _TAILS[1]) < seen - slack, len(signed))
        allowed = least <= most
        if not allowed.any():
            return float(seen), float(seen)
        signed, least, most = signed[allowed], least[allowed], most[allowed]
        low = reading(signed, folded(signed, most)).min()
        return float(low), float(reading(signed, folded(signed, least)).max())

    def _first(self, holds: Callable[[np.ndarray], np.ndarray], count: int) -> np.ndarray:
        """The smallest unsigned part (count,) from which on something holds."""
        low, high = np.zeros(count), np.full(count, self.largest)
        at_once = holds(low)
        for _ in range(_BISECTIONS):
            middle = (low + high) / 2
            yes = holds(middle)
            low, high = np.where(yes, low, middle), np.where(yes, middle, high)
        return np.where(at_once, 0.0, high)


def folded(mean: np.ndarray, sd: np.ndarray) -> np.ndarray:
    """Mean absolute value of a normal deviate (the folded normal distribution)."""
    from scipy.special import ndtr

    size = np.abs(mean)
    z = np.minimum(size / np.maximum(sd, 1e-300), 40.0)  # beyond, the size alone is left
    return sd * _MEAN_ABSOLUTE * np.exp(-(z**2) / 2) + size * (1 - 2 * ndtr(-z))


def unfolded(total: np.ndarray, mean: np.ndarray) -> np.ndarray:
    """The standard deviation that gives a mean absolute value; 0 where the mean alone does."""
    low, high = np.zeros_like(total), total / _MEAN_ABSOLUTE + 1e-12
    for _ in range(40):
        middle = (low + high) / 2
        less = folded(mean, middle) < total
        low, high = np.where(less, middle, low), np.where(less, high, middle)
    return np.where(total > np.abs(mean), (low + high) / 2, 0.0)


def _overlap_limits(
    value: dict[str, float], drawn: dict[str, np.ndarray], valid: float
) -> dict[str, tuple[float, float]]:
    """Limits of the overlap measures and of the mean boundary distance."""
    known = np.flatnonzero(np.isfinite(drawn["dice"]))[:SEARCH_DRAWS]
    if not len(known) or not np.isfinite(value["dice"]):
        return {}
    a, b = (value[name] for name in _AREAS)
    sizes = np.stack([drawn[name][known] for name in _AREAS])
    # From the difference of the areas over their sum, x, and 1 − Dice, v.
    readings: dict[str, _Reading] = {
        "dice": lambda x, v: 1 - np.minimum(v, 1),
        "sensitivity": lambda x, v: _share_found(v - x, 1 - x),
        "precision": lambda x, v: _share_found(v + x, 1 + x),
        "specificity": lambda x, v: _share_found(v + x, 2 * valid / (a + b) - (1 - x)),
    }
    overlap = _overlap_mismatch(a, b, 1 - value["dice"], sizes, 1 - drawn["dice"][known])
    found = {
        name: overlap.limits(reading)
        for name, reading in readings.items()
        if np.isfinite(value[name])
    }
    low, high = found["dice"]
    found["jaccard"] = low / (2 - low), high / (2 - high)
    name = "mean_boundary_distance_mm"
    apart = drawn[name][known]
    if np.isfinite(value[name]) and np.isfinite(apart).any():
        distance = _distance_mismatch(overlap, value[name], apart, 1 - drawn["dice"][known], sizes)
        high, low = distance.limits(lambda x, v: -v)
        found[name] = -low, -high
    return found


def _share_found(missed: np.ndarray, whole: np.ndarray) -> np.ndarray:
    return np.clip(1 - missed / np.maximum(whole, 1e-12), 0, 1)


def _overlap_mismatch(
    a: float, b: float, mismatch: float, sizes: np.ndarray, drawn: np.ndarray
) -> _Mismatch:
    """Of 1 − Dice; the signed part is the difference of the areas over their sum."""
    whole = a + b
    steps = np.sqrt(sizes) - np.sqrt([[a], [b]])

    def noisy(signed: np.ndarray) -> np.ndarray:
        first = np.maximum(np.sqrt(whole * (1 + signed[:, None]) / 2) + steps[0], 0) ** 2
        second = np.maximum(np.sqrt(whole * (1 - signed[:, None]) / 2) + steps[1], 0) ** 2
        return _signed(first, second)

    here = (a - b) / whole
    unsigned = unfolded(np.array([mismatch]), np.array([here]))[0]
    squares = unfolded(drawn, _signed(*sizes)) ** 2 - unsigned**2
    corrected = (_corrected(size, draws, 0.5) for size, draws in zip((a, b), sizes, strict=True))
    return _Mismatch(
        here, mismatch, noisy, squares, _central(_signed(*corrected)), 1 / _MEAN_ABSOLUTE
    )


def _distance_mismatch(
    overlap: _Mismatch, mean: float, means: np.ndarray, mismatches: np.ndarray, sizes: np.ndarray
) -> _Mismatch:
    """Of the mean boundary distance in mm; its signed part is in the same proportion to it as
    that of the overlap: both mismatches are the same area, over the areas or over the boundary."""
    known = np.isfinite(means)
    means, mismatches = means[known], mismatches[known]
    signed = _signed(*sizes[:, known]) * means / np.maximum(mismatches, 1e-9)
    here = overlap.signed * mean / max(overlap.total, 1e-9)
    unsigned = unfolded(np.array([mean]), np.array([here]))[0]
    return _Mismatch(
        here,
        mean,
        lambda true: true[:, None] + (signed - here),
        unfolded(means, signed) ** 2 - unsigned**2,
        _central(_corrected(here, signed)),
        2 * max(float(means.max()), mean, 1e-6) / _MEAN_ABSOLUTE,
    )


def _signed(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Difference over sum."""
    return np.asarray((first - second) / np.maximum(first + second, 1e-12))
