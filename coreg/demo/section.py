"""The section: where the knife cut the anatomy and how the piece then shrank, bent and turned."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from coreg.demo.scenario import Scenario
from coreg.geometry import Grid, as_points
from coreg.transforms import Affine, Warp

BEND_SPACING_MM = 2.0
BEND_SIGMA_MM = 6.0
MARGIN_MM = 2.0
INVERSE_SPACING_MM = 0.5


def elevation(scenario: Scenario, plane_points: np.ndarray) -> np.ndarray:
    """Elevation in mm of the section above each point (n, 2) of the imaging plane.

    The section plane passes `offset_mm` above the focus and rises along `tilt_direction_deg`
    (0 is lateral, 90 is depth).
    """
    direction = np.deg2rad(scenario.tilt_direction_deg)
    along = np.array([np.sin(direction), np.cos(direction)])
    rel = as_points(plane_points) - scenario.focus_mm
    return scenario.offset_mm + np.tan(np.deg2rad(scenario.tilt_deg)) * (rel @ along)


def cut_points(scenario: Scenario, plane_points: np.ndarray) -> np.ndarray:
    """The 3-D points (n, 3) of the section that project onto points (n, 2) of the plane."""
    return np.column_stack([plane_points, elevation(scenario, plane_points)])


def bend(scenario: Scenario) -> tuple[Grid, np.ndarray]:
    """The smooth random displacement (rows, columns, 2) in plane mm, largest `bend_mm`."""
    margin = 8.0
    rows = int(np.ceil((scenario.depth_mm + 2 * margin) / BEND_SPACING_MM)) + 1
    columns = int(np.ceil((scenario.lateral_mm + 2 * margin) / BEND_SPACING_MM)) + 1
    grid = Grid(
        (rows, columns),
        (BEND_SPACING_MM, BEND_SPACING_MM),
        (-margin, -scenario.lateral_mm / 2 - margin),
    )
    noise = scenario.rng("bend").standard_normal((rows, columns, 2))
    sigma = BEND_SIGMA_MM / BEND_SPACING_MM
    field = ndimage.gaussian_filter(noise, (sigma, sigma, 0), mode="reflect")
    field -= field.mean(axis=(0, 1))
    largest = np.linalg.norm(field, axis=2).max()
    return grid, field * (scenario.bend_mm / largest)


def true_transform(scenario: Scenario, tissue_plane_mm: np.ndarray) -> tuple[Warp, Grid]:
    """The transform that takes the imaging plane to the slide, and the slide's area.

    Parameters
    ----------
    tissue_plane_mm : (n, 2) points of the tissue's edge, plane mm; the slide is laid around them

    Returns
    -------
    transform : projection onto the section, bend, shrinkage, mirror and turn
    area : slide grid of 0.1 mm pixels from (0, 0) that holds the tissue and a margin
    """
    direction = np.deg2rad(scenario.tilt_direction_deg)
    along = np.array([np.sin(direction), np.cos(direction)])
    # Lengths along the tilt are longer on the section than in its projection.
    tilt = np.eye(2) + (1 / np.cos(np.deg2rad(scenario.tilt_deg)) - 1) * np.outer(along, along)
    shrink = np.diag(1 - np.asarray(scenario.shrinkage))
    mirror = np.diag([1.0, -1.0 if scenario.mirrored else 1.0])
    turn = np.deg2rad(scenario.turn_deg)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    matrix = rotation @ mirror @ shrink @ tilt
    grid, field = bend(scenario)
    free = Warp(Affine(matrix, np.zeros(2)), grid, field)
    edge = free.to_slide(tissue_plane_mm)
    low, high = edge.min(axis=0) - MARGIN_MM, edge.max(axis=0) + MARGIN_MM
    truth = Warp(Affine(matrix, -low), grid, field)
    spacing = 0.1
    shape = np.ceil((high - low) / spacing).astype(int)
    area = Grid(
        (int(shape[0]), int(shape[1])), (spacing, spacing), (spacing / 2, spacing / 2), "slide"
    )
    return truth, area


class PlaneOfSlide:
    """Slide mm to plane mm by interpolation of the exact inverse; fast for very many points.

    Cubic splines over 0.5 mm: within a micrometre of the exact inverse, since the bend is smooth.
    """

    def __init__(self, truth: Warp, area: Grid) -> None:
        top, left, bottom, right = area.bounds
        step, pad = INVERSE_SPACING_MM, 10
        shape = (int((bottom - top) / step) + 2 * pad + 1, int((right - left) / step) + 2 * pad + 1)
        self._grid = Grid(shape, (step, step), (top - pad * step, left - pad * step), "slide")
        plane = truth.to_plane(self._grid.centres()).reshape(*shape, 2)
        self._splines = [
            ndimage.spline_filter(plane[..., i], order=3, mode="nearest") for i in (0, 1)
        ]

    def __call__(self, slide_points: np.ndarray) -> np.ndarray:
        index = self._grid.to_index(slide_points).T
        return np.stack(
            [
                ndimage.map_coordinates(s, index, order=3, prefilter=False, mode="nearest")
                for s in self._splines
            ],
            axis=1,
        )


@dataclass(frozen=True)
class Tear:
    """A crack from the tissue's edge inwards: a wedge along a wavy line, in slide mm."""

    start: np.ndarray
    direction: np.ndarray
    length: float
    width: float
    phase: float

    def level(self, slide_points: np.ndarray) -> np.ndarray:
        """About the distance in mm to the crack's edge, positive inside the crack."""
        rel = as_points(slide_points) - self.start
        along = rel @ self.direction
        across = rel @ np.array([-self.direction[1], self.direction[0]])
        across = across - 0.25 * np.sin(1.3 * along + self.phase) - 0.06 * np.sin(7 * along)
        half = self.width / 2 * np.clip(1 - along / self.length, 0, None)
        return np.minimum(half - np.abs(across), np.minimum(along + 1.5, self.length - along))


def make_tear(scenario: Scenario, edge_slide_mm: np.ndarray, focus_slide_mm: np.ndarray) -> Tear:
    """A tear that starts at the edge, at least 7 mm from the treated region, and runs inwards."""
    rng = scenario.rng("tear")
    far = np.linalg.norm(edge_slide_mm - focus_slide_mm, axis=1) > 9.0
    candidates = edge_slide_mm[far] if far.any() else edge_slide_mm
    start = candidates[rng.integers(len(candidates))]
    inward = edge_slide_mm.mean(axis=0) - start
    inward = inward / np.linalg.norm(inward)
    sideways = np.array([-inward[1], inward[0]]) * rng.uniform(-0.5, 0.5)
    direction = (inward + sideways) / np.linalg.norm(inward + sideways)
    return Tear(
        start, direction, rng.uniform(4.0, 7.0), rng.uniform(0.35, 0.8), rng.uniform(0, 6.28)
    )
