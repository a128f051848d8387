"""The bars of zone outlining: demo sections, untreated sections, real sections, a large slide.

    python tests/benchmarks/bench_zones.py [--parts demo,large] [--cases A:B] [--store FILE]
        [--keep FOLDER] [--save]

A section takes half a minute or more to paint at 8 µm per pixel and to judge. A long series can be
run piecewise: with --store, sections that the file holds are not judged again; with --keep, what
was painted is not painted again. Seeds 1–30 (treated) and 501–530 (untreated) are the bars';
settings were tuned on others.

The strokes on demo sections are drawn by `random_strokes`, which knows the truth: it begins
anywhere in a zone and wanders on for 1.2 mm with a brush of 0.15 mm, off the zone's edge. A user
would paint longer strokes, and spread them round the rim; these crowd together as often as not.
The truth is taken at the centres of the cells that are labelled, 32 µm apart.
"""

from __future__ import annotations

import argparse
import csv
import json
import resource
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from measured import Row, save, table
from scipy import ndimage

from coreg.demo.animal import zones as zone_numbers
from coreg.demo.scenario import Scenario
from coreg.demo.simulated import Simulated, simulate
from coreg.geometry import ZONES, Grid, Image, mask_from_outlines
from coreg.zones.features import FeatureMaps, compute, compute_slide
from coreg.zones.learn import Stroke, train
from coreg.zones.propose import propose

UM_PER_PX = 8.0
STROKES, BRUSH_MM, STROKE_MM = 4, 0.15, 1.2
SECTIONS = Path(__file__).resolve().parents[2].parent / "shared" / "data" / "serial-sections"
LESION = ("ablated", "diffusion-damaged")
Store = dict[str, dict[str, list[float]]]


def dice(first: np.ndarray, second: np.ndarray) -> float:
    total = int(first.sum()) + int(second.sum())
    return 2 * int((first & second).sum()) / total if total else float("nan")


def section(seed: int, treated: bool, keep: Path | None) -> tuple[Image, Simulated]:
    """The picture of a random scenario at `UM_PER_PX`, and what it was made from."""
    path = keep / f"{'t' if treated else 'u'}{seed}.npz" if keep else None
    simulated = simulate(Scenario.random(seed, treated=treated))
    if path is not None and path.exists():
        grid = simulated.zones_slide_grid.with_spacing(UM_PER_PX / 1000)
        return Image(np.load(path)["rgb"], grid), simulated
    image = simulated.section_image(UM_PER_PX)
    if path is not None:
        np.savez(path, rgb=image.data)
    return image, simulated


def true_zones(simulated: Simulated, grid: Grid) -> np.ndarray:
    """The zone at the centre of every cell, uint8 (rows, columns)."""
    points = grid.centres()
    labels = zone_numbers(simulated.state_at_slide(points))
    if simulated.tear is not None:
        labels[(simulated.tear.level(points) > 0) & (labels > 0)] = ZONES["artefact"]
    return labels.reshape(grid.shape)


def random_strokes(truth: np.ndarray, grid: Grid, seed: int) -> np.ndarray:
    """`STROKES` wandering strokes a zone, within the zone, as a label map."""
    rng = np.random.default_rng(seed)
    pixel = grid.spacing[0]
    drawn = np.zeros(truth.shape, dtype=np.uint8)
    for number in (ZONES[z] for z in ("viable", "tumour", "diffusion-damaged", "ablated")):
        depth = ndimage.distance_transform_edt(truth == number) * pixel
        if not depth.any():
            continue
        allowed = depth > min(0.75 * BRUSH_MM, 0.6 * depth.max())
        starts = np.argwhere(allowed)
        for _ in range(STROKES):
            place = starts[rng.integers(len(starts))].astype(float)
            heading, line = rng.uniform(0, 2 * np.pi), [place]
            for _ in range(int(STROKE_MM / pixel)):
                for turn in range(12):
                    turned = heading + rng.normal(0, 0.15 + 0.2 * turn)
                    ahead = place + np.array([np.sin(turned), np.cos(turned)])
                    if allowed[
                        tuple(np.clip(np.rint(ahead).astype(int), 0, np.array(truth.shape) - 1))
                    ]:
                        break
                else:
                    break
                place, heading = ahead, turned
                line.append(place)
            index = np.clip(np.rint(line).astype(int), 0, np.array(truth.shape) - 1)
            low, high = np.maximum(index.min(axis=0) - 5, 0), index.max(axis=0) + 6
            part = drawn[low[0] : high[0], low[1] : high[1]]
            away = np.ones(part.shape, dtype=bool)
            away[tuple((index - low).T)] = False
            part[ndimage.distance_transform_edt(away) * pixel <= BRUSH_MM / 2] = number
    return drawn


def colour_threshold(features: FeatureMaps, truth: np.ndarray) -> tuple[float, float]:
    """The best that one threshold on one colour can do for the core and for the rim.

    Tries both signs of the three optical densities, the two stains and redness, averaged over
    50 µm, at 60 levels chosen with the truth in hand: no user can do better with one threshold.
    """
    tissue = features.tissue
    zones = [truth == ZONES[zone] for zone in LESION]
    raw = [ndimage.gaussian_filter(r, 1.5) for r in features.raw[:3]]
    best = [0.0, 0.0]
    for values in [*raw, *features.at(50)[:5]]:
        everywhere = np.sort(values[tissue])
        levels = np.percentile(everywhere, np.linspace(1, 99, 60))
        below = np.searchsorted(everywhere, levels, "right")
        for k, zone in enumerate(zones):
            inside = np.sort(values[tissue & zone])
            hit = np.searchsorted(inside, levels, "right")
            low = 2 * hit / (below + zone.sum())
            high = 2 * (len(inside) - hit) / (len(everywhere) - below + zone.sum())
            best[k] = max(best[k], float(low.max()), float(high.max()))
    return best[0], best[1]


def judge_treated(seed: int, keep: Path | None) -> list[float]:
    """Dice of core and rim: proposal, learnt, best threshold; seconds of processor to learn."""
    image, simulated = section(seed, True, keep)
    features = compute(image)
    truth = true_zones(simulated, features.grid)
    proposal = propose(features)
    strokes = random_strokes(truth, features.grid, seed)
    start = time.process_time()
    learnt = train(features, strokes).predict(features, strokes=strokes)
    seconds = time.process_time() - start
    scores = [
        dice(labels == ZONES[zone], truth == ZONES[zone])
        for labels in (proposal.labels, learnt.labels)
        for zone in LESION
    ]
    return [*scores, *colour_threshold(features, truth), seconds]


def judge_untreated(seed: int, keep: Path | None) -> list[float]:
    """1 where a lesion was found that is not there."""
    return [float(propose(compute(section(seed, False, keep)[0])).found)]


def judged(
    part: str,
    seeds: range,
    judge: Callable[[int, Path | None], list[float]],
    keep: Path | None,
    store: Path | None,
) -> np.ndarray:
    """What `judge` says of every seed, (seeds, figures); kept seeds are not judged again."""
    kept: Store = json.loads(store.read_text()) if store and store.exists() else {}
    done = kept.setdefault(part, {})
    for seed in seeds:
        if str(seed) not in done:
            done[str(seed)] = judge(seed, keep)
            print(f"{part} {seed}:", *(f"{value:.3f}" for value in done[str(seed)]), flush=True)
            if store:
                store.write_text(json.dumps(kept))
    return np.array([done[str(seed)] for seed in seeds])


def rows_demo(seeds: range, keep: Path | None, store: Path | None) -> list[Row]:
    values = judged("demo", seeds, judge_treated, keep, store)
    n, part = f"n = {len(values)}", "zones, demo sections at 8 µm"
    middle, lowest = np.median(values, axis=0), values.min(axis=0)
    rows = []
    for k, (how, bar) in enumerate(
        [("proposal", "≥ 0.90"), ("proposal", "≥ 0.75"), ("4 strokes", "≥ 0.95"),
         ("4 strokes", "≥ 0.88")]
    ):  # fmt: skip
        zone = LESION[k % 2]
        rows += [
            Row(part, f"{how}: Dice, {zone}, median", float(middle[k]), "", bar,
                "best single colour threshold, truth in hand", float(middle[4 + k % 2]), n,
                readme=True),
            Row(part, f"{how}: Dice, {zone}, lowest", float(lowest[k]), note=n),
        ]  # fmt: skip
    return [
        *rows,
        Row(part, "from strokes to labels, median", float(middle[6]), "s of processor", note=n),
    ]


def rows_untreated(seeds: range, keep: Path | None, store: Path | None) -> list[Row]:
    found = judged("untreated", seeds, judge_untreated, keep, store)[:, 0]
    return [
        Row("zones, untreated sections", "no lesion reported", 100 * float(1 - found.mean()), "%",
            "≥ 95", note=f"n = {len(found)}")
    ]  # fmt: skip


# Strokes as (x, y) in pixels: two in the lesion, two in normal lung, drawn on each section by eye.
REAL: dict[str, tuple[str, list[list[tuple[int, int]]]]] = {
    "he": (
        "H&E",
        [
            [(200, 300), (290, 330), (380, 330)],
            [(430, 380), (500, 350), (580, 330)],
            [(60, 200), (80, 300), (100, 400)],
            [(700, 350), (760, 400), (820, 450)],
        ],
    ),
    "cc10": (
        "H-DAB",
        [
            [(200, 320), (290, 330), (370, 340)],
            [(420, 380), (500, 370), (560, 350)],
            [(60, 220), (90, 300), (120, 420)],
            [(690, 400), (740, 440), (800, 480)],
        ],
    ),
    "prospc": (
        "H-DAB",
        [
            [(260, 330), (330, 330), (400, 330)],
            [(470, 370), (540, 370), (600, 380)],
            [(80, 330), (110, 390), (140, 440)],
            [(750, 300), (800, 390), (830, 480)],
        ],
    ),
}
REAL_MM = 0.00348


# Other strokes that a user might have drawn: these, moved and turned at random.
OTHERS, MOVED_PX, TURNED_DEG = 20, 20.0, 20.0


def varied(line: list[tuple[int, int]], rng: np.random.Generator) -> np.ndarray:
    """A stroke (n, 2) in (x, y) pixels, moved and turned about its middle."""
    points = np.array(line, dtype=float)
    middle = points.mean(axis=0)
    angle = np.deg2rad(rng.normal(0, TURNED_DEG))
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return (points - middle) @ turn.T + middle + rng.normal(0, MOVED_PX, 2)


def rows_real() -> list[Row]:
    """Each section learnt from its own strokes, against the H&E outline carried by landmarks."""
    from imageio.v3 import imread
    from scipy.interpolate import RBFInterpolator
    from skimage.filters import threshold_otsu

    def landmarks(name: str) -> np.ndarray:
        with open(SECTIONS / "landmarks" / f"section-{name}.csv", newline="") as file:
            rows = list(csv.DictReader(file))
        return np.array([[float(r["y_px"]), float(r["x_px"])] for r in rows]) * REAL_MM

    measured = {}
    for name, (stain, _) in REAL.items():
        rgb = imread(SECTIONS / f"section-{name}.jpg")
        grid = Grid(rgb.shape[:2], (REAL_MM, REAL_MM), (0, 0), "slide")
        measured[name] = compute(Image(rgb, grid), stain, spacing_um=REAL_MM * 1000)
    carry = {
        name: RBFInterpolator(landmarks("he"), landmarks(name), smoothing=1e-3)
        for name in ("cc10", "prospc")
    }

    def scores(rng: np.random.Generator | None) -> dict[str, list[float]]:
        found, outlines = {}, []
        for name, (_, lines) in REAL.items():
            drawn = [np.array(line) if rng is None else varied(line, rng) for line in lines]
            zones = ("tumour", "tumour", "viable", "viable")
            strokes = [
                Stroke(zone, line[:, ::-1] * REAL_MM, 0.06)
                for zone, line in zip(zones, drawn, strict=True)
            ]
            features = measured[name]
            learnt = train(features, strokes).predict(features, strokes=strokes)
            if name == "he":
                outlines = [o for o in learnt.outlines() if o.zone == "tumour"]
                continue
            carried = [o.densified(0.02).map(carry[name], "slide") for o in outlines]
            expected = mask_from_outlines(carried, features.grid)
            density = features.at(40)[2]
            plain = density > threshold_otsu(density[features.tissue])
            mine = dice(learnt.labels == ZONES["tumour"], expected)
            found[name] = [mine, dice(plain, expected)]
        return found

    rng = np.random.default_rng(0)
    first, others = scores(None), [scores(rng) for _ in range(OTHERS)]
    rows, part = [], "zones, real sections"
    for name, (mine, plain) in first.items():
        again = [other[name][0] for other in others]
        rows += [
            Row(part, f"H&E to {name}: Dice", mine, "", "≥ 0.80",
                "one threshold (Otsu, optical density over 40 µm)", plain,
                "two strokes a zone on each section, placed by eye, settings tuned in sight"),
            Row(part, f"H&E to {name}: Dice with other strokes, median", float(np.median(again)),
                note=f"lowest {min(again):.2f}, highest {max(again):.2f} of {OTHERS} in which "
                f"strokes were moved by {MOVED_PX:g} px and turned by {TURNED_DEG:g}° (SD)"),
        ]  # fmt: skip
    return rows


def rows_large(keep: Path | None) -> list[Row]:
    """A slide of 50,000 × 50,000 pixels of 0.5 µm, from the file to the proposal.

    The pyramid's levels of 8 µm and coarser hold a demo section; finer ones repeat one tile, since
    a proposal does not read them.
    """
    import imagecodecs
    import tifffile

    from coreg.sources.slides import open_slide

    image, _ = section(1, True, keep)
    side, tile = 50_176, 512
    canvas = np.full((side // 16, side // 16, 3), 243, dtype=np.uint8)
    rows, columns = (min(a, b) for a, b in zip(canvas.shape[:2], image.data.shape[:2], strict=True))
    canvas[:rows, :columns] = image.data[:rows, :columns]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "large.ome.tif"
        filler = imagecodecs.jpeg8_encode(np.full((tile, tile, 3), 243, np.uint8), level=90)
        with tifffile.TiffWriter(path, bigtiff=True, ome=True) as writer:
            options = {"tile": (tile, tile), "photometric": "rgb", "compression": "jpeg"}
            size = {"axes": "YXS", "PhysicalSizeX": 0.5, "PhysicalSizeY": 0.5}
            for k, factor in enumerate((1, 4)):
                n = side // factor
                writer.write(
                    (filler for _ in range((-(-n // tile)) ** 2)),
                    shape=(n, n, 3),
                    dtype=np.uint8,
                    subifds=3 if k == 0 else None,
                    subfiletype=1 if k else 0,
                    metadata=size if k == 0 else None,
                    **options,
                )
            for step in (1, 4):
                writer.write(canvas[::step, ::step], subfiletype=1, **options)
        wall, cpu = time.perf_counter(), time.process_time()
        with open_slide(path) as slide:
            found = propose(compute_slide(slide)).found
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    if not found:
        raise RuntimeError("The lesion on the large slide was not found, so its time says nothing.")
    part = f"zones, slide of {side**2 / 1e9:.1f} gigapixels"
    return [
        Row(part, "from file to proposal", wall, "s", "≤ 60", note=f"{cpu:.0f} s of processor"),
        Row(part, "peak memory, painting included", peak, "GB", "< 2"),
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--parts", default="large,demo,untreated,real")
    parser.add_argument("--cases", help="first:last of the 30 sections, counted from 0; else all")
    parser.add_argument("--store", type=Path, help="JSON file that keeps judged sections")
    parser.add_argument("--keep", type=Path, help="folder that keeps painted sections")
    parser.add_argument("--quick", action="store_true", help="2 sections a part")
    parser.add_argument("--save", action="store_true")
    asked = parser.parse_args()
    first, last = (int(n) for n in (asked.cases or "0:30").split(":"))
    last = min(last, first + 2) if asked.quick else last
    rows: list[Row] = []
    for part in asked.parts.split(","):
        if part == "demo":
            rows += rows_demo(range(1 + first, 1 + last), asked.keep, asked.store)
        elif part == "untreated":
            rows += rows_untreated(range(501 + first, 501 + last), asked.keep, asked.store)
        elif part == "real":
            rows += rows_real()
        elif part == "large":
            rows += rows_large(asked.keep)
        else:
            parser.error(f"unknown part {part!r}")
    print(table(rows))
    if asked.save:
        save("zones", rows, asked.quick)


if __name__ == "__main__":
    main()
