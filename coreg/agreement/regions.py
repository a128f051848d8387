"""Regions as polygons, and their agreement fast enough for thousands of draws.

`measure` counts pixels and is the reference; here the same measures come from polygons, for the
Monte-Carlo of `intervals` and for curves over the threshold. Coordinates inside polygons are
(column, row), which is (x, y).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from coreg.agreement.boundaries import weighted_quantile
from coreg.agreement.measures import MEASURES
from coreg.geometry import Grid, Outline, outlines_from_mask

# A pixel without an estimate counts as this far below the level (per cent).
NO_ESTIMATE = -100.0
# Boundaries are cut to pieces of STEP_MM, or to MOST_PIECES where they are long: on a circle of
# 5 mm radius 200 chords miss it by 1 µm.
STEP_MM = 0.05
MOST_PIECES = 200


@dataclass(frozen=True)
class RegionRules:
    """What is kept of a thresholded map.

    smallest_mm2 : smaller pieces are dropped
    fill_holes_mm2 : holes up to this area are filled
    focus_mm : (depth, lateral); where given, only the piece nearest to it is kept
    """

    smallest_mm2: float = 0.0
    fill_holes_mm2: float = 0.0
    focus_mm: tuple[float, float] | None = None


def level_region(level: np.ndarray, grid: Grid, rules: RegionRules | None = None) -> Any:
    """The region where a smooth map is above 0, as a shapely geometry.

    Parameters
    ----------
    level : (rows, columns) float; NaN counts as far below. The outline is linear between pixels.
    """
    from contourpy import FillType, contour_generator

    padded = np.full((level.shape[0] + 2, level.shape[1] + 2), NO_ESTIMATE, dtype=level.dtype)
    np.copyto(padded[1:-1, 1:-1], level, where=~np.isnan(level))
    above = padded > 0
    rows, columns = np.flatnonzero(above.any(axis=1)), np.flatnonzero(above.any(axis=0))
    if not len(rows):
        return shapely.Polygon()
    corner = np.array([rows[0] - 1, columns[0] - 1])
    window = padded[corner[0] : rows[-1] + 2, corner[1] : columns[-1] + 2]
    generator = contour_generator(
        z=window, name="serial", fill_type=FillType.ChunkCombinedOffsetOffset
    )
    filled: Any = generator.filled(0.0, np.inf)  # its type depends on the fill type
    (points,), (starts,), (outer,) = filled
    origin = (np.array(grid.origin) + (corner - 1) * grid.spacing)[::-1]
    xy = np.asarray(points) * grid.spacing[::-1] + origin
    smallest = 0.0 if rules is None else rules.smallest_mm2
    return apply_rules(_polygons(xy, np.asarray(starts), np.asarray(outer), smallest), rules)


def _polygons(xy: np.ndarray, starts: np.ndarray, outer: np.ndarray, smallest: float) -> list[Any]:
    """Polygons of at least an area, their holes not taken off, from rings laid end to end.

    Noise makes many specks, so those that are too small never become polygons.

    Parameters
    ----------
    xy : (n, 2); starts : (rings + 1,), where each ring begins in `xy`, and the end
    outer : (polygons + 1,), the ring that is each polygon's outside, and the end
    """
    starts, outer = starts.astype(int), outer.astype(int)
    x, y = (xy - xy[0]).T
    cross = np.append(x[:-1] * y[1:] - x[1:] * y[:-1], 0.0)
    cross[starts[1:] - 1] = 0.0  # from the end of one ring to the start of the next
    areas = np.abs(np.add.reduceat(cross, starts[:-1])) / 2
    pieces = []
    for number in np.flatnonzero(areas[outer[:-1]] >= smallest):
        rings = range(outer[number], outer[number + 1])
        exterior, *holes = (xy[starts[k] : starts[k + 1]] for k in rings)
        pieces.append(shapely.Polygon(exterior, holes))
    return pieces


def apply_rules(pieces: list[Any], rules: RegionRules | None) -> Any:
    """Fill small holes, drop small pieces, keep the piece at the focus, and join what is left."""
    if rules is not None:
        pieces = [_filled(piece, rules.fill_holes_mm2) for piece in pieces]
        pieces = [piece for piece in pieces if piece.area >= rules.smallest_mm2]
        if rules.focus_mm is not None and pieces:
            focus = shapely.Point(rules.focus_mm[::-1])
            pieces = [min(pieces, key=focus.distance)]
    if len(pieces) == 1:
        return pieces[0] if pieces[0].is_valid else pieces[0].buffer(0)
    return shapely.union_all(pieces)


def _filled(piece: Any, largest_mm2: float) -> Any:
    """A polygon without its holes up to an area."""
    if not len(piece.interiors):
        return piece
    holes = [ring for ring in piece.interiors if shapely.Polygon(ring).area > largest_mm2]
    return shapely.Polygon(piece.exterior, holes)


def outlines_region(outlines: list[Outline] | tuple[Outline, ...]) -> Any:
    """The union of outlines as a shapely geometry; gaps below 0.02 mm between them close."""
    region = shapely.union_all([outline.polygon() for outline in outlines])
    return region.buffer(0.01).buffer(-0.01) if len(outlines) > 1 else region


def valid_region(valid: np.ndarray | None, grid: Grid) -> Any:
    """The region of validity as a prepared shapely geometry; the whole grid for None."""
    if valid is None or valid.all():
        top, left, bottom, right = grid.bounds
        region = shapely.box(left, top, right, bottom)
    else:
        region = shapely.union_all([o.polygon() for o in outlines_from_mask(valid, grid)])
    shapely.prepare(region)
    return region


def rings_of(region: Any) -> list[np.ndarray]:
    """All rings, holes too, as closed (n, 2) arrays in (row, column) mm."""
    if region.is_empty:
        return []
    parts = [part for part in shapely.get_parts(region) if part.geom_type == "Polygon"]
    return [shapely.get_coordinates(ring)[:, ::-1] for ring in shapely.get_rings(parts)]


def measure_regions(predicted: Any, pathology: Any, valid: Any) -> np.ndarray:
    """All of `MEASURES` of two regions inside the region of validity, in that order.

    Parameters
    ----------
    predicted, pathology, valid : shapely geometries in plane mm; `valid` prepared

    Returns
    -------
    (len(MEASURES),) float64, NaN by the rules of `Agreement`.
    """
    p, q = _inside(predicted, valid), _inside(pathology, valid)
    a, b, whole = p.area, q.area, valid.area
    both = shapely.intersection(p, q).area
    centre = _centroid(p) - _centroid(q)
    size_p = _extent(_main_piece(predicted, p, valid))
    size_q = _extent(_main_piece(pathology, q, valid))
    mean, hd95, hausdorff = _distances(
        _boundary(predicted, p, valid), _boundary(pathology, q, valid)
    )
    values = {
        "dice": _ratio(2 * both, a + b),
        "jaccard": _ratio(both, a + b - both),
        "sensitivity": _ratio(both, b),
        "specificity": _ratio(whole - a - b + both, whole - b),
        "precision": _ratio(both, a),
        "predicted_area_mm2": a,
        "pathology_area_mm2": b,
        "area_difference_mm2": a - b,
        "area_ratio": _ratio(a, b),
        "mean_boundary_distance_mm": mean,
        "hd95_mm": hd95,
        "hausdorff_mm": hausdorff,
        "centroid_offset_depth_mm": centre[0],
        "centroid_offset_lateral_mm": centre[1],
        "predicted_depth_mm": size_p[0],
        "predicted_width_mm": size_p[1],
        "pathology_depth_mm": size_q[0],
        "pathology_width_mm": size_q[1],
        "predicted_outside_valid_share": _ratio(predicted.area - a, predicted.area),
        "pathology_outside_valid_share": _ratio(pathology.area - b, pathology.area),
    }
    return np.array([values[name] for name in MEASURES], dtype=np.float64)


def _inside(region: Any, valid: Any) -> Any:
    return region if valid.contains_properly(region) else shapely.intersection(region, valid)


def _ratio(part: float, whole: float) -> float:
    return part / whole if whole > 0 else float("nan")


def _centroid(region: Any) -> np.ndarray:
    if region.is_empty:
        return np.full(2, np.nan)
    return shapely.get_coordinates(shapely.centroid(region))[0, ::-1]


def _main_piece(whole: Any, kept: Any, valid: Any) -> Any:
    """Of the piece with the largest area inside the region of validity, what lies inside."""
    pieces = shapely.get_parts(whole)
    if len(pieces) < 2:
        return kept
    inside = [_inside(piece, valid) for piece in pieces]
    return max(inside, key=shapely.area)


def _extent(region: Any) -> tuple[float, float]:
    """Extents along (row, column) in mm; 0 when empty."""
    if region.is_empty:
        return 0.0, 0.0
    left, top, right, bottom = region.bounds
    return bottom - top, right - left


@dataclass(frozen=True)
class _Line:
    points: np.ndarray  # (n, 2) middles of the pieces
    lengths: np.ndarray  # (n,)
    start: np.ndarray  # (n, 2) where each piece starts
    along: np.ndarray  # (n, 2) from its start to its end


def _boundary(whole: Any, kept: Any, valid: Any) -> _Line:
    """The boundary's pieces inside the region of validity (its own cut is no boundary)."""
    rings = rings_of(whole)
    if not rings:
        return _Line(np.empty((0, 2)), np.empty(0), np.empty((0, 2)), np.empty((0, 2)))
    step = max(STEP_MM, whole.length / MOST_PIECES)
    rings = [evenly(ring, step) for ring in rings]
    start = np.concatenate(rings)
    along = np.concatenate([np.roll(ring, -1, axis=0) for ring in rings]) - start
    middle = start + along / 2
    if kept is not whole:
        inside = shapely.contains_xy(valid, middle[:, 1], middle[:, 0])
        start, along, middle = start[inside], along[inside], middle[inside]
    return _Line(middle, np.linalg.norm(along, axis=1), start, along)


def evenly(ring: np.ndarray, step: float) -> np.ndarray:
    """An even number (8 or more) of points evenly along a closed ring, the end not repeated."""
    lengths = np.linalg.norm(np.diff(ring, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(lengths)])
    count = max(8, 2 * int(np.ceil(along[-1] / step / 2)))
    wanted = np.arange(count) * along[-1] / count
    return np.stack([np.interp(wanted, along, ring[:, axis]) for axis in (0, 1)], axis=1)


def _distances(first: _Line, second: _Line) -> tuple[float, float, float]:
    """Mean, 95th percentile and maximum, pooled as in `boundaries.distances_between`."""
    from scipy.spatial.distance import cdist

    if not len(first.points) or not len(second.points):
        return float("nan"), float("nan"), float("nan")
    between = cdist(first.points, second.points, "sqeuclidean")
    forth = _to_pieces(first.points, second, between.argmin(axis=1))
    back = _to_pieces(second.points, first, between.argmin(axis=0))
    total = first.lengths.sum() + second.lengths.sum()
    return (
        float((forth @ first.lengths + back @ second.lengths) / total),
        max(
            weighted_quantile(forth, first.lengths, 0.95),
            weighted_quantile(back, second.lengths, 0.95),
        ),
        float(max(forth.max(), back.max())),
    )


def _to_pieces(points: np.ndarray, line: _Line, which: np.ndarray) -> np.ndarray:
    """Distance of each point to the piece whose middle is nearest."""
    along, offset = line.along[which], points - line.start[which]
    squared = np.maximum(np.einsum("nj,nj->n", along, along), 1e-30)
    share = np.clip(np.einsum("nj,nj->n", offset, along) / squared, 0, 1)
    gap = offset - share[:, None] * along
    return np.sqrt(np.einsum("nj,nj->n", gap, gap))
