"""Alignment on real serial sections and on seeded demo cases; itk-elastix in the same run.

    python tests/benchmarks/bench_alignment.py [bars, e.g. 1,2,3,4] [trials]

Prints Markdown tables. Bar 4 draws its cases from seeds 0–49; defaults were chosen on seeds from
200 on. Errors of pairs are rTRE: distance over the slide image's diagonal, median over landmarks.
"""

from __future__ import annotations

import csv
import sys
import tempfile
import time
from dataclasses import replace
from itertools import permutations
from pathlib import Path

import numpy as np

from coreg.alignment import (
    ImageFit,
    IntensityOptions,
    LandmarkPairs,
    align_images,
    assess,
    fit_landmarks,
    sample_transforms,
)
from coreg.geometry import Grid, Image, Outline, resample

DATA = Path(__file__).resolve().parents[2].parent / "shared" / "data" / "serial-sections"
STAINS = ("he", "cc10", "prospc")
PAIRS = tuple(permutations(STAINS, 2))
# Outlines decide the demo cases: the section and the echo image share hardly any contrast.
CROSS = IntensityOptions(features=())


def section(stain: str, frame: str) -> Image:
    from skimage.io import imread

    data = imread(DATA / f"section-{stain}.jpg")
    return Image(data, Grid(data.shape[:2], (1.0, 1.0), (0.5, 0.5), frame))  # type: ignore[arg-type]


def marks(stain: str, second: bool = False) -> np.ndarray:
    folder = "landmarks-second-observer" if second else "landmarks"
    with open(DATA / folder / f"section-{stain}.csv", encoding="utf-8", newline="") as file:
        return np.array([[float(r["y_px"]), float(r["x_px"])] for r in csv.DictReader(file)])


def well_spread(points: np.ndarray, n: int) -> np.ndarray:
    """Indices of n points, each farthest from those taken before, from the middle on."""
    taken = [int(np.argmin(np.linalg.norm(points - points.mean(axis=0), axis=1)))]
    while len(taken) < n:
        gap = np.linalg.norm(points[:, None] - points[taken], axis=2).min(axis=1)
        taken.append(int(np.argmax(gap)))
    return np.array(taken)


def elastix(plane: Image, slide: Image, points: np.ndarray) -> tuple[np.ndarray, float]:
    """Default rigid, affine and B-spline maps of itk-elastix; moved points and seconds."""
    import itk
    from skimage.color import rgb2gray

    start = time.perf_counter()
    fixed, moving = (
        itk.image_view_from_array((1 - rgb2gray(i.data)).astype(np.float32)) for i in (plane, slide)
    )
    settings = itk.ParameterObject.New()
    for name in ("rigid", "affine", "bspline"):
        settings.AddParameterMap(settings.GetDefaultParameterMap(name))
    _, found = itk.elastix_registration_method(fixed, moving, parameter_object=settings)
    seconds = time.perf_counter() - start
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "points.txt"
        lines = "\n".join(f"{x} {y}" for y, x in points - 0.5)
        path.write_text(f"point\n{len(points)}\n{lines}\n", encoding="utf-8")
        itk.transformix_filter(
            moving, found, fixed_point_set_file_name=str(path), output_directory=folder
        )
        text = (Path(folder) / "outputpoints.txt").read_text(encoding="utf-8")
    moved = [line.split("OutputPoint = [")[1].split("]")[0].split() for line in text.splitlines()]
    return np.array(moved, dtype=float)[:, ::-1] + 0.5, seconds


def rtre(moved: np.ndarray, stain: str) -> float:
    diagonal = np.hypot(*section(stain, "slide").grid.size)
    return float(100 * np.median(np.linalg.norm(moved - marks(stain), axis=1)) / diagonal)


def bar_1() -> None:
    print("\n| pair | affine part, % | rTRE, % | s | itk-elastix, % | s | least area |")
    print("|---|--:|--:|--:|--:|--:|--:|")
    rows = []
    for a, b in PAIRS:
        plane, slide = section(a, "plane"), section(b, "slide")
        start = time.perf_counter()
        fit = align_images(plane, slide)
        seconds = time.perf_counter() - start
        moved, other_seconds = elastix(plane, slide, marks(a))
        rows.append(
            (
                rtre(fit.affine.to_slide(marks(a)), b),
                rtre(fit.transform.to_slide(marks(a)), b),
                seconds,
                rtre(moved, b),
                other_seconds,
                fit.area_range[0],
            )
        )
        print(f"| {a} → {b} |" + "|".join(f" {v:.2f} " for v in rows[-1]) + "|", flush=True)
    print("| mean |" + "|".join(f" {v:.2f} " for v in np.mean(rows, axis=0)) + "|")


def bar_2() -> None:
    print("\n| pair | observers, % | affine of 8, % | spline of 8, % | images and 8, % |")
    print("|---|--:|--:|--:|--:|")
    for a, b in PAIRS:
        plane, slide = section(a, "plane"), section(b, "slide")
        diagonal = np.hypot(*slide.grid.size)
        known = well_spread(marks(a), 8)
        rest = np.setdiff1d(np.arange(80), known)
        pairs = LandmarkPairs(marks(a)[known], marks(b)[known])
        spread = float("nan")
        if b != "cc10":
            both = np.linalg.norm(marks(b) - marks(b, second=True), axis=1)
            spread = float(100 * np.median(both) / diagonal)
        # A landmark is taken to be placed as well as 0.3 % of the diagonal.
        options = replace(IntensityOptions(), landmark_sd_mm=0.003 * diagonal)
        maps = (
            fit_landmarks(pairs, "affine").transform,
            fit_landmarks(pairs, "thin-plate").transform,
            align_images(plane, slide, options, landmarks=pairs).transform,
        )
        errors = [
            100
            * np.median(np.linalg.norm((m.to_slide(marks(a)) - marks(b))[rest], axis=1))
            / diagonal
            for m in maps
        ]
        print(f"| {a} → {b} | {spread:.2f} |" + "|".join(f" {e:.2f} " for e in errors) + "|")


def turned(image: Image, rng: np.random.Generator) -> tuple[Image, np.ndarray, np.ndarray]:
    """The section turned, mirrored half the time, scaled; ``new = matrix @ old + shift``."""
    angle, mirror, scale = rng.uniform(0, 2 * np.pi), rng.random() < 0.5, rng.uniform(0.8, 1.25)
    rotation = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    matrix = scale * rotation @ np.diag([1, -1 if mirror else 1])
    height, width = image.grid.size
    corners = np.array([(0, 0), (0, width), (height, 0), (height, width)]) @ matrix.T
    shift = -corners.min(axis=0)
    shape = np.ceil(np.ptp(corners, axis=0)).astype(int)
    grid = Grid((shape[0], shape[1]), (1.0, 1.0), (0.5, 0.5), "slide")
    back = np.linalg.inv(matrix)
    data = resample(image, grid, lambda p: (p - shift) @ back.T, fill=255.0)
    return Image(data.clip(0, 255).astype(np.uint8), grid), matrix, shift


def bar_3(trials: int) -> None:
    within, faces, least, folded = 0, 0, [], 0
    for seed in range(trials):
        a, b = PAIRS[seed % len(PAIRS)]
        whole = section(b, "slide")
        slide, matrix, shift = turned(whole, np.random.default_rng(seed))
        fit = align_images(section(a, "plane"), slide)
        miss = fit.transform.to_slide(marks(a)) - (marks(b) @ matrix.T + shift)
        scale = np.sqrt(abs(np.linalg.det(matrix)))
        error = 100 * np.median(np.linalg.norm(miss, axis=1)) / scale / np.hypot(*whole.grid.size)
        within += error <= 1
        faces += fit.mirrored == (np.linalg.det(matrix) < 0)
        folded += fit.area_range[0] <= 0
        least.append(error)
    print(f"\n| trials | within 1 % | face right | folded | median, % | worst, % |\n{'|--:' * 6}|")
    print(
        f"| {trials} | {within} | {faces} | {folded} | {np.median(least):.2f} | {max(least):.2f} |"
    )


def drawn(outlines: list[Outline], sd_mm: float, rng: np.random.Generator) -> list[Outline]:
    """Outlines as a person draws them: pushed in and out smoothly by `sd_mm`, alike over 3 mm."""
    from scipy.ndimage import gaussian_filter1d

    made = []
    for outline in outlines:
        ring = outline.densified(0.3).exterior
        noise = gaussian_filter1d(rng.standard_normal(len(ring)), 5.0, mode="wrap")
        tangent = np.roll(ring, -1, axis=0) - np.roll(ring, 1, axis=0)
        tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
        normal = tangent[:, ::-1] * [1, -1]
        made.append(
            replace(
                outline, exterior=ring + (sd_mm * noise / noise.std())[:, None] * normal, holes=()
            )
        )
    return made


def demo_case(seed: int, landmarks: int, options: IntensityOptions = CROSS) -> tuple[float, ...]:
    """Median error over the lesion, stated error and its interval in mm, least area, face right."""
    from coreg.demo import Scenario, simulate

    case = simulate(Scenario.random(seed))
    rng = np.random.default_rng([seed, 1])
    sd = case.scenario.outline_error_mm
    pairs = case.landmarks()
    chosen = well_spread(pairs.plane, min(landmarks, len(pairs)))
    grid = Grid(
        (10, 10),
        (case.zones_slide_grid.size[0] / 10, case.zones_slide_grid.size[1] / 10),
        frame="slide",
    )
    fit: ImageFit = align_images(
        case.bmode,
        Image(np.zeros(grid.shape, dtype=np.float32), grid)
        if not options.features
        else case.section_image(100.0),
        options,
        tissue_plane=drawn(case.tissue_outline_plane(), sd, rng),
        tissue_slide=drawn(case.tissue_outline_slide(), sd, rng),
        landmarks=pairs.select(chosen) if landmarks else None,
    )
    labels = resample(Image(case.zones_plane, case.zones_plane_grid), case.plane, order=0, fill=0)
    lesion = np.isin(labels, (3, 4))
    lesion = lesion if lesion.sum() > 20 else labels == 2
    points = case.plane.to_mm(np.argwhere(lesion))
    there = case.truth.to_slide(points)
    error = float(np.median(np.linalg.norm(fit.transform.to_plane(there) - points, axis=1)))
    quality = assess(fit.transform, case.plane, lesion, draws=sample_transforms(fit, 200, seed))
    right = float(fit.mirrored == case.scenario.mirrored)
    return (error, quality.error_mm, *quality.error_interval_mm, fit.area_range[0], right)


def bar_4(cases: int, first: int = 0) -> None:
    print(
        "\n| landmarks | median error, mm | 90th percentile | stated | interval holds, % |"
        " above | least area | face right |"
    )
    print("|--:" * 8 + "|")
    for landmarks in (0, 6):
        rows = np.array([demo_case(first + i, landmarks) for i in range(cases)])
        held = (rows[:, 2] <= rows[:, 0]) & (rows[:, 0] <= rows[:, 3])
        print(
            f"| {landmarks} | {np.median(rows[:, 0]):.2f} | {np.percentile(rows[:, 0], 90):.2f} "
            f"| {np.median(rows[:, 1]):.2f} | {100 * held.mean():.0f} "
            f"| {100 * (rows[:, 0] > rows[:, 3]).mean():.0f} | {rows[:, 4].min():.2f} "
            f"| {rows[:, 5].sum():.0f} |",
            flush=True,
        )


def main() -> None:
    bars = sys.argv[1].split(",") if len(sys.argv) > 1 else ["1", "2", "3", "4"]
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    first = int(sys.argv[3]) if len(sys.argv) > 3 else 0
    if "1" in bars:
        bar_1()
    if "2" in bars:
        bar_2()
    if "3" in bars:
        bar_3(count or 100)
    if "4" in bars:
        bar_4(count or 50, first)


if __name__ == "__main__":
    main()
