"""Zones proposed without any input: the most conspicuous damaged region and the rim around it.

1. A damage score, from what the stain shows in heat-fixed tissue, is cut at many levels; of the
   connected regions that this gives, the one that differs most from its surroundings and is
   compact is the core, or there is no lesion.
2. Cells well inside the core, close around it and far from it give a first mixture of Gaussians
   for the core, the rim and the rest; cells between are shared out by expectation-maximisation
   with a prior that depends on the distance from the core, since heat falls off with distance.
3. The probabilities are regularised with the concentric order respected, and both boundaries
   are moved to where what is measured lies half-way between their sides.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from coreg.errors import InputError
from coreg.geometry import ZONES, Image
from coreg.zones.concentric import refine_labels
from coreg.zones.features import NAMES, FeatureMaps, comparable, compute
from coreg.zones.proposal import Proposal
from coreg.zones.regularise import Regularity, clean, regularise
from coreg.zones.rim import at_sector, distance_from, rim_width, sector_of, zone_prior

if TYPE_CHECKING:
    from sklearn.mixture import GaussianMixture

Progress = Callable[[float, str], None]

# What rises (+1) or falls (-1) in the ablated core, by stain set; "viable" is for any stain set
# with a dye that only living tissue takes up.
DAMAGE: dict[str, tuple[tuple[str, int], ...]] = {
    "H&E": (("nuclear_contrast", -1), ("texture", -1)),
    "H-DAB": (("nuclear_contrast", -1), ("texture", -1)),
    "Masson's trichrome": (("redness", 1), ("texture", -1)),
    "viable": (("first_stain", -1),),
}
_ROUNDS = 3
# What a cell looks like never counts for more than this, as a natural logarithm of odds.
_LARGEST_ODDS = 8.0
# Blood and dense collagen take at least e to this power more of the second stain than the tissue
# around them; coagulated tissue does not.
_BLOOD = 0.5
# Distances from a region in mm between which its surroundings are looked at.
_AROUND_MM = (0.15, 1.0)
_ADJOINING_MM = 0.45
_WITHIN_MM = 0.5
_JUDGED = (
    "first_stain",
    "second_stain",
    "optical_density",
    "redness",
    "blue_excess",
    "nuclear_contrast",
    "texture",
)


@dataclass(frozen=True)
class ProposeOptions:
    """How the proposal is made.

    sigma_um : width of the Gaussian over which cells are averaged
    smallest_core_mm2 : regions smaller than this are not taken for a core
    largest_core : nor those that take up more than this share of the tissue
    least_contrast : how far the damage score inside must lie above that around it (natural
        logarithm, so 0.7 is a factor of 2)
    least_solidity : the core's area as a share of its convex hull's
    reach_mm : the rim is looked for up to this distance from the core
    softness_mm : how far the rim's width may vary around the core
    trust : weight of a cell's look against its distance from the core; below 1, since the look of
        neighbouring cells is not independent
    regularity : of the labels
    seed : of the mixtures' starts and samples
    """

    sigma_um: float = 50.0
    smallest_core_mm2: float = 1.0
    largest_core: float = 0.5
    least_contrast: float = 0.61
    least_solidity: float = 0.7
    reach_mm: float = 1.6
    softness_mm: float = 0.12
    trust: float = 0.5
    regularity: Regularity = field(default_factory=Regularity)
    seed: int = 0


def propose(
    section: Image | FeatureMaps,
    options: ProposeOptions | None = None,
    *,
    stain_set: str = "H&E",
    progress: Progress | None = None,
) -> Proposal:
    """Propose the ablated and the diffusion-damaged zone of a section.

    Parameters
    ----------
    section : RGB image on the slide of 2–16 µm per pixel, or features computed before
    stain_set : of an image; features know theirs

    Returns
    -------
    Proposal on the cells of the features, with the zones viable, diffusion-damaged and ablated
    (tumour is not told from other viable tissue); `found` is False, with a reason, where no region
    stands out.

    Raises
    ------
    InputError : no tissue, too coarse an image, or a stain for which nothing is known
    """
    options = options or ProposeOptions()
    features = section if isinstance(section, FeatureMaps) else compute(section, stain_set)
    if progress is not None:
        progress(0.6, "looking for a core")
    maps = comparable(features.at(options.sigma_um))
    score = damage_score(maps, features)
    core, contrast = find_core(score, maps[NAMES.index("second_stain")], features, options)
    if core is None or core.sum() * features.grid.pixel_area < options.smallest_core_mm2:
        return _nothing(features, contrast, options)
    if progress is not None:
        progress(0.7, "looking for the rim")
    probability = _share_out(maps, core, features, options)
    if progress is not None:
        progress(0.9, "drawing the zones together")
    labels, confidence = regularise(
        probability,
        ("viable", "diffusion-damaged", "ablated"),
        features.tissue,
        features.grid,
        options.regularity,
    )
    if options.regularity.concentric:
        refined = refine_labels(labels, features, options.regularity)
        labels, confidence = refined or (labels, confidence)
    found = bool((labels == ZONES["ablated"]).any())
    area = float((labels == ZONES["ablated"]).sum() * features.grid.pixel_area)
    width = _width_of(labels, features)
    reason = f"Found a core of {area:.1f} mm² with a rim of about {width:.2f} mm."
    details = {"contrast": contrast, "rim_width_mm": width, "options": asdict(options)}
    return Proposal(labels, confidence, features.grid, found, reason, "proposal", details)


def damage_score(maps: np.ndarray, features: FeatureMaps) -> np.ndarray:
    """How much each cell looks like an ablated core, (rows, columns); higher is more damaged.

    `maps` are features as `comparable` returns them.

    Raises
    ------
    InputError : a stain set for which nothing is known
    """
    from coreg.stain import STAIN_SETS

    known = STAIN_SETS.get(features.stain_set)
    kind = "viable" if known is not None and known.viable else features.stain_set
    if kind not in DAMAGE:
        raise InputError(
            f"Nothing is known of how {features.stain_set} shows thermal damage; draw strokes "
            "instead of asking for a proposal."
        )
    parts = [sign * maps[NAMES.index(name)] for name, sign in DAMAGE[kind]]
    return np.mean(parts, axis=0)


def find_core(
    score: np.ndarray, second: np.ndarray, features: FeatureMaps, options: ProposeOptions
) -> tuple[np.ndarray | None, float]:
    """The region that differs most from its surroundings.

    Parameters
    ----------
    score : (rows, columns), from `damage_score`
    second : (rows, columns), logarithm of the second stain: filled vessels are homogeneous like a
        core, but far darker in it than what is around them

    Returns
    -------
    bool (rows, columns), or None where none is large, compact and different enough; and the
    contrast of the best region of sufficient size (NaN without any)
    """
    from scipy import ndimage
    from skimage.measure import regionprops

    tissue, area = features.tissue, features.grid.pixel_area
    smallest = options.smallest_core_mm2 / area
    best, best_contrast, best_value = None, float("nan"), -np.inf
    levels = np.percentile(score[tissue], np.linspace(98.5, 40, 28))
    for level in levels:
        # A cavity in the core is part of it, whatever its size and look.
        whole = ndimage.binary_fill_holes(clean((score > level) & tissue, smallest))
        pieces, _ = ndimage.label(whole)
        for piece in regionprops(pieces):
            if not smallest <= piece.area <= options.largest_core * tissue.sum():
                continue
            solidity = piece.area / max(piece.area_convex, 1)
            if solidity < options.least_solidity:
                continue
            window = _window(piece.bbox, tissue.shape, _AROUND_MM[1], features)
            inside = pieces[window] == piece.label
            contrast = _contrast(score[window], inside, tissue[window], features)
            if _rise(second[window], inside, tissue[window], features) > _BLOOD:
                continue
            value = contrast * min(1.0, solidity / 0.9)
            if value > best_value:
                best = np.zeros(tissue.shape, dtype=bool)
                best[window] = inside
                best_contrast, best_value = contrast, value
    if best is None or best_contrast < options.least_contrast:
        return None, float(best_contrast)
    return _refined(score, best, features, smallest), float(best_contrast)


def _window(
    bbox: tuple[int, ...], shape: tuple[int, int], margin_mm: float, features: FeatureMaps
) -> tuple[slice, slice]:
    """A bounding box (first row, first column, last row, last column) and a margin."""
    rows, columns = (
        slice(
            max(0, bbox[axis] - int(np.ceil(margin_mm / features.grid.spacing[axis])) - 1),
            min(
                shape[axis],
                bbox[axis + 2] + int(np.ceil(margin_mm / features.grid.spacing[axis])) + 1,
            ),
        )
        for axis in (0, 1)
    )
    return rows, columns


def _contrast(
    score: np.ndarray, inside: np.ndarray, tissue: np.ndarray, features: FeatureMaps
) -> float:
    """The score within the edge against the tissue around it; 0 where there is none.

    What lies deeper than 0.5 mm does not count: the centre may be cavitated, and a core must not
    lend its look to a region that is larger.
    """
    distance = distance_from(inside, features.grid)
    within = inside & tissue & (distance > -_WITHIN_MM)
    around = tissue & (distance > _AROUND_MM[0]) & (distance <= _AROUND_MM[1])
    if not around.any() or not within.any():
        return 0.0
    # The highest quarter around counts: a look-alike that fades into its surroundings is no core.
    return float(np.median(score[within]) - np.percentile(score[around], 75))


def _rise(
    values: np.ndarray, inside: np.ndarray, tissue: np.ndarray, features: FeatureMaps
) -> float:
    """The median inside against that of the tissue around; 0 where there is none."""
    distance = distance_from(inside, features.grid)
    around = tissue & (distance > _AROUND_MM[0]) & (distance <= _AROUND_MM[1])
    if not around.any() or not (inside & tissue).any():
        return 0.0
    return float(np.median(values[inside & tissue]) - np.median(values[around]))


def _refined(
    score: np.ndarray, core: np.ndarray, features: FeatureMaps, smallest: float
) -> np.ndarray:
    """The core cut half-way between the energies inside and around it."""
    from scipy import ndimage

    distance = distance_from(core, features.grid)
    # Only what adjoins: beyond the rim a viability stain is darker than in it.
    around = features.tissue & (distance > _AROUND_MM[0]) & (distance <= _ADJOINING_MM)
    if not around.any():
        return core
    within = core & features.tissue & (distance > -_WITHIN_MM)
    inside, outside = np.exp(-2 * np.median(score[within])), np.exp(-2 * np.median(score[around]))
    level = -0.5 * np.log((inside + outside) / 2)
    near = distance < _AROUND_MM[1]
    pieces, _ = ndimage.label((score > level) & features.tissue & near)
    touched = np.unique(pieces[core & (pieces > 0)])
    grown = np.isin(pieces, touched[touched > 0])
    grown = ndimage.binary_fill_holes(clean(grown, smallest)) & features.tissue
    return grown if grown.any() else core & features.tissue


def _share_out(
    maps: np.ndarray, core: np.ndarray, features: FeatureMaps, options: ProposeOptions
) -> np.ndarray:
    """Probabilities of viable, diffusion-damaged, ablated, (rows, columns, 3)."""
    distances = distance_from(core, features.grid)
    # Farther away all is viable, and only teaches what viable tissue looks like.
    tissue = features.tissue & (distances < 2.5 * options.reach_mm)
    judged = np.stack([maps[NAMES.index(name)][tissue] for name in _JUDGED], axis=1)
    low, centre, high = np.percentile(judged, [16, 50, 84], axis=0)
    judged = np.clip((judged - centre) / np.maximum((high - low) / 2, 1e-3), -8, 8)
    distance = distances[tissue]
    rng = np.random.default_rng(options.seed)

    def mixture(which: np.ndarray, parts: int) -> GaussianMixture:
        from sklearn.mixture import GaussianMixture

        rows = np.flatnonzero(which)
        rows = rng.choice(rows, min(len(rows), 6000), replace=False)
        parts = max(1, min(parts, len(rows) // 60))
        fit = GaussianMixture(
            parts, reg_covar=0.03, random_state=options.seed, max_iter=60, tol=1e-2
        )
        return fit.fit(judged[rows])

    width = _width(judged, distance, options.reach_mm)
    heart = mixture(distance < max(-0.25, 0.3 * distance.min()), 3).score_samples(judged)
    in_rim = (distance > 0.1) & (distance < max(width - 0.05, 0.2))
    beyond = (distance > width + 0.1) & (distance < width + options.reach_mm)
    sector = sector_of(core)[tissue]
    posterior = np.empty((len(judged), 3))
    for _ in range(_ROUNDS):
        rest = mixture(beyond, 6).score_samples(judged)
        rim = mixture(in_rim, 3).score_samples(judged)
        by_sector = rim_width(rim - rest, distance, sector, options.reach_mm)
        # Averaging carries the rim's look outwards by about the Gaussian's width.
        by_sector = np.maximum(by_sector - options.sigma_um / 1000, 0.05)
        widths = at_sector(by_sector, sector)
        prior = np.stack(zone_prior(distance, widths, options.softness_mm), axis=1)
        look = np.stack([rest, rim, heart], axis=1)
        # A cell between two zones looks like neither; that must not hand it to a third.
        look = np.maximum(look - look.max(axis=1, keepdims=True), -_LARGEST_ODDS)
        joint = look * options.trust + np.log(prior + 1e-9)
        joint -= joint.max(axis=1, keepdims=True)
        posterior = np.exp(joint)
        posterior /= posterior.sum(axis=1, keepdims=True)
        in_rim = (posterior[:, 1] > 0.6) & (distance > 0.05)
        beyond = (posterior[:, 0] > 0.6) & (distance < width + options.reach_mm)
        width = float(np.median(by_sector))
    probability = np.zeros((*tissue.shape, 3), dtype=np.float32)
    probability[..., 0] = 1
    probability[tissue] = posterior
    return probability


def _width_of(labels: np.ndarray, features: FeatureMaps) -> float:
    """The rim's width in mm: the median distance of its outer edge from the core; NaN for none."""
    from scipy import ndimage

    core = labels == ZONES["ablated"]
    lesion = core | (labels == ZONES["diffusion-damaged"])
    # At the tissue's own edge the rim ends for want of tissue.
    edge = lesion & ndimage.binary_dilation(labels == ZONES["viable"])
    if not core.any() or not edge.any():
        return float("nan")
    half = float(np.mean(features.grid.spacing)) / 2
    return float(np.median(distance_from(core, features.grid)[edge])) + half


def _width(judged: np.ndarray, distance: np.ndarray, reach_mm: float) -> float:
    """The distance from the core at which the tissue changes most.

    At every distance the bands of 0.25 mm on either side are compared by the Mahalanobis distance
    between their means; the core's own blurred edge is passed over.
    """
    tried = np.arange(0.2, reach_mm, 0.05)
    change = np.zeros(len(tried))
    for k, width in enumerate(tried):
        nearer = judged[(distance > width - 0.25) & (distance <= width)]
        farther = judged[(distance > width) & (distance <= width + 0.25)]
        if min(len(nearer), len(farther)) < 30:
            continue
        spread = (np.cov(nearer.T) + np.cov(farther.T)) / 2 + 0.01 * np.eye(judged.shape[1])
        step = nearer.mean(axis=0) - farther.mean(axis=0)
        change[k] = step @ np.linalg.solve(spread, step)
    first = 0
    while first + 1 < len(change) and change[first + 1] < change[first]:
        first += 1
    return float(tried[first + int(np.argmax(change[first:]))])


def _nothing(features: FeatureMaps, contrast: float, options: ProposeOptions) -> Proposal:
    labels = np.where(features.tissue, ZONES["viable"], 0).astype(np.uint8)
    if np.isnan(contrast):
        why = f"no compact region above {options.smallest_core_mm2:g} mm² stands out"
    else:
        why = (
            f"the region that differs most from its surroundings does so by a factor of "
            f"{np.exp(contrast):.2f} only, {np.exp(options.least_contrast):.2f} is needed"
        )
    return Proposal(
        labels,
        features.tissue.astype(np.float32),
        features.grid,
        False,
        f"No lesion found: {why}.",
        "proposal",
        {"contrast": contrast, "options": asdict(options)},
    )
