"""Agreement on demo cases with known truth: coverage and width of the intervals, and speed.

Run by hand: ``python tests/benchmarks/bench_agreement.py [cases] [first seed]``.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, replace

import numpy as np

from coreg.agreement import (
    IntervalInputs,
    MapNoise,
    RegionRules,
    intervals,
    map_noise,
    measure_outlines,
)
from coreg.alignment import fit_landmarks
from coreg.alignment.uncertainty import sample_transforms
from coreg.demo import Scenario, Simulated, simulate
from coreg.displacement import (
    LesionOptions,
    PredictedLesion,
    change_from_baseline,
    fit_oscillation,
    predict_lesion,
)
from coreg.geometry import Grid, Outline, mask_from_outlines
from coreg.transforms import Affine, Transform, Warp

ZONES = {
    "ablated": ("ablated",),
    "ablated + diffusion-damaged": ("ablated", "diffusion-damaged"),
}
BARS = ("dice", "predicted_area_mm2", "pathology_area_mm2")


@dataclass(frozen=True)
class DemoCase:
    """What an analysis has, for each pathology lesion, and what it should find."""

    inputs: dict[str, IntervalInputs]
    lesion: PredictedLesion
    truth: dict[str, dict[str, float]]
    point: dict[str, dict[str, float]]  # with the true alignment


def analysed(simulated: Simulated) -> tuple[PredictedLesion, MapNoise]:
    """The predicted lesion and the noise of the relative change."""
    scenario = simulated.scenario
    fit = fit_oscillation(
        simulated.displacement[[0, -1]],
        scenario.frame_rate_hz,
        scenario.modulation_frequency_hz,
    )
    change = change_from_baseline(
        fit.amplitude[1],
        fit.amplitude[0],
        error=fit.standard_error[1],
        baseline_error=fit.standard_error[0],
    )
    options = LesionOptions(focus=scenario.focus_mm, connected_to_focus=True)
    lesion = predict_lesion(change, options, grid=simulated.plane)
    noise = map_noise(
        change.percent,
        change.percent_error,
        simulated.plane,
        lesion.mask,
        lesion.valid & mask_from_outlines(simulated.tissue_outline_plane(), simulated.plane),
        scenario.tracking_fwhm_mm,
    )
    return lesion, noise


def region_of_validity(simulated: Simulated, transform: Transform) -> np.ndarray:
    """Tissue on both sides without tears, as an analysis sees it, on the plane's grid."""
    plane = simulated.plane
    tissue = mask_from_outlines(simulated.tissue_outline_plane(), plane)
    section = [transform.outline_to_plane(o, 0.3) for o in simulated.tissue_outline_slide()]
    torn = [
        transform.outline_to_plane(o, 0.3) for o in simulated.outlines() if o.zone == "artefact"
    ]
    return tissue & mask_from_outlines(section, plane) & ~mask_from_outlines(torn, plane)


def demo_case(seed: int, draws: int = 1000) -> DemoCase:
    """One simulated case, analysed with landmarks and one observer's outlines."""
    simulated = simulate(Scenario.random(seed))
    scenario = simulated.scenario
    lesion, noise = analysed(simulated)
    fit = fit_landmarks(simulated.landmarks(), "thin-plate")
    drawn = simulated.outlines()
    exact = simulated.true_outlines()
    inputs, point = {}, {}
    for name, zones in ZONES.items():
        inputs[name] = IntervalInputs(
            grid=simulated.plane,
            score=lesion.score,
            pathology=[o for o in drawn if o.zone in zones],
            valid=region_of_validity(simulated, fit.transform),
            rules=RegionRules(1.0, 1.0, scenario.focus_mm),
            score_error=noise.error_percent,
            noise_fwhm_mm=noise.fwhm_mm,
            smoothed_mm=lesion.options.smooth_mm,
            transform=fit.transform,
            transforms=sample_transforms(fit, draws, seed),
            outline_sd_mm=scenario.outline_error_mm,
        )
        point[name] = point_values(
            simulated, lesion, [o for o in exact if o.zone in zones], simulated.truth
        )
    return DemoCase(inputs, lesion, simulated.truth_agreement(), point)


def point_values(
    simulated: Simulated, lesion: PredictedLesion, pathology: list[Outline], transform: Warp
) -> dict[str, float]:
    """Agreement when the alignment is the true one."""
    valid = region_of_validity(simulated, transform)
    mapped = [transform.outline_to_plane(outline, 0.1) for outline in pathology]
    return measure_outlines(lesion.outlines, mapped, simulated.plane, valid).to_dict()


def coverage(cases: int, first: int, draws: int) -> None:
    """How often the intervals hold the truth, how wide they are, and how far point values are."""
    inside: dict[str, list[bool]] = {name: [] for name in BARS}
    below: dict[str, list[bool]] = {name: [] for name in BARS}
    width: dict[str, list[float]] = {name: [] for name in BARS}
    off: dict[str, list[float]] = {name: [] for name in BARS}
    shares: dict[str, list[float]] = {}
    for seed in range(first, first + cases):
        case = demo_case(seed, draws)
        for zone, inputs in case.inputs.items():
            found = intervals(inputs, draws, seed)
            for name in BARS:
                truth, interval = case.truth[zone][name], found[name]
                inside[name].append(interval.low <= truth <= interval.high)
                below[name].append(truth < interval.low)
                scale = 1.0 if name == "dice" else truth
                width[name].append((interval.high - interval.low) / scale)
                off[name].append(abs(case.point[zone][name] - truth) / scale)
            for source, share in found.shares["dice"].items():
                shares.setdefault(source, []).append(share)
    print(f"{cases} cases x {len(ZONES)} lesions, {draws} draws")
    for name in BARS:
        print(
            f"{name}: coverage {np.mean(inside[name]):.1%} (truth below {np.mean(below[name]):.1%})"
            f", median width {np.median(width[name]):.3f}, with true alignment median error "
            f"{np.median(off[name]):.4f}" + ("" if name == "dice" else " (of the area)")
        )
    for source, values in shares.items():
        print(f"share of the width of Dice, median: {source} {np.median(values):.0%}")


def speed() -> None:
    """1,000 draws on a plane of 400 x 300 pixels with all sources, against 100 pixel counts."""
    grid = Grid((400, 300), (0.1, 0.1))
    rows, columns = np.meshgrid(grid.rows, grid.columns, indexing="ij")
    score = 60 * np.exp(-((rows - 20) ** 2 + (columns - 15) ** 2) / 32) - 30
    alignment = Affine(np.array([[0.85, 0.1], [-0.1, 0.88]]), np.array([3.0, 4.0]))
    angle = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    ring = np.stack([20.3 + 4.9 * np.sin(angle), 15.4 + 4.5 * np.cos(angle)], axis=1)
    rng = np.random.default_rng(0)
    moved = [replace(alignment, offset=alignment.offset + rng.normal(0, 0.2, 2)) for _ in range(99)]
    inputs = IntervalInputs(
        grid=grid,
        score=score,
        pathology=[Outline(alignment.to_slide(ring), "slide")],
        rules=RegionRules(1.0, 1.0),
        score_error=8.0,
        smoothed_mm=0.3,
        threshold_sd_percent=2.0,
        transform=alignment,
        transforms=moved,
        outline_sd_mm=0.2,
    )
    start = time.perf_counter()
    intervals(inputs, 1000)
    ours = time.perf_counter() - start
    mapped = [Outline(ring, "plane")]
    predicted = [Outline(ring + 0.2, "plane")]
    measure_outlines(predicted, mapped, grid)
    start = time.perf_counter()
    for _ in range(20):
        measure_outlines(predicted, mapped, grid)
    counted = (time.perf_counter() - start) / 20 * 1000
    print(f"1,000 draws, 4 sources: {ours:.2f} s; {counted / ours:.0f} x faster than by pixels")


def main() -> None:
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    speed()
    coverage(cases, first, 1000)


if __name__ == "__main__":
    main()
