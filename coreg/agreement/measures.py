"""Two masks and a region of validity → overlap, area and boundary measures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np

from coreg.agreement.boundaries import boundary_of, distances_between
from coreg.agreement.lesions import LesionMatch, match_lesions
from coreg.errors import InputError
from coreg.geometry import Grid, Outline, mask_from_outlines

NEITHER = "neither side has a lesion in the region of validity"
NO_PREDICTED = "no predicted lesion in the region of validity"
NO_PATHOLOGY = "no pathology lesion in the region of validity"
NO_BACKGROUND = "pathology covers the whole region of validity"
NO_BOUNDARY = "no boundary of one side lies in the region of validity"


@dataclass(frozen=True)
class Agreement:
    """How well a predicted lesion agrees with a pathology lesion inside the region of validity.

    Offsets and differences are predicted minus pathology. `hd95_mm` is the larger of the two
    directed 95th percentiles; `mean_boundary_distance_mm` pools both boundaries by length.

    Rules. Counted is only what lies in the region of validity; the shares of either mask left out
    are given. A measure that has no value is NaN and `reasons` says why: both masks empty, all
    overlap measures are NaN; one empty, Dice and Jaccard are 0, sensitivity needs a pathology
    lesion, precision a predicted one, distances, offset and ratio both. Where a mask runs into
    the image's edge or the edge of the region of validity that stretch is no boundary, and
    `predicted_touches_border` or `pathology_touches_border` is True: area and extent are then
    lower bounds. Several lesions are matched one to one (`lesions`); depth and width are those of
    the largest piece, so that a stray speck does not stretch them; all other measures take the
    pieces together.
    """

    dice: float
    jaccard: float
    sensitivity: float
    specificity: float
    precision: float
    predicted_area_mm2: float
    pathology_area_mm2: float
    area_difference_mm2: float
    area_ratio: float
    mean_boundary_distance_mm: float
    hd95_mm: float
    hausdorff_mm: float
    centroid_offset_depth_mm: float
    centroid_offset_lateral_mm: float
    predicted_depth_mm: float
    predicted_width_mm: float
    pathology_depth_mm: float
    pathology_width_mm: float
    predicted_outside_valid_share: float
    pathology_outside_valid_share: float
    valid_area_mm2: float
    predicted_touches_border: bool
    pathology_touches_border: bool
    lesions: LesionMatch
    reasons: dict[str, str] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON, units in the names; NaN becomes None, `reasons` says why."""
        values = {f.name: plain(getattr(self, f.name)) for f in fields(self) if f.name != "lesions"}
        values.update(
            predicted_lesions=self.lesions.predicted_count,
            pathology_lesions=self.lesions.pathology_count,
            matched_lesions=len(self.lesions.pairs),
            missed_lesions=len(self.lesions.missed),
            false_lesions=len(self.lesions.false),
            lesion_pairs=[
                {"predicted": i, "pathology": j, "dice": d} for i, j, d in self.lesions.pairs
            ],
        )
        return values


# The measures that are numbers with an interval, in the order in which tables show them.
MEASURES: tuple[str, ...] = tuple(
    f.name for f in fields(Agreement) if f.type == "float" and f.name != "valid_area_mm2"
)


def plain(value: Any) -> Any:
    """A value for JSON: NaN and infinity become None."""
    if isinstance(value, float | np.floating):
        return float(value) if np.isfinite(value) else None
    return value


def measure(
    predicted: np.ndarray,
    pathology: np.ndarray,
    grid: Grid,
    valid: np.ndarray | None = None,
    *,
    smallest_lesion_mm2: float = 0.0,
) -> Agreement:
    """Compare two masks on one grid.

    Parameters
    ----------
    predicted, pathology : (rows, columns) bool on `grid`. Areas are counted in pixels, so make
        the masks on `refined_grid(...)`; a mask that exists only on coarse pixels gains nothing.
    valid : (rows, columns) bool, where both sides can be judged; None means everywhere
    smallest_lesion_mm2 : smaller pieces are not counted as lesions (areas still count them)

    Raises
    ------
    InputError : shapes differ from the grid's, masks are not boolean, or nothing is valid
    """
    valid = np.ones(grid.shape, dtype=bool) if valid is None else valid
    for name, mask in (("predicted", predicted), ("pathology", pathology), ("valid", valid)):
        _check_mask(name, mask, grid)
    if not valid.any():
        raise InputError(
            "The region of validity is empty: field of view, quality mask, tissue and artefacts "
            "leave no pixel; check the alignment and the masks."
        )
    p, q = predicted & valid, pathology & valid
    reasons: dict[str, str] = {}
    values: dict[str, Any] = {}
    values.update(_overlap(p, q, valid, reasons))
    values.update(_areas(p, q, grid, reasons))
    distances = distances_between(
        boundary_of(predicted, grid, valid), boundary_of(pathology, grid, valid)
    )
    values["mean_boundary_distance_mm"] = distances.mean
    values["hd95_mm"], values["hausdorff_mm"] = distances.hd95, distances.hausdorff
    if np.isnan(distances.mean):
        reason = _missing(p, q) or NO_BOUNDARY
        reasons.update(
            dict.fromkeys(("mean_boundary_distance_mm", "hd95_mm", "hausdorff_mm"), reason)
        )
    values.update(_positions(p, q, grid, reasons))
    for side, whole, kept in (("predicted", predicted, p), ("pathology", pathology, q)):
        depth, width = _extent(_main_piece(whole, kept), grid)
        values[f"{side}_depth_mm"], values[f"{side}_width_mm"] = depth, width
    return Agreement(
        **values,
        predicted_outside_valid_share=_outside(predicted, p, "predicted", reasons),
        pathology_outside_valid_share=_outside(pathology, q, "pathology", reasons),
        valid_area_mm2=float(valid.sum()) * grid.pixel_area,
        predicted_touches_border=_touches(p, valid),
        pathology_touches_border=_touches(q, valid),
        lesions=match_lesions(p, q, max(1, int(np.ceil(smallest_lesion_mm2 / grid.pixel_area)))),
        reasons=reasons,
    )


def refined_grid(
    grid: Grid, regions: Sequence[Outline], across_px: int = 200, most_px: int = 16_000_000
) -> Grid:
    """The grid's area at a pixel size that puts `across_px` pixels across the smallest lesion.

    The smallest lesion is the piece whose shorter side (of its bounding box) is shortest. The
    grid is never made coarser, and never larger than `most_px` pixels.

    Parameters
    ----------
    regions : outlines in the grid's frame; none leaves the grid as it is
    """
    if not regions:
        return grid
    smallest = min(float(np.min(np.ptp(region.exterior, axis=0))) for region in regions)
    limit = np.sqrt(grid.size[0] * grid.size[1] / most_px)
    target = max(smallest / across_px, limit)
    # Whole parts of a pixel keep the edges where they are; at the limit they would pass it.
    ratios = [s / target for s in grid.spacing]
    parts = [max(1.0, np.floor(r) if target == limit else np.ceil(r - 1e-9)) for r in ratios]
    return grid.with_spacing((grid.spacing[0] / parts[0], grid.spacing[1] / parts[1]))


def measure_outlines(
    predicted: Sequence[Outline],
    pathology: Sequence[Outline],
    grid: Grid,
    valid: np.ndarray | None = None,
    *,
    across_px: int = 200,
    smallest_lesion_mm2: float = 0.0,
) -> Agreement:
    """Compare outlines in plane mm, the smallest lesion at least `across_px` pixels across.

    Parameters
    ----------
    predicted, pathology : outlines in the grid's frame (`outlines_from_mask` gives them from a
        map); pieces of a side may overlap: their union counts
    valid : (rows, columns) bool on `grid` (the coarse one), or None
    """
    fine = refined_grid(grid, [*predicted, *pathology], across_px)
    inside = None if valid is None else on_finer_grid(valid, grid, fine)
    return measure(
        mask_from_outlines(predicted, fine),
        mask_from_outlines(pathology, fine),
        fine,
        inside,
        smallest_lesion_mm2=smallest_lesion_mm2,
    )


def on_finer_grid(mask: np.ndarray, grid: Grid, fine: Grid) -> np.ndarray:
    """A mask (rows, columns) of `grid` on `fine`: a fine pixel takes the coarse one around it."""
    _check_mask("valid", mask, grid)
    rows = np.rint((fine.rows - grid.origin[0]) / grid.spacing[0]).astype(int)
    columns = np.rint((fine.columns - grid.origin[1]) / grid.spacing[1]).astype(int)
    rows, columns = np.clip(rows, 0, grid.shape[0] - 1), np.clip(columns, 0, grid.shape[1] - 1)
    return mask[np.ix_(rows, columns)]


def _check_mask(name: str, mask: np.ndarray, grid: Grid) -> None:
    if mask.shape != grid.shape or mask.dtype != bool:
        raise InputError(
            f"Expected the {name} mask as booleans of shape {grid.shape}, got {mask.dtype} of "
            f"shape {mask.shape}; bring it onto the grid first."
        )


def _missing(p: np.ndarray, q: np.ndarray) -> str:
    if not p.any():
        return NO_PREDICTED if q.any() else NEITHER
    return "" if q.any() else NO_PATHOLOGY


def _ratio(part: float, whole: float, name: str, why: str, reasons: dict[str, str]) -> float:
    if whole > 0:
        return part / whole
    reasons[name] = why
    return float("nan")


def _overlap(
    p: np.ndarray, q: np.ndarray, valid: np.ndarray, reasons: dict[str, str]
) -> dict[str, float]:
    both, a, b, n = (float(m.sum()) for m in (p & q, p, q, valid))
    return {
        "dice": _ratio(2 * both, a + b, "dice", NEITHER, reasons),
        "jaccard": _ratio(both, a + b - both, "jaccard", NEITHER, reasons),
        "sensitivity": _ratio(both, b, "sensitivity", NO_PATHOLOGY, reasons),
        "specificity": _ratio(n - a - b + both, n - b, "specificity", NO_BACKGROUND, reasons),
        "precision": _ratio(both, a, "precision", NO_PREDICTED, reasons),
    }


def _areas(p: np.ndarray, q: np.ndarray, grid: Grid, reasons: dict[str, str]) -> dict[str, float]:
    a, b = float(p.sum()) * grid.pixel_area, float(q.sum()) * grid.pixel_area
    return {
        "predicted_area_mm2": a,
        "pathology_area_mm2": b,
        "area_difference_mm2": a - b,
        "area_ratio": _ratio(a, b, "area_ratio", NO_PATHOLOGY, reasons),
    }


def _positions(
    p: np.ndarray, q: np.ndarray, grid: Grid, reasons: dict[str, str]
) -> dict[str, float]:
    offset = _centroid(p, grid) - _centroid(q, grid)
    if missing := _missing(p, q):
        reasons["centroid_offset_depth_mm"] = reasons["centroid_offset_lateral_mm"] = missing
    return {
        "centroid_offset_depth_mm": float(offset[0]),
        "centroid_offset_lateral_mm": float(offset[1]),
    }


def _centroid(mask: np.ndarray, grid: Grid) -> np.ndarray:
    """Centroid in mm; NaN when empty."""
    along_rows, along_columns = mask.sum(axis=1), mask.sum(axis=0)
    total = along_rows.sum()
    if not total:
        return np.full(2, np.nan)
    return np.array([along_rows @ grid.rows, along_columns @ grid.columns]) / total


def _main_piece(whole: np.ndarray, kept: np.ndarray) -> np.ndarray:
    """Of the piece with most pixels inside the region of validity, what lies inside.

    Pieces are those of the whole mask: a tear that is left out does not split a lesion.
    """
    from scipy import ndimage

    labels, count = ndimage.label(whole, structure=np.ones((3, 3)))
    if count < 2 or not kept.any():
        return kept
    largest = np.bincount(labels[kept], minlength=count + 1)[1:].argmax() + 1
    return kept & (labels == largest)


def _extent(mask: np.ndarray, grid: Grid) -> tuple[float, float]:
    """Extents along depth and lateral in mm, edge to edge; 0 when empty."""
    if not mask.any():
        return 0.0, 0.0
    spans = [np.ptp(np.flatnonzero(mask.any(axis=axis))) + 1 for axis in (1, 0)]
    return float(spans[0] * grid.spacing[0]), float(spans[1] * grid.spacing[1])


def _outside(whole: np.ndarray, kept: np.ndarray, name: str, reasons: dict[str, str]) -> float:
    total = float(whole.sum())
    key = f"{name}_outside_valid_share"
    return _ratio(total - float(kept.sum()), total, key, f"no {name} lesion at all", reasons)


def _touches(mask: np.ndarray, valid: np.ndarray) -> bool:
    """Whether a mask reaches the edge of the image or of the region of validity."""
    from scipy import ndimage

    inner = ndimage.binary_erosion(valid, np.ones((3, 3)), border_value=0)
    return bool((mask & ~inner).any())
