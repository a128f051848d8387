"""Zones in the order that heat gives: the core inside its rim, the rim inside the rest."""

from __future__ import annotations

import numpy as np

from coreg.geometry import ZONES, Grid
from coreg.zones.boundary import Boundaries, BoundaryOptions, find, refine, tidy
from coreg.zones.features import FeatureMaps, mixing
from coreg.zones.regularise import CORE, RIM, Regularity, clean, label_rest, smoothed

# Boundaries are refined on what was measured over little more than a cell.
FINE_UM = 20.0
_MARGIN_MM = 2.4


def concentric(
    probability: np.ndarray,
    zones: tuple[str, ...],
    features: FeatureMaps,
    regularity: Regularity,
    options: BoundaryOptions | None = None,
    painted: np.ndarray | None = None,
) -> tuple[np.ndarray, np.ndarray] | None:
    """Label every cell with core, rim and rest as smooth nested regions.

    Parameters
    ----------
    probability : (rows, columns, zones), what each cell looks like
    zones : their names; "ablated", "diffusion-damaged" and at least one more
    painted : uint8 (rows, columns) in the numbers of `ZONES`, what the user said; None for nothing

    Returns
    -------
    labels and confidence as of `regularise`, or None where there is no core
    """
    options = options or BoundaryOptions()
    k_core, k_rim = zones.index("ablated"), zones.index("diffusion-damaged")
    tissue = features.tissue
    smooth = smoothed(probability, tissue, regularity.tv_weight)
    smallest = regularity.smallest_mm2 / features.grid.pixel_area
    core = clean((smooth[..., k_core] > 0.5) & tissue, smallest)
    core = tidy(core, features.grid, options.tidy_mm)
    if not core.any():
        return None
    window, grid = _around(core, features.grid)
    look = probability[window]
    look = np.stack(
        [look[..., k_core], look[..., k_rim], 1 - look[..., k_core] - look[..., k_rim]], axis=-1
    )
    said = None if painted is None else _sides(painted[window])
    first = find(core[window], look, tissue[window], grid, options, said)
    if first is None:
        return None
    return compose(
        _refined(first, features, window, grid, options, said),
        window,
        smooth,
        zones,
        features,
        regularity,
    )


def refine_labels(
    labels: np.ndarray,
    features: FeatureMaps,
    regularity: Regularity,
    options: BoundaryOptions | None = None,
) -> tuple[np.ndarray, np.ndarray] | None:
    """Labels of core and rim in the rest with both boundaries refined; None without a core."""
    options = options or BoundaryOptions()
    core = tidy(labels == CORE, features.grid, options.tidy_mm)
    if not core.any():
        return None
    lesion = core | tidy(np.isin(labels, (CORE, RIM)), features.grid, options.tidy_mm / 2)
    window, grid = _around(core, features.grid)
    first = Boundaries(core[window].astype(np.float64), lesion[window].astype(np.float64))
    refined = _refined(first, features, window, grid, options, None)
    rest = np.zeros((*labels.shape, 3), dtype=np.float32)
    rest[..., 0] = 1
    zones = ("viable", "diffusion-damaged", "ablated")
    return compose(refined, window, rest, zones, features, regularity)


def compose(
    found: Boundaries,
    window: tuple[slice, slice],
    smooth: np.ndarray,
    zones: tuple[str, ...],
    features: FeatureMaps,
    regularity: Regularity,
) -> tuple[np.ndarray, np.ndarray]:
    """Labels and confidence from boundaries, the rest by its smoothed probability."""
    from scipy import ndimage

    tissue, shape = features.tissue, features.tissue.shape
    in_core, in_lesion = np.zeros(shape), np.zeros(shape)
    in_core[window], in_lesion[window] = found.core, found.lesion
    core = (in_core > 0.5) & tissue
    least = max(1, round(regularity.rim_mm / float(np.mean(features.grid.spacing))))
    lesion = (in_lesion > 0.5) | ndimage.binary_dilation(core, iterations=least)
    lesion &= tissue
    labels, share = label_rest(smooth, zones, tissue & ~lesion, features.grid, regularity)
    confidence = np.where(core, in_core, np.where(lesion, in_lesion - in_core, 1 - in_lesion))
    confidence = np.where(lesion, confidence, confidence * share)
    labels = np.where(core, CORE, np.where(lesion, RIM, labels))
    labels = np.where(tissue, labels, 0).astype(np.uint8)
    return labels, np.where(tissue, np.clip(confidence, 0, 1), 0).astype(np.float32)


def _refined(
    first: Boundaries,
    features: FeatureMaps,
    window: tuple[slice, slice],
    grid: Grid,
    options: BoundaryOptions,
    said: np.ndarray | None,
) -> Boundaries:
    from dataclasses import replace

    part = replace(
        features,
        raw=features.raw[(slice(None), *window)],
        tissue=features.tissue[window],
        grid=grid,
    )
    return refine(first, mixing(part.at(FINE_UM)), part.tissue, grid, options, said)


def _around(core: np.ndarray, grid: Grid) -> tuple[tuple[slice, slice], Grid]:
    """The window that holds a core and all that its boundaries can reach, and its grid."""
    spans = []
    for axis in (0, 1):
        held = np.flatnonzero(core.any(axis=1 - axis))
        margin = int(np.ceil(_MARGIN_MM / grid.spacing[axis]))
        spans.append((max(0, held[0] - margin), min(core.shape[axis], held[-1] + 1 + margin)))
    (top, bottom), (left, right) = spans
    origin = grid.to_mm(np.array([[top, left]]))[0]
    part = Grid(
        (bottom - top, right - left), grid.spacing, (float(origin[0]), float(origin[1])), grid.frame
    )
    return (slice(top, bottom), slice(left, right)), part


def _sides(painted: np.ndarray) -> np.ndarray:
    """Zone numbers as 1 core, 2 rim, 3 the rest, 0 unknown; an artefact says nothing."""
    sides = np.where(np.isin(painted, (0, ZONES["artefact"])), 0, 3)
    sides[painted == RIM] = 2
    sides[painted == CORE] = 1
    return sides
