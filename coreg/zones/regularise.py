"""From probabilities of zones, cell by cell, to zones that hang together and lie in order."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coreg.geometry import ZONES, Grid

_MARGIN = 10
CORE, RIM = ZONES["ablated"], ZONES["diffusion-damaged"]


@dataclass(frozen=True)
class Regularity:
    """How smooth the zones are made, and what is known of their order.

    tv_weight : weight of the total variation that is taken out of the probabilities (Chambolle,
        J. Math. Imaging Vis. 2004;20:89-97, by scikit-image), for cells of `tv_cell_mm`; the
        larger, the shorter the boundaries
    concentric : the ablated zone lies inside the diffusion-damaged one and the whole in tissue;
        what is diffusion-damaged hangs together with an ablated core where there is any
    smallest_mm2 : pieces and holes of a zone below this go to what surrounds them
    rim_mm : the least width of the diffusion-damaged rim around the core: heat falls off
        continuously, so there is always one
    """

    tv_weight: float = 0.4
    concentric: bool = True
    smallest_mm2: float = 0.25
    rim_mm: float = 0.05


def regularise(
    probability: np.ndarray,
    zones: tuple[str, ...],
    tissue: np.ndarray,
    grid: Grid,
    options: Regularity | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Label every cell with a zone, smooth and in order.

    Parameters
    ----------
    probability : (rows, columns, zones), summing to 1 over the zones
    zones : the names of the zones, of `ZONES`
    tissue : bool (rows, columns); nothing is labelled elsewhere

    Returns
    -------
    labels : uint8 (rows, columns) in the numbers of `ZONES`, 0 outside the tissue
    confidence : float32 (rows, columns), the smoothed probability of the zone given
    """
    options = options or Regularity()
    numbers = np.array([ZONES[zone] for zone in zones], dtype=np.uint8)
    smooth = smoothed(probability, tissue, options.tv_weight)
    if options.concentric and "ablated" in zones and "diffusion-damaged" in zones:
        labels = _nested(smooth, zones, tissue, grid, options)
    else:
        labels = numbers[smooth.argmax(axis=-1)]
        labels = _without_crumbs(labels, tissue, options.smallest_mm2 / grid.pixel_area)
    labels = np.where(tissue, labels, 0).astype(np.uint8)
    given = np.full(int(ZONES["artefact"]) + 1, 0)
    given[numbers] = np.arange(len(numbers))
    confidence = np.take_along_axis(smooth, given[labels][..., None], axis=-1)[..., 0]
    return labels, np.where(labels > 0, np.clip(confidence, 0, 1), 0).astype(np.float32)


def smoothed(probability: np.ndarray, tissue: np.ndarray, weight: float) -> np.ndarray:
    """Probabilities (rows, columns, zones) with total variation taken out, glass left out of it."""
    from skimage.restoration import denoise_tv_chambolle

    # Glass beside the tissue must not pull on the zones at its edge.
    filled = fill_from_nearest(probability.astype(np.float32), tissue)
    unsure = filled.max(axis=-1) < 0.999
    if weight <= 0 or not unsure.any():
        return filled
    # Where all is certain and alike there is nothing to smooth.
    rows, columns = (np.flatnonzero(unsure.any(axis=axis)) for axis in (1, 0))
    window = (
        slice(max(0, rows[0] - _MARGIN), rows[-1] + 1 + _MARGIN),
        slice(max(0, columns[0] - _MARGIN), columns[-1] + 1 + _MARGIN),
    )
    smooth = denoise_tv_chambolle(filled[window], weight=weight, channel_axis=-1, max_num_iter=40)
    smooth = np.clip(smooth, 0, None)
    filled[window] = smooth / np.maximum(smooth.sum(axis=-1, keepdims=True), 1e-6)
    return filled


def label_rest(
    smooth: np.ndarray,
    zones: tuple[str, ...],
    where: np.ndarray,
    grid: Grid,
    options: Regularity,
) -> tuple[np.ndarray, np.ndarray]:
    """Label the cells `where` there is no lesion with the likeliest of the other zones.

    Returns
    -------
    labels : uint8 (rows, columns); cells elsewhere hold any of these zones, or 0 without others
    share : float32 (rows, columns), the probability of the zone given among the others
    """
    numbers = np.array([ZONES[zone] for zone in zones], dtype=np.uint8)
    others = np.flatnonzero(~np.isin(numbers, (CORE, RIM)))
    if not others.size:
        return np.zeros(where.shape, dtype=np.uint8), np.ones(where.shape, dtype=np.float32)
    rest = smooth[..., others]
    labels = numbers[others][rest.argmax(axis=-1)]
    labels = _without_crumbs(labels, where, options.smallest_mm2 / grid.pixel_area)
    at = np.zeros(int(numbers.max()) + 1, dtype=int)
    at[numbers[others]] = np.arange(len(others))
    given = np.take_along_axis(rest, at[labels][..., None], axis=-1)[..., 0]
    return labels, given / np.maximum(rest.sum(axis=-1), 1e-6)


def fill_from_nearest(values: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Values (rows, columns, ...) with unknown cells given that of the nearest known one."""
    from scipy import ndimage

    if known.all() or not known.any():
        return values
    nearest = ndimage.distance_transform_edt(~known, return_distances=False, return_indices=True)
    return values[tuple(nearest)]


def clean(mask: np.ndarray, smallest_px: float) -> np.ndarray:
    """A mask without pieces and holes of fewer than `smallest_px` pixels."""
    return ~_kept(~_kept(mask, smallest_px), smallest_px)


def largest_piece(mask: np.ndarray) -> np.ndarray:
    """The largest connected piece of a mask, its holes filled; empty for an empty mask."""
    from scipy import ndimage

    pieces, count = ndimage.label(mask)
    if not count:
        return mask
    sizes = np.bincount(pieces.ravel())
    sizes[0] = 0
    return ndimage.binary_fill_holes(pieces == sizes.argmax())


def _kept(mask: np.ndarray, smallest_px: float) -> np.ndarray:
    from scipy import ndimage

    pieces, count = ndimage.label(mask)
    if not count:
        return mask
    large = np.bincount(pieces.ravel()) >= smallest_px
    large[0] = False
    return large[pieces]


def _without_crumbs(labels: np.ndarray, tissue: np.ndarray, smallest_px: float) -> np.ndarray:
    """Pieces of any zone below the smallest size take the zone of the nearest larger piece."""
    large = np.zeros(labels.shape, dtype=bool)
    for number in np.unique(labels):
        large |= _kept((labels == number) & tissue, smallest_px)
    return fill_from_nearest(labels, large)


def _nested(
    smooth: np.ndarray,
    zones: tuple[str, ...],
    tissue: np.ndarray,
    grid: Grid,
    options: Regularity,
) -> np.ndarray:
    """Lesion and core are level sets of nested probabilities; the rest is labelled without them."""
    from scipy import ndimage

    smallest = options.smallest_mm2 / grid.pixel_area
    in_core = smooth[..., zones.index("ablated")]
    in_lesion = in_core + smooth[..., zones.index("diffusion-damaged")]
    core = clean((in_core > 0.5) & tissue, smallest) & tissue
    lesion = clean(((in_lesion > 0.5) | core) & tissue, smallest) & tissue
    if core.any():
        pieces, _ = ndimage.label(ndimage.binary_dilation(lesion, iterations=2))
        lesion &= np.isin(pieces, np.unique(pieces[core]))
        width = max(1, round(options.rim_mm / float(np.mean(grid.spacing))))
        lesion |= ndimage.binary_dilation(core, iterations=width) & tissue
    labels, _ = label_rest(smooth, zones, tissue & ~lesion, grid, options)
    labels[lesion] = RIM
    labels[core] = CORE
    return labels
