"""Agreement on demo cases with known truth: coverage and width of the intervals, and speed.

Run by hand: ``python tests/benchmarks/bench_agreement.py [--cases A:B] [--keep FILE] [--save]``.
With --keep a run that was stopped goes on where it was, and parts can be run apart.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from measured import Row, save, table

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
SCORED = (*BARS, "jaccard", "sensitivity", "precision", "area_ratio")


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


def scored(seed: int, draws: int) -> dict[str, Any]:
    """What one case adds to the record: for each lesion and measure the truth, the value, its
    limits and the value with the true alignment."""
    start = time.perf_counter()
    case = demo_case(seed, draws)
    lesions: dict[str, Any] = {}
    for zone, inputs in case.inputs.items():
        found = intervals(inputs, draws, seed)
        truth = with_what_follows(case.truth[zone])
        lesions[zone] = {
            "measures": {
                name: {
                    "truth": truth[name],
                    "value": found[name].value,
                    "low": found[name].low,
                    "high": found[name].high,
                    "with_true_alignment": case.point[zone][name],
                }
                for name in SCORED
            },
            "shares": found.shares["dice"],
        }
    return {
        "seed": seed,
        "draws": draws,
        "seconds": time.perf_counter() - start,
        "lesions": lesions,
    }


def with_what_follows(truth: dict[str, float]) -> dict[str, float]:
    """The truth's Dice and areas, and the measures that they determine."""
    a, b = truth["predicted_area_mm2"], truth["pathology_area_mm2"]
    both = truth["dice"] * (a + b) / 2
    return {**truth, "sensitivity": both / b, "precision": both / a, "area_ratio": a / b}


def record(path: Path, seeds: range, draws: int) -> list[dict[str, Any]]:
    """The records of all seeds, a line each; those that the file has are not made again."""
    lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    known = {found["seed"]: found for found in map(json.loads, lines) if found["draws"] == draws}
    for seed in seeds:
        if seed not in known:
            known[seed] = scored(seed, draws)
            with open(path, "a", encoding="utf-8") as file:
                file.write(json.dumps(known[seed]) + "\n")
            print(f"seed {seed}: {known[seed]['seconds']:.1f} s", flush=True)
    return [known[seed] for seed in seeds]


def coverage(records: list[dict[str, Any]]) -> list[Row]:
    """How often the intervals hold the truth, how wide they are, and how far point values are."""
    lesions = [lesion for found in records for lesion in found["lesions"].values()]
    draws = records[0]["draws"]
    note = f"{len(records)} seeded demo cases, 2 lesions each, {draws:,} draws"
    rows = []
    for name in SCORED:
        of = [lesion["measures"][name] for lesion in lesions]
        # A share that follows from counted areas can miss 1 by rounding.
        held = [m["low"] - 1e-9 <= m["truth"] <= m["high"] + 1e-9 for m in of]
        below = sum(m["truth"] < m["low"] - 1e-9 for m in of)
        # The lesions of a case share their errors, so the figure's own limits count cases.
        low, high = binomial_interval(round(len(records) * np.mean(held)), len(records))
        relative = name.endswith("_mm2")
        width = np.median([(m["high"] - m["low"]) / (m["truth"] if relative else 1) for m in of])
        bar = "90–98 %" if name in BARS else ""
        rows.append(
            Row(
                "agreement",
                f"95 % interval of {name} holds the truth",
                100 * float(np.mean(held)),
                "%",
                bar,
                note=f"{note}; by cases {100 * low:.1f}–{100 * high:.1f} %; truth below "
                f"{below}, above {len(held) - sum(held) - below}",
            )
        )
        unit = "of the area" if relative else ""
        rows.append(Row("agreement", f"median width of that interval, {name}", width, unit))
    for name, limit in (("dice", 0.02), *((area, 0.03) for area in BARS[1:])):
        of = [lesion["measures"][name] for lesion in lesions]
        scale = [m["truth"] if name != "dice" else 1.0 for m in of]
        off = [
            abs(m["with_true_alignment"] - m["truth"]) / s for m, s in zip(of, scale, strict=True)
        ]
        unit = "" if name == "dice" else "of the area"
        what = f"error of {name} with the true alignment, median"
        rows.append(Row("agreement", what, float(np.median(off)), unit, f"≤ {limit:g}", note=note))
    for source in lesions[0]["shares"]:
        share = 100 * float(np.median([lesion["shares"].get(source, 0.0) for lesion in lesions]))
        rows.append(
            Row("agreement", f"share of Dice's uncertainty from {source}, median", share, "%")
        )
    return rows


def binomial_interval(hits: int, n: int) -> tuple[float, float]:
    """Exact 95 % limits of a share (Clopper and Pearson 1934, by SciPy)."""
    from scipy.stats import binomtest

    found = binomtest(hits, n).proportion_ci(0.95, method="exact")
    return float(found.low), float(found.high)


def speed() -> list[Row]:
    """1,000 draws on a plane of 400 x 300 pixels with all sources, against as many pixel counts."""
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
    start, cpu = time.perf_counter(), time.process_time()
    intervals(inputs, 1000)
    ours, cpu = time.perf_counter() - start, time.process_time() - cpu
    mapped = [Outline(ring, "plane")]
    predicted = [Outline(ring + 0.2, "plane")]
    measure_outlines(predicted, mapped, grid)
    start = time.perf_counter()
    for _ in range(20):
        measure_outlines(predicted, mapped, grid)
    counted = (time.perf_counter() - start) / 20 * 1000
    note = f"{cpu:.1f} s of one core; all four sources, then each alone"
    return [
        Row(
            "agreement",
            "1,000 draws of all measures, plane of 400 × 300 pixels",
            ours,
            "s",
            "≤ 5 s",
            "pixel counts on the refined grid, 1,000 times",
            counted,
            note,
            readme=True,
        )
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", default="0:200", help="seeds FIRST:END")
    parser.add_argument("--draws", type=int, default=1000)
    parser.add_argument("--keep", type=Path, help="file to which each case's line is added")
    parser.add_argument("--quick", action="store_true", help="eight cases")
    parser.add_argument("--save", action="store_true", help="keep the rows for the page")
    asked = parser.parse_args()
    first, end = (int(n) for n in asked.cases.split(":"))
    seeds = range(first, min(end, first + 8) if asked.quick else end)
    with tempfile.TemporaryDirectory() as scratch:
        records = record(asked.keep or Path(scratch) / "cases.jsonl", seeds, asked.draws)
    rows = speed() + coverage(records)
    print(table(rows))
    if asked.save:
        save("agreement", rows, quick=asked.quick)


if __name__ == "__main__":
    main()
