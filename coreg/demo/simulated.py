"""One invented case in memory: what the user would get, and the truth behind it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from coreg.demo import observers, recording, section, ultrasound
from coreg.demo.animal import Animal, State, zones
from coreg.demo.scenario import Scenario
from coreg.errors import InputError
from coreg.geometry import ZONES, Grid, Image, Outline, outlines_from_mask
from coreg.landmark_pairs import LandmarkPairs
from coreg.transforms import Warp

if TYPE_CHECKING:
    from coreg.demo.histology import Renderer


def simulate(scenario: Scenario) -> Simulated:
    """Make one case. The B-mode, the recording and the section's picture are made when asked for.

    Returns
    -------
    Simulated, the same for the same scenario
    """
    animal = Animal(scenario)
    grid = recording.plane_grid(scenario)
    points = ultrasound.plane_points(grid)
    levels = animal.anatomy.levels(points)
    times = animal.treatment_times_s
    sensitivity = animal.sensitivity(points)
    fraction = np.stack(
        [
            recording.coagulated_fraction(animal.log_dose(points, k), sensitivity)
            for k in range(len(times))
        ]
    ).reshape(-1, *grid.shape)
    stiffness = recording.native_stiffness(levels, scenario).reshape(grid.shape)
    fine = grid.with_spacing(scenario.truth_spacing_mm)
    # The slide is laid around the tissue that was cut, found on a coarse grid of the plane.
    around = Grid((56, 56), (1.0, 1.0), (-8.0, -28.0))
    cut = section.cut_points(scenario, around.centres())
    edge = around.centres()[animal.anatomy.levels(cut).tissue > -1.0]
    truth, area = section.true_transform(scenario, edge)
    return Simulated(
        scenario=scenario,
        animal=animal,
        plane=grid,
        treatment_times_s=times,
        amplitude_truth=recording.amplitude(scenario, grid, stiffness, fraction),
        correlation=recording.correlation(scenario, grid, levels),
        truth=truth,
        zones_plane_grid=fine,
        zones_slide_grid=area.with_spacing(scenario.truth_spacing_mm),
    )


@dataclass(frozen=True, eq=False)
class Simulated:
    """One invented case.

    Parameters
    ----------
    plane : pixels of the recording and of all maps on the imaging plane
    treatment_times_s : (times,), the first the baseline
    amplitude_truth : (times, depth, lateral) float32, µm peak to peak, as a noise-free tracking
        would see it
    correlation : (depth, lateral) float32 in 0–1, of successive echoes
    truth : plane to slide
    zones_plane_grid, zones_slide_grid : pixels of the truth's label maps
    """

    scenario: Scenario
    animal: Animal
    plane: Grid
    treatment_times_s: np.ndarray
    amplitude_truth: np.ndarray
    correlation: np.ndarray
    truth: Warp
    zones_plane_grid: Grid
    zones_slide_grid: Grid

    @cached_property
    def bmode(self) -> Image:
        """B-mode of the imaging plane on its own, finer pixels; dB, float32 in [-60, 0]."""
        return ultrasound.bmode(self.scenario, self.animal.anatomy)

    @cached_property
    def displacement(self) -> np.ndarray:
        """The recording, float32 (times, frames, depth, lateral) in µm."""
        return recording.record(self.scenario, self.plane, self.amplitude_truth, self.correlation)

    @property
    def change_truth(self) -> np.ndarray:
        """(depth, lateral) relative change in per cent, last against baseline, noise-free."""
        first, last = self.amplitude_truth[0], self.amplitude_truth[-1]
        return 100.0 * (last - first) / first

    @cached_property
    def plane_of_slide(self) -> section.PlaneOfSlide:
        """Slide mm (n, 2) to plane mm (n, 2), within 1 µm of ``truth.to_plane``, fast."""
        return section.PlaneOfSlide(self.truth, self.zones_slide_grid)

    @cached_property
    def tear(self) -> section.Tear | None:
        """The tear of the section, or None."""
        if not self.scenario.tear:
            return None
        edge = np.concatenate([outline.exterior for outline in self._untorn_outline])
        return section.make_tear(
            self.scenario, edge, self.truth.to_slide(self.scenario.focus_mm)[0]
        )

    @cached_property
    def _plane_state(self) -> State:
        return self.animal.state(ultrasound.plane_points(self.zones_plane_grid))

    @cached_property
    def _slide_state(self) -> State:
        return self.state_at_slide(self.zones_slide_grid.centres())

    def state_at_slide(self, slide_points: np.ndarray) -> State:
        """What was cut at slide points (n, 2)."""
        plane = self.plane_of_slide(slide_points)
        return self.animal.state(section.cut_points(self.scenario, plane))

    @cached_property
    def zones_plane(self) -> np.ndarray:
        """Truth on the imaging plane: uint8 `ZONES` numbers on `zones_plane_grid`, 0 off tissue."""
        return zones(self._plane_state).reshape(self.zones_plane_grid.shape)

    @cached_property
    def zones_slide(self) -> np.ndarray:
        """Truth of what was cut: uint8 `ZONES` numbers on `zones_slide_grid`; tear: artefact."""
        labels = zones(self._slide_state)
        if self.tear is not None:
            torn = self.tear.level(self.zones_slide_grid.centres()) > 0
            labels[torn & (labels > 0)] = ZONES["artefact"]
        return labels.reshape(self.zones_slide_grid.shape)

    @cached_property
    def renderer(self) -> Renderer:
        """Paints any part of the section at any pixel size."""
        from coreg.demo.histology import Renderer

        return Renderer(self)

    def section_image(self, um_per_px: float) -> Image:
        """The stained section, RGB uint8 on the slide; use `renderer` for a part of it."""
        grid = self.zones_slide_grid.with_spacing(um_per_px / 1000.0)
        return Image(self.renderer.region(grid, (0, 0), grid.shape), grid)

    def landmarks(self, observer: int = 1) -> LandmarkPairs:
        """Pairs of anatomical landmarks with the observer's error.

        On the section a landmark lies where the same structure was cut, which off the imaging
        plane is not where the plane's landmark projects to. The error (SD along each axis) is
        `landmark_error_mm` in the imaging plane and a quarter of that on the slide.
        """
        return observers.observed_landmarks(self.scenario, *self._landmarks, observer)

    def true_landmarks(self) -> LandmarkPairs:
        """The landmarks without an observer's error."""
        plane, slide = self._landmarks
        names = tuple(name for name in plane if name in slide)
        return LandmarkPairs(
            np.array([plane[name] for name in names]),
            np.array([slide[name] for name in names]),
            names,
        )

    @cached_property
    def _landmarks(self) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
        anatomy = self.animal.anatomy
        plane = observers.anatomical_points(anatomy, lambda p: np.zeros(len(p)))
        inside = self.plane.contains(np.array(list(plane.values())))
        plane = {k: v for (k, v), seen in zip(plane.items(), inside, strict=True) if seen}
        cut = observers.anatomical_points(anatomy, lambda p: section.elevation(self.scenario, p))
        return plane, {name: self.truth.to_slide(point)[0] for name, point in cut.items()}

    def _slide_fields(self) -> dict[str, np.ndarray]:
        """Smooth maps of each zone's region on `zones_slide_grid`, positive inside.

        The tumour is all of it, treated or not; the diffusion-damaged rim is a ring.
        """
        state = self._slide_state
        tissue = state.levels.tissue
        if self.tear is not None:
            crack = self.tear.level(self.zones_slide_grid.centres())
        else:
            crack = np.full(len(tissue), -np.inf)
        fields = {
            "tumour": np.minimum(state.levels.tumour, tissue),
            "ablated": np.minimum(state.ablation, tissue),
            "diffusion-damaged": np.minimum(np.minimum(state.rim, -state.ablation), tissue),
            "artefact": np.maximum(np.minimum(crack, tissue + 0.05), -1.0),
        }
        return {k: v.reshape(self.zones_slide_grid.shape) for k, v in fields.items()}

    def true_outlines(self) -> list[Outline]:
        """Outlines of the true zones on the slide: the whole tumour, ablated, the rim, tears."""
        return [
            outline
            for zone, values in self._slide_fields().items()
            for outline in outlines_from_mask(
                values,
                self.zones_slide_grid,
                level=0.0,
                smallest_mm2=0.05,
                zone=zone,
                made_by="truth",
            )
        ]

    def outlines(self, observer: int = 1) -> list[Outline]:
        """The zones on the slide as one observer draws them, with `outline_error_mm` (SD)."""
        regions = {zone: values > 0 for zone, values in self._slide_fields().items()}
        rim, core = regions.pop("diffusion-damaged"), regions["ablated"]
        # The rim's inner edge is drawn once, as the core's; its outer edge on its own.
        regions["diffusion-damaged"] = rim | core
        return observers.observed_outlines(self.scenario, regions, self.zones_slide_grid, observer)

    def tissue_outline_plane(self) -> list[Outline]:
        """Kidney and tumour in the imaging plane."""
        return outlines_from_mask(
            self._plane_state.levels.tissue.reshape(self.zones_plane_grid.shape),
            self.zones_plane_grid,
            level=0.0,
            smallest_mm2=1.0,
            zone="tissue",
            made_by="truth",
        )

    @cached_property
    def _untorn_outline(self) -> list[Outline]:
        return outlines_from_mask(
            self._slide_state.levels.tissue.reshape(self.zones_slide_grid.shape),
            self.zones_slide_grid,
            level=0.0,
            smallest_mm2=1.0,
            zone="tissue",
            made_by="truth",
        )

    def tissue_outline_slide(self) -> list[Outline]:
        """The section on the glass, tears left out."""
        values = self._slide_state.levels.tissue.reshape(self.zones_slide_grid.shape)
        if self.tear is not None:
            crack = self.tear.level(self.zones_slide_grid.centres())
            values = np.minimum(values, -crack.reshape(values.shape))
        return outlines_from_mask(
            values,
            self.zones_slide_grid,
            level=0.0,
            smallest_mm2=0.5,
            zone="tissue",
            made_by="truth",
        )

    def pathology_on_plane(self) -> np.ndarray:
        """What was cut, mapped by the true transform onto `zones_plane_grid`, uint8 `ZONES`."""
        points = self.zones_plane_grid.centres()
        labels = zones(self.animal.state(section.cut_points(self.scenario, points)))
        if self.tear is not None:
            torn = self.tear.level(self.truth.to_slide(points)) > 0
            labels[torn & (labels > 0)] = ZONES["artefact"]
        return labels.reshape(self.zones_plane_grid.shape)

    def truth_agreement(self, threshold_percent: float = -40.0) -> dict[str, Any]:
        """Agreement that a faultless analysis would find.

        The noise-free change at or below `threshold_percent` (below 0) against what was cut,
        mapped by the true transform, where both show tissue and the section is whole.

        Returns
        -------
        dict: for "ablated" and "ablated + diffusion-damaged": dice, jaccard,
        predicted_area_mm2, pathology_area_mm2; NaN where neither has a lesion
        """
        from coreg.geometry import resample

        if not threshold_percent < 0:
            raise InputError(
                f"Expected threshold_percent below 0, got {threshold_percent}; "
                "a negative change means stiffer than at baseline."
            )
        grid = self.zones_plane_grid
        change = resample(Image(self.change_truth, self.plane), grid)
        pathology = self.pathology_on_plane()
        valid = (self.zones_plane > 0) & (pathology > 0) & (pathology != ZONES["artefact"])
        predicted = valid & (change <= threshold_percent)
        found: dict[str, Any] = {"threshold_percent": threshold_percent}
        lesions = {
            "ablated": (ZONES["ablated"],),
            "ablated + diffusion-damaged": (ZONES["ablated"], ZONES["diffusion-damaged"]),
        }
        for name, numbers in lesions.items():
            lesion = valid & np.isin(pathology, numbers)
            both, total = (predicted & lesion).sum(), predicted.sum() + lesion.sum()
            found[name] = {
                "dice": float(2 * both / total) if total else float("nan"),
                "jaccard": float(both / (total - both)) if total else float("nan"),
                "predicted_area_mm2": float(predicted.sum() * grid.pixel_area),
                "pathology_area_mm2": float(lesion.sum() * grid.pixel_area),
            }
        return found
