"""An invented case for the figure's and the report's tests: every number is made up here."""

from __future__ import annotations

import numpy as np

from coreg.figure import (
    Course,
    Estimate,
    FigureData,
    MethodComparison,
    StudyData,
    ThresholdCurve,
)
from coreg.geometry import Grid, Image, Outline

PLANE = Grid((80, 100), (0.3, 0.3), (10.0, -15.0))
SLIDE = Grid((500, 640), (0.04, 0.04), (5.0, 8.0), "slide")


def ellipse(centre, radii, frame, zone, bumps=0.08):
    t = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    r = 1 + bumps * np.cos(3 * t + radii[0])
    ring = np.stack([centre[0] + radii[0] * r * np.sin(t), centre[1] + radii[1] * r * np.cos(t)], 1)
    return Outline(ring, frame, zone=zone)


def zones(centre, frame):
    return (
        ellipse(centre, (6.5, 8.0), frame, "tumour"),
        ellipse(centre, (3.4, 4.2), frame, "diffusion-damaged"),
        ellipse(centre, (2.3, 3.1), frame, "ablated"),
    )


def rgb_section(grid, centre):
    rng = np.random.default_rng(4)
    rows, columns = np.meshgrid(grid.rows, grid.columns, indexing="ij")
    r = np.hypot((rows - centre[0]) / 9, (columns - centre[1]) / 11.5)
    tissue = np.clip((1 - r) * 20, 0, 1)[..., None]
    core = np.exp(-((rows - centre[0]) ** 2 + (columns - centre[1]) ** 2) / 12)[..., None]
    pink = np.array([0.86, 0.56, 0.74]) * (1 - core) + np.array([0.93, 0.72, 0.76]) * core
    speckle = rng.normal(0, 0.05, (*grid.shape, 1))
    return Image(np.clip(tissue * (pink + speckle) + (1 - tissue) * 0.96, 0, 1), grid)


def invented_case(name="rabbit 3, left kidney"):
    rng = np.random.default_rng(3)
    rows, columns = np.meshgrid(PLANE.rows, PLANE.columns, indexing="ij")
    focus = (22.0, 0.5)
    d2 = ((rows - focus[0]) / 2.6) ** 2 + ((columns - focus[1]) / 3.2) ** 2
    baseline = 12 * np.exp(-(((columns - 0.5) / 9) ** 2)) + rng.normal(0, 0.3, PLANE.shape)
    change = -55 * np.exp(-d2) + rng.normal(0, 5, PLANE.shape)
    valid = (np.abs(columns) < 12) & (rows > 12)
    change[~valid] = np.nan
    final = np.where(valid, baseline * (1 + change / 100), np.nan)
    fine = PLANE.with_spacing(0.08)
    bmode = rng.rayleigh(0.4, fine.shape) * (1 + 0.5 * np.sin(fine.rows / 2)[:, None])
    error = 0.3 + 0.02 * np.hypot(rows - 22, columns)
    interval = {
        "dice": {"value": 0.81, "low": 0.74, "high": 0.86},
        "jaccard": {"value": 0.68, "low": 0.59, "high": 0.75},
        "sensitivity": {"value": 0.86, "low": 0.78, "high": 0.92},
        "specificity": {"value": 0.97, "low": 0.95, "high": 0.98},
        "precision": {"value": 0.77, "low": 0.67, "high": 0.85},
        "predicted_area_mm2": {"value": 25.1, "low": 22.0, "high": 28.9},
        "pathology_area_mm2": {"value": 22.4, "low": 20.1, "high": 24.8},
        "area_difference_mm2": {"value": 2.7, "low": -1.1, "high": 6.4},
        "area_ratio": {"value": 1.12, "low": 0.95, "high": 1.31},
        "mean_boundary_distance_mm": {"value": 0.42, "low": 0.31, "high": 0.6},
        "hd95_mm": {"value": 1.04, "low": 0.8, "high": 1.5},
        "hausdorff_mm": {"value": 1.6, "low": 1.2, "high": 2.3},
        "centroid_offset_depth_mm": {"value": -0.21, "low": -0.5, "high": 0.1},
        "centroid_offset_lateral_mm": {"value": 0.4, "low": 0.05, "high": 0.72},
        "predicted_outside_valid_share": {"value": 0.03, "low": None, "high": None},
        "pathology_outside_valid_share": {"value": float("nan"), "low": None, "high": None},
    }
    wider = {**interval, "dice": {"value": 0.72, "low": 0.63, "high": 0.79}}
    times = np.arange(0.0, 61, 5)
    thresholds = np.linspace(-70, -5, 27)
    return FigureData(
        name=name,
        bmode=Image(bmode, fine),
        baseline=Image(baseline, PLANE),
        final=Image(final, PLANE),
        change_percent=Image(change, PLANE),
        valid=valid,
        predicted=(ellipse((22.1, 0.9), (2.6, 3.3), "plane", "predicted lesion", 0.04),),
        section=rgb_section(SLIDE, (15.0, 21.0)),
        section_outlines=zones((15.0, 21.0), "slide"),
        section_on_plane=rgb_section(fine, (22.0, 0.5)),
        pathology=zones((22.0, 0.5), "plane"),
        error_mm=Image(error, PLANE),
        agreement={"ablated": interval, "ablated + diffusion-damaged": wider},
        course=Course(
            times,
            -50 * (1 - np.exp(-times / 20)),
            4 + times * 0.05,
            25 * (1 - np.exp(-times / 25)),
        ),
        threshold_curves=(
            ThresholdCurve(
                "ablated",
                thresholds,
                0.81 * np.exp(-(((thresholds + 30) / 22) ** 2)),
                0.7 * np.exp(-(((thresholds + 30) / 22) ** 2)),
                0.9 * np.exp(-(((thresholds + 30) / 22) ** 2)),
                -30.0,
            ),
            ThresholdCurve(
                "ablated + diffusion-damaged",
                thresholds,
                0.75 * np.exp(-(((thresholds + 22) / 22) ** 2)),
            ),
        ),
        focus_mm=focus,
    )


def invented_study():
    rng = np.random.default_rng(8)
    n = 12
    pathology = rng.uniform(8, 40, n)
    predicted = pathology + 1.2 + rng.normal(0, 2.5, n)
    difference = predicted - pathology
    bias, sd = float(difference.mean()), float(difference.std(ddof=1))
    dice = rng.uniform(0.6, 0.9, n)
    return StudyData(
        name="rabbits, one fixed focus",
        cases=tuple(f"rabbit {i // 2 + 1}{'ab'[i % 2]}" for i in range(n)),
        animals=tuple(f"rabbit {i // 2 + 1}" for i in range(n)),
        predicted=predicted,
        pathology=pathology,
        comparison=MethodComparison(
            "area",
            "mm²",
            Estimate(bias, bias - 1.5, bias + 1.5),
            Estimate(bias - 1.96 * sd, bias - 2.8 * sd, bias - 1.3 * sd),
            Estimate(bias + 1.96 * sd, bias + 1.3 * sd, bias + 2.8 * sd),
            Estimate(1.02, 0.9, 1.14),
            Estimate(0.7, -1.9, 3.3),
            "Deming regression",
        ),
        per_case={"dice": tuple(Estimate(d, d - 0.08, d + 0.06) for d in dice)},
    )
