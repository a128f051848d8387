"""Editing outlines: smoothing to a stated tolerance, zone arithmetic, following edges, measures.

All in mm in the outline's own frame, independent of the magnification at which it is drawn.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from coreg.errors import InputError
from coreg.geometry import (
    ZONES,
    Grid,
    Image,
    Outline,
    as_points,
    mask_from_outlines,
    outlines_from_mask,
    same_frame,
)

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

# Smoothing takes off corners that are real, too; it stops before it changes an area by more.
LARGEST_AREA_CHANGE = 0.01

Operation = Literal["union", "intersection", "difference"]


@dataclass(frozen=True)
class ZoneRules:
    """How zones may lie to one another when they are put in order.

    ablated_inside_tumour : cut the ablated zone to the tumour; False lets it pass the tumour's edge
    tumour_keeps_lesion : the tumour outline keeps the part that was ablated or damaged (its
        outline as a pathologist draws it); False takes these parts out, so that no zones overlap
    smallest_mm2 : pieces and holes smaller than this are dropped
    """

    ablated_inside_tumour: bool = False
    tumour_keeps_lesion: bool = True
    smallest_mm2: float = 0.0


@dataclass(frozen=True)
class Size:
    """Area in mm² with holes taken out, and perimeter in mm of the outer rings and the holes."""

    area: float
    perimeter: float
    pieces: int


def measure(outlines: Outline | Iterable[Outline]) -> Size:
    """Area and perimeter of the union of outlines; zeros for none."""
    region = _union([outlines] if isinstance(outlines, Outline) else list(outlines))
    pieces = [p for p in _parts(region) if p.area > 0]
    return Size(float(region.area), float(sum(p.length for p in pieces)), len(pieces))


def combine(
    first: Iterable[Outline], second: Iterable[Outline], operation: Operation
) -> list[Outline]:
    """Zone arithmetic: the union, intersection or difference of two sets of outlines.

    The result carries the zone and the observer of the first outline of `first` (of `second`
    where `first` is empty); it is empty where nothing is left.

    Raises
    ------
    FrameError : outlines in different frames
    InputError : an unknown operation
    """
    first, second = list(first), list(second)
    if operation not in ("union", "intersection", "difference"):
        raise InputError(
            f"Unknown operation {operation!r}; use 'union', 'intersection' or 'difference'."
        )
    if not first and not second:
        return []
    same_frame(*first, *second)
    region = getattr(_union(first), operation)(_union(second))
    return _outlines(region, (first or second)[0])


def arrange(outlines: Iterable[Outline], rules: ZoneRules | None = None) -> list[Outline]:
    """Put the outlines of one observer in the order that a thermal lesion has.

    Each zone's pieces are joined; the ablated zone is cut out of the diffusion-damaged one;
    tumour, ablated and diffusion-damaged are cut to the tissue where a tissue outline is given;
    artefacts are taken out of all of them. Two observers' outlines are kept apart.
    """
    rules = rules or ZoneRules()
    outlines = list(outlines)
    arranged: list[Outline] = []
    for observer in dict.fromkeys(outline.observer for outline in outlines):
        own = [outline for outline in outlines if outline.observer == observer]
        same_frame(*own)
        arranged.extend(_arrange_one(own, rules))
    return arranged


def smooth(outline: Outline, tolerance: float) -> Outline:
    """Smooth the rings so that no point of the boundary moves by more than `tolerance` mm.

    Each ring is resampled evenly and low-passed along its length by a Gaussian, the widest that
    keeps the Hausdorff distance to the drawn ring within four fifths of the tolerance and its area
    within 1 %; vertices that the rest of the tolerance makes needless are then dropped. Holes that
    would leave the exterior keep their drawn shape.

    Raises
    ------
    InputError : a tolerance that is not a number of at least 0
    """
    if not (np.isfinite(tolerance) and tolerance >= 0):
        raise InputError(f"Expected a tolerance of at least 0 mm, got {tolerance}.")
    if tolerance == 0:
        return outline
    exterior = _smooth_ring(outline.exterior, tolerance)
    holes = tuple(_smooth_ring(hole, tolerance) for hole in outline.holes)
    smoothed = replace(outline, exterior=exterior, holes=holes)
    if not _sound(smoothed):
        smoothed = replace(outline, exterior=exterior)
    return smoothed if _sound(smoothed) else outline


def to_labels(outlines: Iterable[Outline], grid: Grid) -> np.ndarray:
    """Paint outlines on a grid as a label map, uint8 in the numbers of `ZONES`, 0 elsewhere.

    Later zones of `ZONES` cover earlier ones: ablated covers diffusion-damaged covers tumour, and
    artefact covers all.
    """
    outlines = list(outlines)
    labels = np.zeros(grid.shape, dtype=np.uint8)
    for zone, number in ZONES.items():
        labels[mask_from_outlines([o for o in outlines if o.zone == zone], grid)] = number
    return labels


def from_labels(
    labels: np.ndarray,
    grid: Grid,
    *,
    smallest_mm2: float = 0.0,
    observer: str = "",
    made_by: str = "",
) -> list[Outline]:
    """Outlines of every zone in a label map."""
    return [
        outline
        for zone, number in ZONES.items()
        for outline in outlines_from_mask(
            labels == number,
            grid,
            smallest_mm2=smallest_mm2,
            zone=zone,
            observer=observer,
            made_by=made_by,
        )
    ]


class EdgeFollower:
    """A line that follows edges in an image between clicks.

    The cheapest path over pixels, cheap on strong edges (Mortensen & Barrett, "Intelligent
    scissors for image composition", SIGGRAPH 1995: the principle, with the gradient's magnitude
    as the only cost), by scikit-image's minimum-cost path with diagonal steps counted as long as
    they are.

    Parameters
    ----------
    image : (rows, columns) grey or (rows, columns, channels); NaN counts as the image's median
    scale : Gaussian width in mm at which edges are looked for; None for 1.5 pixels
    margin : in mm; the path stays within this of the straight line's bounding box
    """

    def __init__(self, image: Image, *, scale: float | None = None, margin: float = 1.0) -> None:
        from scipy import ndimage

        self.grid = image.grid
        self.margin = margin
        spacing = np.array(self.grid.spacing)
        sigma = np.full(2, 1.5) if scale is None else scale / spacing
        data = image.data.astype(np.float32)
        strength = np.zeros(self.grid.shape, dtype=np.float32)
        for channel in np.moveaxis(data[..., None] if data.ndim == 2 else data, -1, 0):
            known = np.isfinite(channel)
            middle = float(np.median(channel[known])) if known.any() else 0.0
            filled = np.where(known, channel, middle)
            strength += ndimage.gaussian_gradient_magnitude(filled, sigma) ** 2
        strength = np.sqrt(strength)
        high = float(np.percentile(strength, 99)) if strength.any() else 1.0
        self._cost = 0.02 + (1 - np.clip(strength / high, 0, 1)) ** 2

    def path(self, start: Sequence[float], end: Sequence[float]) -> np.ndarray:
        """The path between two points in mm: (n, 2) mm from `start` to `end`, both included.

        Raises
        ------
        InputError : a point outside the image
        """
        from skimage.graph import route_through_array

        ends = as_points([start, end])
        if not self.grid.contains(ends).all():
            raise InputError("An edge can only be followed inside the image; click within it.")
        index = np.clip(np.rint(self.grid.to_index(ends)), 0, np.array(self.grid.shape) - 1)
        reach = np.ceil(self.margin / np.array(self.grid.spacing))
        low = np.maximum(index.min(axis=0) - reach, 0).astype(int)
        high = np.minimum(index.max(axis=0) + reach + 1, self.grid.shape).astype(int)
        window = self._cost[low[0] : high[0], low[1] : high[1]]
        first, last = ((i - low).astype(int) for i in index)
        steps, _ = route_through_array(window, first, last, geometric=True)
        inner = self.grid.to_mm(np.array(steps[1:-1], dtype=float).reshape(-1, 2) + low)
        return np.vstack([ends[:1], inner, ends[1:]])

    def outline(self, clicks: Sequence[Sequence[float]], **labels: str) -> Outline:
        """A closed outline through clicks (n, 2) in mm, n >= 3; `labels` as in `Outline`.

        Raises
        ------
        InputError : fewer than 3 clicks, a click outside the image
        """
        points = as_points(clicks)
        if len(points) < 3:
            raise InputError(f"A closed outline needs at least 3 clicks, got {len(points)}.")
        pieces = [
            self.path(a, b)[:-1] for a, b in zip(points, np.roll(points, -1, axis=0), strict=True)
        ]
        labels.setdefault("made_by", "edge followed between clicks")
        return Outline(np.concatenate(pieces), self.grid.frame, **labels)  # type: ignore[arg-type]


def _union(outlines: list[Outline]) -> BaseGeometry:
    import shapely

    return shapely.union_all([outline.polygon() for outline in outlines])


def _parts(region: BaseGeometry) -> list[BaseGeometry]:
    import shapely

    return [part for part in shapely.get_parts(region) if part.geom_type == "Polygon"]


def _outlines(region: BaseGeometry, like: Outline, smallest_mm2: float = 0.0) -> list[Outline]:
    """The polygons of a shapely region as outlines named as `like`, the largest first."""
    from shapely.geometry import Polygon

    least = max(smallest_mm2, 1e-12)
    found = []
    for part in sorted(_parts(region), key=lambda p: -p.area):
        if part.area < least:
            continue
        holes = [ring for ring in part.interiors if Polygon(ring).area >= least]
        found.append(
            replace(
                like,
                exterior=np.asarray(part.exterior.coords)[:, 1::-1],
                holes=tuple(np.asarray(ring.coords)[:, 1::-1] for ring in holes),
            )
        )
    return found


def _arrange_one(outlines: list[Outline], rules: ZoneRules) -> list[Outline]:
    regions = {
        zone: _union([outline for outline in outlines if outline.zone == zone])
        for zone in dict.fromkeys(outline.zone for outline in outlines)
    }
    empty = _union([])
    tissue, tumour = regions.get("tissue"), regions.get("tumour")
    for zone in ("tumour", "diffusion-damaged", "ablated"):
        if zone not in regions:
            continue
        if tissue is not None:
            regions[zone] = regions[zone].intersection(tissue)
        regions[zone] = regions[zone].difference(regions.get("artefact", empty))
    if "ablated" in regions and tumour is not None and rules.ablated_inside_tumour:
        regions["ablated"] = regions["ablated"].intersection(tumour)
    ablated = regions.get("ablated", empty)
    if "diffusion-damaged" in regions:
        regions["diffusion-damaged"] = regions["diffusion-damaged"].difference(ablated)
    if tumour is not None and not rules.tumour_keeps_lesion:
        lesion = ablated.union(regions.get("diffusion-damaged", empty))
        regions["tumour"] = regions["tumour"].difference(lesion)
    named = {outline.zone: outline for outline in reversed(outlines)}
    return [
        outline
        for zone, region in regions.items()
        for outline in _outlines(region, named[zone], rules.smallest_mm2)
    ]


def _smooth_ring(ring: np.ndarray, tolerance: float) -> np.ndarray:
    """The smoothest of a series of low-passed rings that stays within `tolerance` of `ring`."""
    from scipy.ndimage import gaussian_filter1d
    from shapely.geometry import Polygon

    drawn = Polygon(ring)
    step = min(tolerance / 4, drawn.exterior.length / 64)
    count = max(64, int(np.ceil(drawn.exterior.length / step)))
    along = np.linspace(0, drawn.exterior.length, count, endpoint=False)
    even = np.array([drawn.exterior.interpolate(s).coords[0] for s in along])
    best, low, high = ring, 0.0, 10 * tolerance / step
    for _ in range(14):
        sigma = (low + high) / 2
        once = gaussian_filter1d(even, sigma, axis=0, mode="wrap")
        # What one pass took off is smoothed and given back, so that round shapes do not shrink.
        candidate = once + gaussian_filter1d(even - once, sigma, axis=0, mode="wrap")
        tried = Polygon(candidate)
        moved = tried.exterior.hausdorff_distance(drawn.exterior)
        if moved <= 0.8 * tolerance and abs(tried.area / drawn.area - 1) <= LARGEST_AREA_CHANGE:
            best, low = candidate, sigma
        else:
            high = sigma
    thinned = Polygon(best).simplify(0.2 * tolerance)
    return np.asarray(thinned.exterior.coords)[:-1]


def _sound(outline: Outline) -> bool:
    from shapely.geometry import Polygon

    return bool(Polygon(outline.exterior, outline.holes).is_valid)
