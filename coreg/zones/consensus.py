"""One outline out of several observers', and how far the observers differ.

The zones of a thermal lesion are nested, so the consensus is sought for nested regions: the
ablated core, and the core with its diffusion-damaged rim. Whether an observer drew the rim as a
ring or over the core makes no difference.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np

from coreg.errors import InputError
from coreg.geometry import ZONES, Grid, Outline, mask_from_outlines
from coreg.zones.edit import from_labels

Method = Literal["majority", "staple"]
Drawn = np.ndarray | Sequence[Outline]

# Each region by the zones that make it up. Later ones are painted over earlier ones.
REGIONS: dict[str, tuple[str, ...]] = {
    "viable": ("viable",),
    "tumour": ("tumour",),
    "ablated + diffusion-damaged": ("ablated", "diffusion-damaged"),
    "ablated": ("ablated",),
    "artefact": ("artefact",),
}
_NUMBER = {name: ZONES["diffusion-damaged" if "+" in name else name] for name in REGIONS}


@dataclass(frozen=True)
class PairAgreement:
    """How two observers agree on one region.

    dice : overlap, 0 to 1; NaN where neither drew the region
    kappa : Cohen's kappa over the pixels of the grid; NaN where both drew nothing or all
    mean_distance : mean boundary distance in mm, both ways; NaN where one drew nothing
    """

    first: str
    second: str
    dice: float
    kappa: float
    mean_distance: float


@dataclass(frozen=True)
class RegionConsensus:
    """The consensus on one region.

    mask : bool (rows, columns)
    probability : float32 (rows, columns): share of the observers (majority) or STAPLE's
        probability of the region
    sensitivity, specificity : of each observer, float64 (n,). STAPLE's own estimates, or against
        the majority; NaN where nothing was drawn
    offset : mean signed distance in mm of each observer's boundary from the consensus, float64
        (n,); positive is outside
    spread : standard deviation between observers of where they put the boundary, in mm; NaN
        without a consensus boundary or where an observer drew nothing
    pairs : agreement of every two observers
    """

    name: str
    mask: np.ndarray
    probability: np.ndarray
    sensitivity: np.ndarray
    specificity: np.ndarray
    offset: np.ndarray
    spread: float
    pairs: tuple[PairAgreement, ...]


@dataclass(frozen=True)
class Consensus:
    """What several observers agree on.

    labels : uint8 (rows, columns) in the numbers of `ZONES`; 0 where there is no consensus
    regions : `RegionConsensus` by name, only those that any observer drew
    """

    grid: Grid
    method: Method
    observers: tuple[str, ...]
    labels: np.ndarray
    regions: dict[str, RegionConsensus]

    def outlines(self, smallest_mm2: float = 0.0) -> list[Outline]:
        """The consensus as outlines; the diffusion-damaged rim has the core as its hole."""
        return from_labels(
            self.labels,
            self.grid,
            smallest_mm2=smallest_mm2,
            observer=", ".join(self.observers),
            made_by=f"consensus ({self.method})",
        )


def consensus(
    drawn: Mapping[str, Drawn] | Sequence[Drawn],
    grid: Grid,
    method: Method = "majority",
    *,
    within: np.ndarray | None = None,
) -> Consensus:
    """Combine the zones drawn by several observers.

    Parameters
    ----------
    drawn : what each observer drew, by name or in a list: a uint8 label map (rows, columns) in
        the numbers of `ZONES`, or outlines in the frame of `grid`
    method : "majority": more than half of the observers (a tie goes by the mean
        of their signed distances to the boundary, after T. Rohlfing and C. R. Maurer, IEEE Trans.
        Image Process. 2007;16:153-161, from memory); "staple": the
        expectation-maximisation estimate of Warfield et al., IEEE Trans. Med. Imaging 2004;
        23:903-921, by SimpleITK, taken as inside above a probability of one half
    within : bool (rows, columns), the pixels that count, e.g. the tissue; None for all. STAPLE's
        estimates depend on it, as its prior is the mean share of the region in it.

    Raises
    ------
    InputError : fewer than two observers, a label map of another shape, an unknown method
    """
    if method not in ("majority", "staple"):
        raise InputError(f"Unknown consensus method {method!r}; use 'majority' or 'staple'.")
    if not isinstance(drawn, Mapping):
        drawn = {f"observer {number}": one for number, one in enumerate(drawn, start=1)}
    if len(drawn) < 2:
        raise InputError(
            f"A consensus needs at least 2 observers, got {len(drawn)}; add another's outlines."
        )
    counted = np.ones(grid.shape, dtype=bool) if within is None else np.asarray(within, dtype=bool)
    if counted.shape != grid.shape:
        raise InputError(f"Expected `within` of shape {grid.shape}, got {counted.shape}.")
    names = tuple(drawn)
    labels = np.zeros(grid.shape, dtype=np.uint8)
    regions: dict[str, RegionConsensus] = {}
    for region, zones in REGIONS.items():
        masks = np.stack([_mask(drawn[name], zones, grid, name) & counted for name in names])
        if not masks.any():
            continue
        regions[region] = _agree_on(region, masks, names, grid, method, counted)
        labels[regions[region].mask] = _NUMBER[region]
    return Consensus(grid, method, names, labels, regions)


def staple(masks: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """STAPLE's probability of the region and each observer's performance, by SimpleITK.

    Parameters
    ----------
    masks : bool (observers, ...) of one region; every pixel counts

    Returns
    -------
    probability : float64 (...), sensitivity : float64 (observers,), specificity likewise. Where
    no observer marked anything, or all marked everything, there is nothing to estimate: the
    probability is 0 or 1 and the performances are NaN.
    """
    import SimpleITK as sitk

    masks = np.asarray(masks, dtype=bool)
    if not masks.any() or masks.all():
        unknown = np.full(len(masks), np.nan)
        return np.full(masks.shape[1:], float(masks.any())), unknown, unknown.copy()
    flat = masks.reshape(len(masks), 1, -1).astype(np.uint8)
    estimate = sitk.STAPLEImageFilter()
    estimate.SetForegroundValue(1)
    image = estimate.Execute([sitk.GetImageFromArray(mask) for mask in flat])
    probability = sitk.GetArrayFromImage(image).astype(np.float64).reshape(masks.shape[1:])
    return (
        probability,
        np.array(estimate.GetSensitivity(), dtype=np.float64),
        np.array(estimate.GetSpecificity(), dtype=np.float64),
    )


def _mask(drawn: Drawn, zones: tuple[str, ...], grid: Grid, name: str) -> np.ndarray:
    if isinstance(drawn, np.ndarray):
        if drawn.shape != grid.shape:
            raise InputError(
                f"Expected a label map of shape {grid.shape} from {name}, got {drawn.shape}."
            )
        return np.isin(drawn, [ZONES[zone] for zone in zones])
    return mask_from_outlines([outline for outline in drawn if outline.zone in zones], grid)


def _agree_on(
    region: str,
    masks: np.ndarray,
    names: tuple[str, ...],
    grid: Grid,
    method: Method,
    counted: np.ndarray,
) -> RegionConsensus:
    probability = np.zeros(grid.shape, dtype=np.float64)
    distances = [_boundary_distance(one, grid) for one in masks]
    if method == "staple":
        probability[counted], sensitivity, specificity = staple(masks[:, counted])
        mask = probability > 0.5
    else:
        probability = masks.mean(axis=0)
        # Leaving ties out would shrink the lesion: two observers would be cut to their overlap.
        mean_distance = np.mean(distances, axis=0)
        mask = (probability > 0.5) | ((probability == 0.5) & (mean_distance < 0))
        inside, outside = mask, counted & ~mask
        sensitivity = np.array([_share(one, inside) for one in masks])
        specificity = np.array([_share(~one, outside) for one in masks])
    offset, spread = _spread(masks, mask, grid)
    pairs = tuple(
        PairAgreement(
            names[i],
            names[j],
            _dice(masks[i], masks[j]),
            _kappa(masks[i][counted], masks[j][counted]),
            _mean_distance(masks[i], distances[i], masks[j], distances[j]),
        )
        for i, j in combinations(range(len(names)), 2)
    )
    return RegionConsensus(
        region,
        mask,
        probability.astype(np.float32),
        sensitivity,
        specificity,
        offset,
        spread,
        pairs,
    )


def _share(part: np.ndarray, whole: np.ndarray) -> float:
    return float(part[whole].mean()) if whole.any() else float("nan")


def _dice(first: np.ndarray, second: np.ndarray) -> float:
    total = int(first.sum()) + int(second.sum())
    return 2 * int((first & second).sum()) / total if total else float("nan")


def _kappa(first: np.ndarray, second: np.ndarray) -> float:
    from sklearn.metrics import cohen_kappa_score

    if not first.size or (first.all() and second.all()) or not (first.any() or second.any()):
        return float("nan")
    return float(cohen_kappa_score(first, second))


def _boundary_distance(mask: np.ndarray, grid: Grid) -> np.ndarray:
    """Signed distance in mm to the boundary of `mask`, positive outside; NaN without one.

    The boundary runs half-way between the centres of inner and outer pixels, so half of the
    mean pixel size is taken off either side.
    """
    from scipy import ndimage

    if not mask.any() or mask.all():
        return np.full(mask.shape, np.nan)
    outside = ndimage.distance_transform_edt(~mask, sampling=grid.spacing)
    inside = ndimage.distance_transform_edt(mask, sampling=grid.spacing)
    half = sum(grid.spacing) / 4
    return np.where(mask, half - inside, outside - half)


def _edge(mask: np.ndarray) -> np.ndarray:
    """Pixels on either side of the boundary, so that what is read on them is not one-sided."""
    from scipy import ndimage

    return ndimage.binary_dilation(mask) & ~ndimage.binary_erosion(mask, border_value=1)


def _mean_distance(
    first: np.ndarray, to_first: np.ndarray, second: np.ndarray, to_second: np.ndarray
) -> float:
    on_first = np.abs(to_second[_edge(first)])
    on_second = np.abs(to_first[_edge(second)])
    if not on_first.size or not on_second.size:
        return float("nan")
    return float((on_first.mean() + on_second.mean()) / 2)


def _spread(masks: np.ndarray, mask: np.ndarray, grid: Grid) -> tuple[np.ndarray, float]:
    """Each observer's mean boundary offset from the consensus, and the spread between them.

    On every pixel along the consensus boundary, an observer's signed distance map says how far
    that observer's boundary lies outside it; the spread is the root mean variance of these
    between observers.
    """
    on_edge = _edge(mask)
    if not on_edge.any() or mask.all():
        return np.full(len(masks), np.nan), float("nan")
    own = _boundary_distance(mask, grid)[on_edge]
    offsets = np.stack([own - _boundary_distance(one, grid)[on_edge] for one in masks])
    return offsets.mean(axis=1), float(np.sqrt(offsets.var(axis=0, ddof=1).mean()))
