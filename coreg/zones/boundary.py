"""Where the core ends and where the rim ends: closed boundaries fitted to all that lies around.

Heat spreads, so both boundaries are smooth although what they enclose is patchy: bleeding here,
pallor there, between them tissue that looks untouched. The surroundings of a first core are
unfolded into distance from its edge and place along it; at every place the boundary may lie at any
distance, the cells' log-odds speak for or against each, and neighbouring places hold one another
by a Gaussian random walk. The probability of every distance follows from the sum-product
(forward-backward) algorithm on the closed chain (L. R. Rabiner, Proc. IEEE 1989;77:257-286, from
memory); that a boundary is sought as one distance per place of an unfolded image is after K. Li et
al., IEEE Trans. Pattern Anal. Mach. Intell. 2006;28:119-134, from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coreg.geometry import Grid
from coreg.zones.unfold import Unfolded, grown, unfold


@dataclass(frozen=True)
class BoundaryOptions:
    """How the boundaries are fitted.

    reach_mm : the rim is not wider than this
    shift_mm : a boundary that is refined, and the first core's edge, move by up to this
    stiffness_mm : standard deviation of the change of the distance from one place to the next,
        `unfold.STEP_MM` further
    width_mm : standard deviation of the rim's width about its mean on the section
    alike : so many neighbouring cells look alike and count as one
    certain : log-odds of one cell never count for more
    gap_mm, band_mm : cells at these distances from a boundary teach what lies on either side of it
    tidy_mm : lobes and bays of the first core that are narrower than twice this are taken off
    """

    reach_mm: float = 1.6
    shift_mm: float = 0.8
    stiffness_mm: float = 0.025
    width_mm: float = 0.15
    alike: float = 25.0
    certain: float = 3.0
    gap_mm: float = 0.12
    band_mm: float = 0.5
    tidy_mm: float = 0.3


@dataclass(frozen=True)
class Boundaries:
    """How likely each cell lies inside each of the two boundaries.

    core, lesion : float64 (rows, columns), 0–1; the lesion is the core with its rim
    """

    core: np.ndarray
    lesion: np.ndarray


# Cells that a user painted count as this many cells that are certain.
_PAINTED = 4.0
# A sliver of evidence on both sides is no evidence.
_FLOOR = 0.05
_BIN_MM = 0.03
_EDGE_SD_MM = 0.3
_REFINE_MM = 0.35
_ROUNDS = 2
# Fewer cells than this on a side of a boundary teach nothing.
_FEWEST = 60
_SHRINKAGE = 0.02


def tidy(core: np.ndarray, grid: Grid, radius_mm: float) -> np.ndarray:
    """The main pieces of a first core, without narrow lobes, bays and holes.

    Pieces count that are at least a quarter as large as the largest.
    """
    from scipy import ndimage

    opened = grown(grown(core, grid, -radius_mm), grid, radius_mm)
    pieces, count = ndimage.label(opened)
    if count == 0:
        return opened
    sizes = np.bincount(pieces.ravel())
    sizes[0] = 0
    kept = np.zeros_like(opened)
    for number in np.flatnonzero(sizes >= sizes.max() / 4):
        own = grown(grown(pieces == number, grid, 2 * radius_mm), grid, -2 * radius_mm)
        kept |= ndimage.binary_fill_holes(own)
    return kept


def find(
    core: np.ndarray,
    look: np.ndarray,
    tissue: np.ndarray,
    grid: Grid,
    options: BoundaryOptions,
    painted: np.ndarray | None = None,
) -> Boundaries | None:
    """The boundaries around a first core by what each cell looks like.

    Parameters
    ----------
    core : bool (rows, columns), the first core, tidy
    look : (rows, columns, 3), probabilities of core, rim and the rest
    painted : int (rows, columns): 1 core, 2 rim, 3 the rest by the user's word, 0 unknown

    Returns
    -------
    Boundaries, or None where the core is too small to have places along its edge
    """
    evidence = _odds(look[..., 0], look[..., 1:].max(axis=-1), options)
    evidence = _heed(evidence, painted, (1,), (2, 3), options) * tissue
    inside = core
    states = np.arange(-options.shift_mm, options.shift_mm + _BIN_MM / 2, _BIN_MM)
    probability = np.zeros(grid.shape)
    for _ in range(_ROUNDS):
        around = unfold(inside, grid, options.shift_mm)
        if around is None:
            return None
        probability = _fit(around, evidence, states, 0.0, _EDGE_SD_MM, options)
        inside = _filled(probability > 0.5)
    around = unfold(inside, grid, options.reach_mm)
    if around is None:
        return None
    evidence = _odds(look[..., 1], look[..., 2], options)
    evidence = _heed(evidence, painted, (1, 2), (3,), options) * tissue
    states = np.arange(0.0, options.reach_mm + _BIN_MM / 2, _BIN_MM)
    lesion = _fit(around, evidence, states, None, options.width_mm, options)
    return Boundaries(probability, np.maximum(lesion, probability))


def refine(
    first: Boundaries,
    maps: np.ndarray,
    tissue: np.ndarray,
    grid: Grid,
    options: BoundaryOptions,
    painted: np.ndarray | None = None,
) -> Boundaries:
    """Move each boundary to where what is measured lies half-way between its two sides.

    A classifier puts the edge of an even tissue beside a varied one too far into the even one. On
    measures that mix linearly, linear discriminant analysis (scikit-learn) of the bands on either
    side puts it half-way, and learns from the surroundings of this boundary alone.

    Parameters
    ----------
    maps : (measures, rows, columns), such that a mixture of two tissues measures the mean of theirs
    painted : as in `find`
    """
    core, lesion = first.core, first.lesion
    for _ in range(_ROUNDS):
        inner, outer = _filled(core > 0.5), _filled(lesion > 0.5)
        rim, rest = outer & ~inner, ~outer
        found = _at_edge(inner, inner, rim, maps, tissue, grid, options, painted, ((1,), (2, 3)))
        core = core if found is None else found
        inner = _filled(core > 0.5)
        outer |= inner
        # What the core's edge carries over its neighbours is no rim.
        rim = outer & ~grown(inner, grid, options.gap_mm)
        found = _at_edge(outer, rim, rest, maps, tissue, grid, options, painted, ((1, 2), (3,)))
        lesion = np.maximum(lesion if found is None else found, core)
    return Boundaries(core, lesion)


def _at_edge(
    mask: np.ndarray,
    inner: np.ndarray,
    outer: np.ndarray,
    maps: np.ndarray,
    tissue: np.ndarray,
    grid: Grid,
    options: BoundaryOptions,
    painted: np.ndarray | None,
    sides: tuple[tuple[int, ...], tuple[int, ...]],
) -> np.ndarray | None:
    """The boundary of a mask again, or None where one of its sides teaches nothing."""
    from sklearn.discriminant_analysis import LinearDiscriminantAnalysis

    around = unfold(mask, grid, options.band_mm + _REFINE_MM)
    if around is None:
        return None
    near, distance = around.near, around.distance
    measured = maps[:, near].T
    within = (distance < -options.gap_mm) & (distance > -options.band_mm) & inner[near]
    beyond = (distance > options.gap_mm) & (distance < options.band_mm) & outer[near]
    within, beyond = within & tissue[near], beyond & tissue[near]
    if min(within.sum(), beyond.sum()) < _FEWEST:
        return None
    teach = within | beyond
    low, high = np.percentile(measured[teach], [2, 98], axis=0)
    varied = high > low
    measured = np.clip(measured, low, high)[:, varied]
    judge = LinearDiscriminantAnalysis(solver="lsqr", shrinkage=_SHRINKAGE, priors=(0.5, 0.5))
    odds = judge.fit(measured[teach], within[teach]).decision_function(measured)
    odds = np.clip(odds, -options.certain, options.certain)
    odds -= (odds[within].mean() + odds[beyond].mean()) / 2
    evidence = np.zeros(grid.shape)
    evidence[near] = odds
    evidence = _heed(evidence, painted, *sides, options) * tissue
    states = np.arange(-_REFINE_MM, _REFINE_MM + _BIN_MM / 2, _BIN_MM)
    return _fit(around, evidence, states, 0.0, _EDGE_SD_MM, options)


def _fit(
    around: Unfolded,
    evidence: np.ndarray,
    states: np.ndarray,
    expected: float | None,
    spread_mm: float,
    options: BoundaryOptions,
) -> np.ndarray:
    """How likely each cell lies inside the boundary, float64 (rows, columns).

    Parameters
    ----------
    evidence : (rows, columns), log-odds of a cell's look inside against outside
    states : the distances in mm that the boundary may have, evenly apart
    expected, spread_mm : the boundary's mean distance and how it varies; None takes the distance
        that explains all places best
    """
    inside = around.inside.astype(np.float64)
    width = states[1] - states[0]
    for piece, places in enumerate(around.places):
        own = around.piece == piece
        place, distance = around.place[own], around.distance[own]
        seen = (distance >= states[0] - width / 2) & (distance < states[-1])
        bins = np.rint((distance[seen] - states[0]) / width).astype(int)
        gain = np.zeros((places, len(states)))
        np.add.at(gain, (place[seen], bins), evidence[around.near][own][seen] / options.alike)
        gain = np.cumsum(gain, axis=1)
        mean = states[int(np.argmax(gain.sum(axis=0)))] if expected is None else expected
        # Places are neighbours of one another: the prior counts once a millimetre, not at each.
        gain -= 0.5 * around.step_mm * ((states - mean) / spread_mm) ** 2
        posterior = closed_chain(gain, states, options.stiffness_mm)
        beyond = np.cumsum(posterior[:, ::-1], axis=1)[:, ::-1]
        near = inside[around.near]
        near[own] = _interpolated(beyond, (distance - states[0]) / width, place)
        inside[around.near] = near
    return inside


def closed_chain(gain: np.ndarray, states: np.ndarray, stiffness: float) -> np.ndarray:
    """Probability of every state at every place of a closed chain, float64 (places, states).

    Parameters
    ----------
    gain : (places, states), log-likelihood of each state at each place
    states : (states,), their values
    stiffness : standard deviation of the difference between neighbouring places

    The chain is run round three times and its middle turn taken, so that its ends meet.
    """
    places, count = gain.shape
    step = np.exp(-0.5 * ((states[:, None] - states[None, :]) / stiffness) ** 2)
    step /= step.sum(axis=1, keepdims=True)
    own = np.exp(gain - gain.max(axis=1, keepdims=True)) + 1e-12
    turns = np.concatenate([own, own, own])
    forward, backward = np.empty_like(turns), np.empty_like(turns)
    message = np.full(count, 1.0 / count)
    for k, likelihood in enumerate(turns):
        message = (message @ step) * likelihood
        message /= message.sum()
        forward[k] = message
    message = np.full(count, 1.0 / count)
    for k in range(len(turns) - 1, -1, -1):
        backward[k] = message
        message = step @ (message * turns[k])
        message /= message.sum()
    posterior = (forward * backward)[places : 2 * places]
    return posterior / posterior.sum(axis=1, keepdims=True)


def _interpolated(beyond: np.ndarray, at: np.ndarray, place: np.ndarray) -> np.ndarray:
    """Probability that the boundary lies beyond a cell `at` bins from the first state."""
    padded = np.concatenate([np.ones((len(beyond), 1)), beyond, np.zeros((len(beyond), 1))], axis=1)
    at = np.clip(at + 1, 0, padded.shape[1] - 1.001)
    below = at.astype(int)
    share = at - below
    found = padded[place, below] * (1 - share) + padded[place, below + 1] * share
    return np.clip(found, 0, 1)


def _odds(inside: np.ndarray, outside: np.ndarray, options: BoundaryOptions) -> np.ndarray:
    odds = np.log(inside + _FLOOR) - np.log(outside + _FLOOR)
    return np.clip(odds, -options.certain, options.certain)


def _heed(
    evidence: np.ndarray,
    painted: np.ndarray | None,
    inside: tuple[int, ...],
    outside: tuple[int, ...],
    options: BoundaryOptions,
) -> np.ndarray:
    """The evidence with what the user painted in its place."""
    if painted is None:
        return evidence
    heard = evidence.copy()
    heard[np.isin(painted, inside)] = _PAINTED * options.certain
    heard[np.isin(painted, outside)] = -_PAINTED * options.certain
    return heard


def _filled(mask: np.ndarray) -> np.ndarray:
    from scipy import ndimage

    return ndimage.binary_fill_holes(mask)
