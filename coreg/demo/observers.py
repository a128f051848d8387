"""What observers mark: landmarks in both pictures, outlines on the section, with their errors."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import ndimage

from coreg.demo.anatomy import Anatomy, Levels
from coreg.demo.scenario import Scenario
from coreg.geometry import Grid, Outline, outlines_from_mask
from coreg.landmark_pairs import LandmarkPairs

# Points are placed better on the section than in the speckle of the B-mode.
SLIDE_SHARE_OF_LANDMARK_ERROR = 0.25


def anatomical_points(
    anatomy: Anatomy, elevation: Callable[[np.ndarray], np.ndarray]
) -> dict[str, np.ndarray]:
    """Named points of the anatomy as seen in one cut, as (depth, lateral) in mm.

    Parameters
    ----------
    elevation : elevation in mm of the cut above plane points (n, 2)

    A point that the cut does not show is left out.
    """

    def levels(plane: np.ndarray) -> Levels:
        return anatomy.levels(np.column_stack([plane, elevation(plane)]))

    centre = anatomy.kidney_centre[:2]
    along, hilum = (axis[:2] / np.linalg.norm(axis[:2]) for axis in anatomy.axes[:2])
    long, wide, _ = anatomy.scenario.kidney_semiaxes_mm
    sinus = centre + 0.62 * wide * hilum
    tumour = anatomy.tumour_centre[:2]
    rays = {
        "upper pole": ("tissue", centre, -along),
        "capsule, outer, upper": ("tissue", centre, -0.64 * along - 0.77 * hilum),
        "capsule, outer, middle": ("tissue", centre, -hilum),
        "capsule, outer, lower": ("tissue", centre, 0.5 * along - 0.87 * hilum),
        "hilar lip, upper": ("tissue", centre - 0.42 * long * along, hilum),
        "hilar lip, lower": ("tissue", centre + 0.36 * long * along, hilum),
        "papilla tip": ("papilla", centre, hilum),
        "renal sinus, upper end": ("sinus", sinus - 2.0 * along, -along),
        "renal sinus, lower end": ("sinus", sinus + 2.0 * along, along),
        "corticomedullary junction, outer": ("medulla", centre - 0.2 * wide * hilum, -hilum),
        "corticomedullary junction, upper": ("medulla", centre - 0.3 * long * along, -along),
        "tumour, far edge": ("tissue", tumour, along),
    }
    found: dict[str, np.ndarray | None] = {}
    for name, (level, start, direction) in rays.items():
        found[name] = _last_crossing(levels, level, start, direction)
    for which, name in enumerate(("vessel, upper branch", "vessel, lower branch")):
        found[name] = _vessel(anatomy, which, elevation)
    for name, side in (("outer", -1.0), ("inner", 1.0)):
        start = tumour + 0.8 * anatomy.scenario.tumour_radius_mm * (side * hilum - 0.5 * along)
        found[f"tumour-kidney angle, {name}"] = _meeting(levels, start)
    return {name: point for name, point in found.items() if point is not None}


def _last_crossing(
    levels: Callable[[np.ndarray], Levels], name: str, start: np.ndarray, direction: np.ndarray
) -> np.ndarray | None:
    """Where a ray last leaves a structure; None where it never does."""
    steps = np.linspace(0, 26.0, 521)[:, None]
    line = start + steps * direction / np.linalg.norm(direction)
    values = getattr(levels(line), name)
    leaves = np.flatnonzero((values[:-1] > 0) & (values[1:] <= 0))
    if not len(leaves):
        return None
    i = leaves[-1]
    share = values[i] / (values[i] - values[i + 1])
    return line[i] + share * (line[i + 1] - line[i])


def _vessel(
    anatomy: Anatomy, which: int, elevation: Callable[[np.ndarray], np.ndarray]
) -> np.ndarray | None:
    """Centre of a vessel's profile: where its middle line passes the cut."""
    origin, direction = anatomy.vessel_axis(which)
    local = origin + np.linspace(-8, 8, 1601)[:, None] * direction
    line = anatomy.unbent(local)
    above = line[:, 2] - elevation(line[:, :2])
    passes = np.flatnonzero(np.sign(above[:-1]) != np.sign(above[1:]))
    if not len(passes):
        return None
    i = passes[0]
    share = above[i] / (above[i] - above[i + 1])
    return (line[i] + share * (line[i + 1] - line[i]))[:2]


def _meeting(levels: Callable[[np.ndarray], Levels], start: np.ndarray) -> np.ndarray | None:
    """Where the surfaces of kidney and tumour meet, by Newton steps from a start."""

    def both(points: np.ndarray) -> np.ndarray:
        found = levels(points)
        return np.stack([found.kidney, found.tumour], axis=1)

    point, h = np.array(start), 1e-3
    for _ in range(30):
        around = both(point + h * np.array([[0, 0], [1, 0], [0, 1.0]]))
        slope = (around[1:] - around[0]).T / h
        if abs(np.linalg.det(slope)) < 1e-3:
            return None
        step = np.linalg.solve(slope, around[0])
        point = point - step * min(1.0, 1.0 / np.linalg.norm(step))
        if np.linalg.norm(step) < 1e-4:
            return point if np.linalg.norm(point - start) < 8.0 else None
    return None


def observed_landmarks(
    scenario: Scenario,
    on_plane: dict[str, np.ndarray],
    on_slide: dict[str, np.ndarray],
    observer: int,
) -> LandmarkPairs:
    """The landmarks that both pictures show, with the observer's error on both sides."""
    names = tuple(name for name in on_plane if name in on_slide)
    rng = scenario.rng("landmarks", observer)
    error = rng.normal(0, scenario.landmark_error_mm, size=(2, len(names), 2))
    plane = np.array([on_plane[name] for name in names]) + error[0]
    slide = np.array([on_slide[name] for name in names])
    slide = slide + SLIDE_SHARE_OF_LANDMARK_ERROR * error[1]
    observers = (observer_name(observer),) * len(names)
    return LandmarkPairs(plane, slide, names, observers)


def observer_name(observer: int) -> str:
    """The name of one observer, numbered from 1."""
    return f"observer {observer}"


def observed_outlines(
    scenario: Scenario, regions: dict[str, np.ndarray], grid: Grid, observer: int
) -> list[Outline]:
    """Outlines of regions as one observer would draw them.

    Each edge is moved by a smooth random distance with the scenario's outline error (SD), part of
    it the observer's own habit of drawing wide or tight.

    Parameters
    ----------
    regions : zone → bool (rows, columns) on `grid`
    """
    rng = scenario.rng("outlines", observer)
    error = scenario.outline_error_mm
    habit = rng.normal(0, 0.5 * error)
    sigma = 1.5 / grid.spacing[0]
    outlines = []
    for zone, region in regions.items():
        noise = ndimage.gaussian_filter(rng.standard_normal(grid.shape), sigma, mode="reflect")
        noise *= np.sqrt(0.75) * error / max(noise.std(), 1e-12)
        if not region.any():
            continue
        moved = edge_distance(region, grid) + habit + noise
        outlines += outlines_from_mask(
            moved,
            grid,
            level=0.0,
            smallest_mm2=0.2,
            zone=zone,
            observer=observer_name(observer),
            made_by="by hand",
        )
    return outlines


def edge_distance(region: np.ndarray, grid: Grid) -> np.ndarray:
    """Distance in mm to the edge of a region, positive inside."""
    inside = ndimage.distance_transform_edt(region, sampling=grid.spacing)
    outside = ndimage.distance_transform_edt(~region, sampling=grid.spacing)
    half = 0.5 * grid.spacing[0]
    return np.where(region, inside - half, half - outside)
