"""Alignment on real serial sections and on seeded demo cases; itk-elastix in the same run.

    python tests/benchmarks/bench_alignment.py [--bars 1,2] [--cases A:B] [--store FILE] [--save]

Bar 4 draws its cases from seeds 0 to 49; what is believed of a case beforehand was chosen on seeds
from 200 on. Errors of pairs are rTRE: distance over the slide image's diagonal, median over
landmarks. A long series can be run piecewise: with --store, trials that the file holds are not run
again.
"""

from __future__ import annotations

import argparse
import csv
import json
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from itertools import permutations
from pathlib import Path

import numpy as np
from measured import Row, save, table

from coreg.alignment import (
    IntensityOptions,
    LandmarkPairs,
    align_images,
    assess,
    fit_landmarks,
    sample_transforms,
)
from coreg.geometry import Grid, Image, Outline, resample
from coreg.transforms import Transform

DATA = Path(__file__).resolve().parents[2].parent / "shared" / "data" / "serial-sections"
STAINS = ("he", "cc10", "prospc")
PAIRS = tuple(permutations(STAINS, 2))


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


def pair_trial(number: int) -> dict[str, float]:
    """Bar 1 on one ordered pair, with itk-elastix in the same run."""
    a, b = PAIRS[number]
    plane, slide = section(a, "plane"), section(b, "slide")
    start = time.perf_counter()
    fit = align_images(plane, slide)
    seconds = time.perf_counter() - start
    moved, other_seconds = elastix(plane, slide, marks(a))
    return {
        "affine_rtre": rtre(fit.affine.to_slide(marks(a)), b),
        "rtre": rtre(fit.transform.to_slide(marks(a)), b),
        "seconds": seconds,
        "elastix_rtre": rtre(moved, b),
        "elastix_seconds": other_seconds,
        "least_area": fit.area_range[0],
    }


def landmark_trial(number: int) -> dict[str, float]:
    """Bar 2 on one ordered pair: eight landmarks, measured at the other 72."""
    a, b = PAIRS[number]
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
    fit = align_images(plane, slide, options, landmarks=pairs)

    def error(transform: Transform) -> float:
        miss = (transform.to_slide(marks(a)) - marks(b))[rest]
        return float(100 * np.median(np.linalg.norm(miss, axis=1)) / diagonal)

    return {
        "observers": spread,
        "affine": error(fit_landmarks(pairs, "affine").transform),
        "spline": error(fit_landmarks(pairs, "thin-plate").transform),
        "images": error(fit.transform),
        "least_area": fit.area_range[0],
    }


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


def turned_trial(seed: int) -> dict[str, float]:
    """Bar 3 once: a random turn, mirrored half the time, scaled 0.8 to 1.25."""
    a, b = PAIRS[seed % len(PAIRS)]
    whole = section(b, "slide")
    slide, matrix, shift = turned(whole, np.random.default_rng(seed))
    fit = align_images(section(a, "plane"), slide)
    miss = fit.transform.to_slide(marks(a)) - (marks(b) @ matrix.T + shift)
    scale = np.sqrt(abs(np.linalg.det(matrix)))
    error = 100 * np.median(np.linalg.norm(miss, axis=1)) / scale / np.hypot(*whole.grid.size)
    return {
        "rtre": float(error),
        "face_right": float(fit.mirrored == (np.linalg.det(matrix) < 0)),
        "least_area": fit.area_range[0],
    }


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


def demo_trial(seed: int) -> dict[str, float]:
    """Bar 4 on one demo case, without and with six landmarks."""
    from coreg.demo import Scenario, simulate

    case = simulate(Scenario.random(seed))
    rng = np.random.default_rng([seed, 1])
    sd = case.scenario.outline_error_mm
    tissue = (
        drawn(case.tissue_outline_plane(), sd, rng),
        drawn(case.tissue_outline_slide(), sd, rng),
    )
    pairs = case.landmarks()
    six = pairs.select(well_spread(pairs.plane, min(6, len(pairs))))
    size = case.zones_slide_grid.size
    grid = Grid((10, 10), (size[0] / 10, size[1] / 10), frame="slide")
    # Outlines decide: the section and the echo image share hardly any contrast.
    glass = Image(np.zeros(grid.shape, dtype=np.float32), grid)
    labels = resample(Image(case.zones_plane, case.zones_plane_grid), case.plane, order=0, fill=0)
    lesion = np.isin(labels, (3, 4))
    lesion = lesion if lesion.sum() > 20 else labels == 2
    points = case.plane.to_mm(np.argwhere(lesion))
    there = case.truth.to_slide(points)
    found = {}
    for name, landmarks in (("", None), ("_6", six)):
        fit = align_images(
            case.bmode,
            glass,
            IntensityOptions(features=()),
            tissue_plane=tissue[0],
            tissue_slide=tissue[1],
            landmarks=landmarks,
        )
        quality = assess(fit.transform, case.plane, lesion, draws=sample_transforms(fit, 400, seed))
        miss = np.linalg.norm(fit.transform.to_plane(there) - points, axis=1)
        found |= {
            f"error{name}": float(np.median(miss)),
            f"stated{name}": quality.error_mm,
            f"low{name}": quality.error_interval_mm[0],
            f"high{name}": quality.error_interval_mm[1],
            f"least_area{name}": fit.area_range[0],
            f"face_right{name}": float(fit.mirrored == case.scenario.mirrored),
        }
    return found


BARS: dict[str, tuple[Callable[[int], dict[str, float]], int]] = {
    "1": (pair_trial, len(PAIRS)),
    "2": (landmark_trial, len(PAIRS)),
    "3": (turned_trial, 100),
    "4": (demo_trial, 50),
}


def run(
    bar: str, wanted: range, store: Path | None, only_kept: bool
) -> dict[int, dict[str, float]]:
    """Trials of one bar; those that the store holds are not run again, each is stored at once."""
    made: dict[str, dict[int, dict[str, float]]] = {}
    if store is not None and store.exists():
        kept = json.loads(store.read_text(encoding="utf-8"))
        made = {b: {int(n): t for n, t in trials.items()} for b, trials in kept.items()}
    mine = made.setdefault(bar, {})
    for number in wanted:
        if number not in mine and not only_kept:
            mine[number] = BARS[bar][0](number)
            print(bar, number, {k: round(v, 3) for k, v in mine[number].items()}, flush=True)
            if store is not None:
                store.write_text(json.dumps(made), encoding="utf-8")
    return {n: mine[n] for n in sorted(mine) if n in wanted}


PARTS = {
    "1": "real sections, images alone",
    "2": "real sections, images and 8 landmarks",
    "3": "real sections from a random turn",
    "4": "demo section and B-mode",
}


def rows_of(bar: str, trials: dict[int, dict[str, float]]) -> list[Row]:
    """What one bar's trials come to."""
    if not trials:
        return []
    values = {
        name: np.array([trial[name] for trial in trials.values()])
        for name in next(iter(trials.values()))
    }
    part, n = f"alignment, {PARTS[bar]}", f"n = {len(trials)}"
    least = min(float(v.min()) for k, v in values.items() if k.startswith("least_area"))
    fold = Row(part, "least local area, relative to affine", least, "", "above 0", note=n)
    return [*ROWS[bar](part, n, values), fold]


def landmarks_alone() -> tuple[float, float]:
    """What the landmarks themselves leave, %: the spread between two observers of one section, and
    the leave-one-out error of a spline through all 80 landmarks of a pair; means of medians."""
    diagonal = np.hypot(*section("he", "slide").grid.size) / 100
    spread = [
        np.median(np.linalg.norm(marks(stain) - marks(stain, second=True), axis=1)) / diagonal
        for stain in ("he", "prospc")
    ]
    left_out = []
    for a, b in PAIRS:
        fit = fit_landmarks(LandmarkPairs(marks(a), marks(b)), "thin-plate")
        left_out.append(fit.error_mm * np.sqrt(abs(np.linalg.det(fit.affine.matrix))) / diagonal)
    return float(np.mean(spread)), float(np.mean(left_out))


def _rows_1(part: str, n: str, v: dict[str, np.ndarray]) -> list[Row]:
    alone = landmarks_alone()
    other = "itk-elastix, default rigid + affine + B-spline"
    return [
        Row(part, "mean of median rTRE", v["rtre"].mean(), "%", "≤ 0.45", other,
            v["elastix_rtre"].mean(), f"{n}; for 20 pairs of this set 0.91 % is reported of it"),
        Row(part, "worst median rTRE", v["rtre"].max(), "%", "≤ 0.9", other,
            v["elastix_rtre"].max(), n),
        Row(part, "time a pair, median", float(np.median(v["seconds"])), "s", "≤ elastix", other,
            float(np.median(v["elastix_seconds"])), n),
        Row(part, "mean of median rTRE, affine part alone", v["affine_rtre"].mean(), "%", note=n),
        Row(part, "mean of median rTRE", v["rtre"].mean(), "%", "",
            "spline through the landmarks themselves, leave-one-out", alone[1], n),
        Row(part, "mean of median rTRE", v["rtre"].mean(), "%", "",
            "spread between two observers of a section", alone[0], n),
    ]  # fmt: skip


def _rows_2(part: str, n: str, v: dict[str, np.ndarray]) -> list[Row]:
    judged = np.isfinite(v["observers"])
    below = (v["images"] <= v["observers"]) & (v["images"] < v["affine"])
    return [
        Row(part, "pairs at or below the observers and below affine", float(below[judged].sum()),
            f"of {judged.sum()}", "all", note="images and 8 landmarks"),
        Row(part, "mean of median errors at the other 72", v["images"][judged].mean(), "%",
            "≤ observers", "spread between two observers", v["observers"][judged].mean()),
        Row(part, "the same, all pairs", v["images"].mean(), "%", "< affine",
            "affine fit of the 8", v["affine"].mean(), n),
        Row(part, "the same, all pairs", v["images"].mean(), "%", "",
            "thin-plate spline of the 8", v["spline"].mean(), n),
    ]  # fmt: skip


def _rows_3(part: str, n: str, v: dict[str, np.ndarray]) -> list[Row]:
    return [
        Row(part, "trials within 1 % median rTRE", 100 * (v["rtre"] <= 1).mean(), "%", "≥ 95",
            note=n),
        Row(part, "face told rightly", 100 * v["face_right"].mean(), "%", note=n),
        Row(part, "median rTRE", float(np.median(v["rtre"])), "%", note=n),
    ]  # fmt: skip


def _rows_4(part: str, n: str, v: dict[str, np.ndarray]) -> list[Row]:
    rows = []
    for name, what, bar in (("", "outlines", "≤ 0.5"), ("_6", "outlines and 6 landmarks", "≤ 0.3")):
        error, low, high = (v[f"{k}{name}"] for k in ("error", "low", "high"))
        held = 100 * ((low <= error) & (error <= high)).mean()
        rows += [
            Row(part, f"{what}: median error over the lesion", float(np.median(error)), "mm", bar,
                note=n),
            Row(part, f"{what}: its 90th percentile", float(np.percentile(error, 90)), "mm",
                note=n),
            Row(part, f"{what}: stated error", float(np.median(v[f"stated{name}"])), "mm", note=n),
            Row(part, f"{what}: 95 % interval holds it", held, "%", "90–98", note=n),
            Row(part, f"{what}: error above the interval", 100 * (error > high).mean(), "%",
                note=n),
            Row(part, f"{what}: face told rightly", 100 * v[f"face_right{name}"].mean(), "%",
                note=n),
        ]  # fmt: skip
    return rows


ROWS = {"1": _rows_1, "2": _rows_2, "3": _rows_3, "4": _rows_4}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bars", default="1,2,3,4")
    parser.add_argument("--cases", help="first:last trial of each bar; all where not given")
    parser.add_argument("--store", type=Path, help="JSON file that keeps finished trials")
    parser.add_argument(
        "--kept", action="store_true", help="run nothing: rows of what the store holds"
    )
    parser.add_argument("--quick", action="store_true", help="few trials a bar")
    parser.add_argument("--save", action="store_true")
    wanted = parser.parse_args()
    rows: list[Row] = []
    for bar in wanted.bars.split(","):
        whole = range(BARS[bar][1])
        if wanted.cases:
            first, last = (int(n) for n in wanted.cases.split(":"))
            whole = range(first, last if bar in "34" else min(last, len(PAIRS)))
        if wanted.quick:
            whole = whole[:3]
        rows += rows_of(bar, run(bar, whole, wanted.store, wanted.kept))
    print(table(rows))
    if wanted.save:
        save("alignment", rows, wanted.quick)


if __name__ == "__main__":
    main()
