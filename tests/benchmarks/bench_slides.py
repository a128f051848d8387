"""How large slides are read: peak memory and time on generated pyramids, speed against others.

Run: python tests/benchmarks/bench_slides.py [--quick] [--save]

A pyramid of 100,000 × 80,000 pixels (0.25 µm), and one of twice the sides, are generated with every
level; their tiles repeat, so the files stay small. Each job runs in its own process, so that its
peak memory is its own. Then regions and tiles are read from the same file by this library, by plain
tifffile with zarr, and by OpenSlide, in turn.
"""

from __future__ import annotations

import argparse
import json
import resource
import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from measured import Row, save, table

TILE = 256
PIXEL_UM = 0.25
SIZE = (80_000, 100_000)


def tissue_tiles(seed: int, count: int = 16) -> list[bytes]:
    """JPEG tiles: glass first, then H&E-like tissue, the same mean at every level."""
    import imagecodecs
    from scipy import ndimage

    rng = np.random.default_rng(seed)
    tiles = []
    for k in range(count + 1):
        grain = ndimage.gaussian_filter(rng.normal(size=(TILE, TILE, 2)), (2, 2, 0)) * 6
        amount = np.clip(0.25 + 0.15 * grain, 0, None) if k else np.zeros((TILE, TILE, 2))
        vectors = np.array([[0.65, 0.70, 0.29], [0.07, 0.99, 0.11]])
        light = 240 * 10 ** -(amount @ vectors) + rng.normal(0, 1.5, (TILE, TILE, 3))
        rgb = np.clip(light, 0, 255).astype(np.uint8)
        tiles.append(
            imagecodecs.jpeg_encode(
                rgb, 85, colorspace="RGB", outcolorspace="YCBCR", subsampling="444"
            )
        )
    return tiles


def write_pyramid(path: Path, rows: int, columns: int, seed: int = 0) -> None:
    """A BigTIFF pyramid with every level down to 512 pixels, whose tiles repeat."""
    tiles = tissue_tiles(seed)
    rng = np.random.default_rng(seed + 1)
    with path.open("wb") as file:
        file.write(struct.pack("<2sHHHQ", b"II", 43, 8, 0, 0))
        places = []
        for tile in tiles:
            places.append((file.tell(), len(tile)))
            file.write(tile)
        link = 8
        level = 0
        while level == 0 or max(rows, columns) >> (level - 1) > 512:
            h, w = rows >> level, columns >> level
            down, across = -(-h // TILE), -(-w // TILE)
            y = (np.arange(down)[:, None] + 0.5) * TILE / h - 0.5
            x = (np.arange(across)[None, :] + 0.5) * TILE / w - 0.5
            inside = (y / 0.35) ** 2 + (x / 0.35) ** 2 < 1
            which = np.where(inside, rng.integers(1, len(tiles), inside.shape), 0).ravel()
            offsets = np.array([p[0] for p in places], "<u8")[which]
            counts = np.array([p[1] for p in places], "<u8")[which]
            at = []
            for array in (offsets, counts):
                file.write(b"\0" * (-file.tell() % 8))
                at.append(file.tell())
                file.write(array.tobytes())
            here = file.tell()
            n = len(which)

            def inline(kind: str, *values: int) -> int:
                return struct.unpack("<Q", struct.pack(f"<{kind}", *values).ljust(8, b"\0"))[0]

            resolution = inline("II", round(10_000 / (PIXEL_UM * 2**level)), 1)
            tags = [
                (254, 4, 1, inline("I", int(level > 0))),
                (256, 4, 1, inline("I", w)),
                (257, 4, 1, inline("I", h)),
                (258, 3, 3, inline("HHH", 8, 8, 8)),
                (259, 3, 1, inline("H", 7)),
                (262, 3, 1, inline("H", 6)),
                (277, 3, 1, inline("H", 3)),
                (282, 5, 1, resolution),
                (283, 5, 1, resolution),
                (284, 3, 1, inline("H", 1)),
                (296, 3, 1, inline("H", 3)),
                (322, 4, 1, inline("I", TILE)),
                (323, 4, 1, inline("I", TILE)),
                (324, 16, n, at[0] if n > 1 else int(offsets[0])),
                (325, 16, n, at[1] if n > 1 else int(counts[0])),
                (530, 3, 2, inline("HH", 1, 1)),
            ]
            file.write(struct.pack("<Q", len(tags)))
            for tag in tags:
                file.write(struct.pack("<HHQQ", *tag))
            following = file.tell()
            file.write(struct.pack("<Q", 0))
            file.seek(link)
            file.write(struct.pack("<Q", here))
            file.seek(0, 2)
            link = following
            level += 1


def job(path: str, folder: str) -> dict[str, float]:
    """Everything that a case does with its slide; seconds of each part and peak memory."""
    from coreg.geometry import Grid
    from coreg.sources.slides import open_slide, resample_slide, write_ome_tiff
    from coreg.stain import STAIN_SETS, separate_slide, tissue_mask, white_point
    from coreg.transforms import Affine, Warp

    seconds: dict[str, float] = {}
    peaks: dict[str, float] = {}
    start = time.perf_counter()

    def lap(name: str) -> None:
        nonlocal start
        now = time.perf_counter()
        seconds[name], start = now - start, now
        peaks[f"peak GB after {name}"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20

    with open_slide(path) as slide:
        lap("check")
        slide.thumbnail(1024)
        lap("thumbnail")
        overview = slide.thumbnail(1600)
        mask = tissue_mask(overview)
        lap("tissue mask")
        white = white_point(overview, mask)
        separate_slide(slide, STAIN_SETS["H&E"], white, 0.008, Path(folder) / "stain.ome.tif")
        lap("stain at 8 µm")
        # A section turned and bent, onto a plane of 12 × 16 mm that lies within either slide, so
        # that both export the same number of pixels.
        turn = np.deg2rad(12)
        matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        bend = Grid((11, 13), (2.0, 2.0), (0.0, 0.0), "plane")
        field = np.random.default_rng(0).normal(0, 0.1, (11, 13, 2))
        transform = Warp(Affine(matrix, np.array([5.5, 3.0])), bend, field)
        plane = Grid((1200, 1600), (0.01, 0.01), (0.0, 0.0), "plane")
        aligned = resample_slide(slide, transform, plane)
        write_ome_tiff(Path(folder) / "aligned.ome.tif", aligned)
        lap("aligned at 10 µm")
    seconds["total"] = sum(seconds.values())
    return {**seconds, **peaks, "tissue share": float(mask.mean())}


def speeds(path: Path, regions: int, tile_level: int) -> dict[str, dict[str, float]]:
    """Regions and tiles a second of each reader, the same ones in the same order."""
    import openslide
    import tifffile
    import zarr

    from coreg.sources.slides import open_slide

    rng = np.random.default_rng(0)
    found: dict[str, dict[str, float]] = {}
    with open_slide(path) as slide:
        h, w = slide.shape
        places = [
            (int(rng.integers(h // 4, 3 * h // 4)), int(rng.integers(w // 4, 3 * w // 4)))
            for _ in range(regions)
        ]

        def ours(y: int, x: int) -> np.ndarray:
            return slide.read(0, slice(y, y + 512), slice(x, x + 512))

        found["coreg"] = {"regions/s": _rate(ours, places)}
        start = time.perf_counter()
        count = sum(1 for _ in slide.tiles(tile_level))
        found["coreg"]["tiles/s"] = count / (time.perf_counter() - start)
    with tifffile.TiffFile(path) as tiff:
        array = zarr.open(tiff.series[0].aszarr(level=0), mode="r")
        theirs = _rate(lambda y, x: array[y : y + 512, x : x + 512], places)
        page = tiff.series[0].levels[tile_level].keyframe
        start = time.perf_counter()
        count = sum(1 for _ in page.segments())
        found["tifffile"] = {
            "regions/s": theirs,
            "tiles/s": count / (time.perf_counter() - start),
        }
    with openslide.OpenSlide(path) as other:
        theirs = _rate(
            lambda y, x: np.asarray(other.read_region((x, y), 0, (512, 512)))[..., :3], places
        )
        width, height = other.level_dimensions[tile_level]
        factor = 2**tile_level
        start = time.perf_counter()
        count = 0
        for y in range(0, height, TILE):
            for x in range(0, width, TILE):
                size = (min(TILE, width - x), min(TILE, height - y))
                np.asarray(other.read_region((x * factor, y * factor), tile_level, size))
                count += 1
        found["OpenSlide"] = {
            "regions/s": theirs,
            "tiles/s": count / (time.perf_counter() - start),
        }
    return found


def _rate(read, places) -> float:
    start = time.perf_counter()
    for y, x in places:
        read(y, x)
    return len(places) / (time.perf_counter() - start)


def _in_process(path: Path, folder: Path) -> dict[str, float]:
    run = subprocess.run(
        [sys.executable, __file__, "--job", str(path), str(folder)],
        check=True,
        capture_output=True,
        text=True,
    )
    return json.loads(run.stdout)


BARS = {
    "total": ("≤ 60 s on 2 cores", "s"),
    "peak GB after aligned at 10 µm": ("≤ 1.5 GB", "GB"),
}


def rows_of_size(one: dict[str, float], two: dict[str, float], size: tuple[int, int]) -> list[Row]:
    """The whole job on both pyramids; the alternative is the same job on half the sides."""
    pixels = f"{size[1]:,} × {size[0]:,}"
    rows = [
        Row(
            "slides",
            f"check, thumbnail, tissue, stain at 8 µm, export at 10 µm of {pixels}: {what}",
            one[key],
            BARS[key][1],
            BARS[key][0],
        )
        for key, what in (("total", "time"), ("peak GB after aligned at 10 µm", "peak memory"))
    ]
    key = "peak GB after aligned at 10 µm"
    rows.append(
        Row(
            "slides",
            f"the same job on {2 * size[1]:,} × {2 * size[0]:,}: peak memory",
            two[key],
            "GB",
            "ratio within 1.20",
            f"on {pixels}",
            one[key],
            readme=True,
        )
    )
    return rows


def rows_of_speed(found: dict[str, dict[str, float]]) -> list[Row]:
    """Rates beside each other reader's, from the same file."""
    own = found["coreg"]
    kinds = (("regions/s", "regions of 512 × 512 read"), ("tiles/s", "tiles of 256 × 256 read"))
    return [
        Row("slides", what, own[key], "/s", "", reader, rates[key], readme=True)
        for key, what in kinds
        for reader, rates in found.items()
        if reader != "coreg"
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a tenth of the sides")
    parser.add_argument("--save", action="store_true", help="keep the rows for the page")
    parser.add_argument("--job", nargs=2, metavar=("FILE", "FOLDER"))
    options = parser.parse_args()
    if options.job:
        print(json.dumps(job(*options.job)))
        return
    rows, columns = (n // 10 for n in SIZE) if options.quick else SIZE
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        one, two = folder / "one.tif", folder / "two.tif"
        write_pyramid(one, rows, columns)
        write_pyramid(two, 2 * rows, 2 * columns)
        a, b = _in_process(one, folder), _in_process(two, folder)
        for key in a:
            print(f"{key}: {a[key]:.2f}, with both sides doubled {b[key]:.2f}")
        found = [
            speeds(one, 50 if options.quick else 300, 1 if options.quick else 3) for _ in range(3)
        ]
    # The middle of three rounds: a busy moment of the machine falls on one reader of one round.
    middle = {
        reader: {
            kind: float(np.median([round_[reader][kind] for round_ in found]))
            for kind in found[0][reader]
        }
        for reader in found[0]
    }
    measured = rows_of_size(a, b, (rows, columns)) + rows_of_speed(middle)
    print(table(measured))
    if options.save:
        save("slides", measured, options.quick)


if __name__ == "__main__":
    main()
