"""How long `coreg check` takes on a case with a gigapixel slide, as a command, start included.

python tests/benchmarks/bench_check.py --save
"""

from __future__ import annotations

import argparse
import itertools
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1])]

from hard_use.small_case import write_case  # noqa: E402
from measured import Row, save, table  # noqa: E402

SIDES_PX = (40_960, 30_720)
TILE_PX = 256
UM = 0.3


def write_gigapixel(path: Path) -> None:
    """A pyramid of 1.26 gigapixels whose tiles are all alike, written without compressing each."""
    import imagecodecs
    import numpy as np
    import tifffile

    tile = imagecodecs.jpeg_encode(np.full((TILE_PX, TILE_PX, 3), 230, dtype=np.uint8))
    options = {"photometric": "rgb", "tile": (TILE_PX, TILE_PX), "compression": "jpeg"}
    with tifffile.TiffWriter(path, ome=True, bigtiff=True) as writer:
        for level in range(7):
            shape = tuple(-(-side // 2**level) for side in SIDES_PX)
            count = -(-shape[0] // TILE_PX) * -(-shape[1] // TILE_PX)
            more = (
                {"subfiletype": 1, "metadata": None}
                if level
                else {
                    "subifds": 6,
                    "metadata": {"axes": "YXS", "PhysicalSizeX": UM, "PhysicalSizeY": UM},
                }
            )
            data = itertools.repeat(tile, count)
            writer.write(data, shape=(*shape, 3), dtype="uint8", **options, **more)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=7)
    parser.add_argument("--save", action="store_true")
    parser.add_argument("--quick", action="store_true", help="three times")
    options = parser.parse_args()
    repeats = 3 if options.quick else options.repeats
    with tempfile.TemporaryDirectory() as folder:
        case = write_case(Path(folder) / "case")
        write_gigapixel(case.folder / "giga.ome.tif")
        case.change("slide", path="giga.ome.tif")
        seconds = []
        for _ in range(repeats):
            start = time.perf_counter()
            command = [sys.executable, "-m", "coreg.cli", "check", str(case.folder)]
            done = subprocess.run(command, capture_output=True, text=True, check=False)
            seconds.append(time.perf_counter() - start)
            assert "in 7 levels" in done.stdout, done.stdout + done.stderr
    pixels = SIDES_PX[0] * SIDES_PX[1] / 1e9
    median = sorted(seconds)[repeats // 2]
    note = f"slide of {pixels:.2f} gigapixels, least of {repeats}; median {median:.2f} s"
    rows = [Row("Check", "coreg check with a gigapixel slide", min(seconds), "s", "2", note=note)]
    print(table(rows))
    if options.save:
        save("check", rows, options.quick)


if __name__ == "__main__":
    main()
