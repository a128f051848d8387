"""The bars of zone outlining: demo sections, untreated sections, real sections, a large slide.

Run by hand; a section takes a minute or more to paint at 8 µm per pixel, so painted sections can
be kept:

    python tests/benchmarks/bench_zones.py demo --first 1 --cases 30 --keep FOLDER
    python tests/benchmarks/bench_zones.py untreated --first 501 --cases 30 --keep FOLDER
    python tests/benchmarks/bench_zones.py real
    python tests/benchmarks/bench_zones.py large

Seeds 1–30 (treated) and 501–530 (untreated) are the bar's; settings were tuned on others.
"""

from __future__ import annotations

import argparse
import csv
import resource
import tempfile
import time
from pathlib import Path

import numpy as np
from scipy import ndimage

from coreg.demo.scenario import Scenario
from coreg.demo.simulated import simulate
from coreg.geometry import ZONES, Grid, Image, mask_from_outlines, resample
from coreg.zones.features import FeatureMaps, compute, compute_slide
from coreg.zones.learn import Stroke, train
from coreg.zones.propose import propose

UM_PER_PX = 8.0
STROKES, BRUSH_MM, STROKE_MM = 4, 0.15, 1.2
SECTIONS = Path(__file__).resolve().parents[2].parent / "shared" / "data" / "serial-sections"


def dice(first: np.ndarray, second: np.ndarray) -> float:
    total = int(first.sum()) + int(second.sum())
    return 2 * int((first & second).sum()) / total if total else float("nan")


def section(seed: int, treated: bool, keep: Path | None) -> tuple[Image, Image]:
    """The picture of a random scenario at `UM_PER_PX`, and the true zones."""
    path = keep / f"{'t' if treated else 'u'}{seed}.npz" if keep else None
    simulated = simulate(Scenario.random(seed, treated=treated))
    truth = Image(simulated.zones_slide, simulated.zones_slide_grid)
    grid = simulated.zones_slide_grid.with_spacing(UM_PER_PX / 1000)
    if path is not None and path.exists():
        return Image(np.load(path)["rgb"], grid), truth
    image = simulated.section_image(UM_PER_PX)
    if path is not None:
        np.savez(path, rgb=image.data)
    return image, truth


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
            away = np.ones(truth.shape, dtype=bool)
            index = np.clip(np.rint(line).astype(int), 0, np.array(truth.shape) - 1)
            away[tuple(index.T)] = False
            drawn[ndimage.distance_transform_edt(away) * pixel <= BRUSH_MM / 2] = number
    return drawn


def colour_threshold(features: FeatureMaps, truth: np.ndarray) -> tuple[float, float]:
    """The best that one threshold on one colour can do for the core and for the rim.

    Tries both signs of the three optical densities, the two stains and redness, averaged over
    50 µm, at 60 levels chosen with the truth in hand: no user can do better with one threshold.
    """
    maps = features.at(50)
    raw = [ndimage.gaussian_filter(r, 1.5) for r in features.raw[:3]]
    best = [0.0, 0.0]
    for values in [*raw, *maps[:5]]:
        for level in np.percentile(values[features.tissue], np.linspace(1, 99, 60)):
            for above in (values > level, values <= level):
                for k, zone in enumerate(("ablated", "diffusion-damaged")):
                    found = dice(above & features.tissue, truth == ZONES[zone])
                    best[k] = max(best[k], found)
    return best[0], best[1]


def bench_demo(first: int, cases: int, keep: Path | None) -> None:
    rows = []
    print("seed    proposal: core rim    4 strokes: core rim    one threshold: core rim")
    for seed in range(first, first + cases):
        image, truth = section(seed, True, keep)
        features = compute(image)
        zones = resample(truth, features.grid, order=0, fill=0)
        proposal = propose(features)
        model = train(features, random_strokes(zones, features.grid, seed))
        learnt = model.predict(features)
        row = [
            dice(labels == number, zones == number)
            for labels in (proposal.labels, learnt.labels)
            for number in (ZONES["ablated"], ZONES["diffusion-damaged"])
        ]
        rows.append([*row, *colour_threshold(features, zones)])
        print(f"{seed:4d}   ", "  ".join(f"{v:.3f}" for v in rows[-1]), flush=True)
    for name, value in (("median", np.median(rows, axis=0)), ("lowest", np.min(rows, axis=0))):
        print(f"{name:7s}", "  ".join(f"{v:.3f}" for v in value))
    print("bars     0.900  0.750  0.950  0.880")


def bench_untreated(first: int, cases: int, keep: Path | None) -> None:
    found = 0
    for seed in range(first, first + cases):
        proposal = propose(compute(section(seed, False, keep)[0]))
        found += proposal.found
        print(seed, proposal.found, proposal.reason, flush=True)
    print(f"no lesion on {cases - found} of {cases} untreated sections (bar: 95 %)")


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


def bench_real() -> None:
    """Each section learnt from its own strokes, against the H&E outline carried by landmarks."""
    from imageio.v3 import imread
    from scipy.interpolate import RBFInterpolator
    from skimage.filters import threshold_otsu

    def landmarks(name: str) -> np.ndarray:
        with open(SECTIONS / "landmarks" / f"section-{name}.csv", newline="") as file:
            rows = list(csv.DictReader(file))
        return np.array([[float(r["y_px"]), float(r["x_px"])] for r in rows]) * REAL_MM

    outlines = []
    for name, (stain, lines) in REAL.items():
        rgb = imread(SECTIONS / f"section-{name}.jpg")
        grid = Grid(rgb.shape[:2], (REAL_MM, REAL_MM), (0, 0), "slide")
        features = compute(Image(rgb, grid), stain, spacing_um=REAL_MM * 1000)
        zones = ("tumour", "tumour", "viable", "viable")
        strokes = [
            Stroke(zone, np.array(line)[:, ::-1] * REAL_MM, 0.06)
            for zone, line in zip(zones, lines, strict=True)
        ]
        labels = train(features, strokes).predict(features)
        if name == "he":
            outlines = [o for o in labels.outlines() if o.zone == "tumour"]
            continue
        warp = RBFInterpolator(landmarks("he"), landmarks(name), smoothing=1e-3)
        carried = [o.densified(0.02).map(warp, "slide") for o in outlines]
        expected = mask_from_outlines(carried, features.grid)
        density = features.at(40)[2]
        plain = density > threshold_otsu(density[features.tissue])
        print(
            f"{name}: Dice {dice(labels.labels == ZONES['tumour'], expected):.3f} (bar 0.80), "
            f"one threshold (Otsu, optical density over 40 µm) {dice(plain, expected):.3f}"
        )


def bench_large(keep: Path | None) -> None:
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
            proposal = propose(compute_slide(slide))
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(f"{side**2 / 1e9:.2f} gigapixels: {proposal.reason}")
    print(f"{wall:.0f} s on the clock, {cpu:.0f} s of processor (bar 60 s on 2 cores)")
    print(f"peak memory of the whole process, painting included: {peak:.2f} GB (bar 2 GB)")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("demo", "untreated", "real", "large"))
    parser.add_argument("--first", type=int, default=None)
    parser.add_argument("--cases", type=int, default=30)
    parser.add_argument("--keep", type=Path, default=None)
    asked = parser.parse_args()
    if asked.what == "demo":
        bench_demo(asked.first or 1, asked.cases, asked.keep)
    elif asked.what == "untreated":
        bench_untreated(asked.first or 501, asked.cases, asked.keep)
    elif asked.what == "real":
        bench_real()
    else:
        bench_large(asked.keep)


if __name__ == "__main__":
    main()
