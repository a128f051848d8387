"""The main job on real input: two serial sections of one lesion, aligned by hand-placed landmarks.

The haematoxylin-and-eosin section is the slide, written as a pyramidal TIFF with its pixel size;
the neighbouring proSPC section stands for the image of the imaging plane. Twelve of the 80 expert
landmarks align them, the other 68 tell the error, and a second observer's landmarks tell how far
two people differ in placing them.

    python docs/examples/serial_sections.py FOLDER_OF_SECTIONS CASE_FOLDER

Data: J. Borovec, A. Muñoz-Barrutia, J. Kybic, IEEE ICIP 2018, doi 10.1109/ICIP.2018.8451040
(3-clause BSD). The pixel size is a remembered value: errors in pixels do not depend on it.
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from pathlib import Path

import imageio.v3 as imageio
import numpy as np
import tifffile
from skimage.transform import rescale

import coreg
from coreg.landmark_pairs import LandmarkPairs
from coreg.sources.landmarks import write_landmarks
from coreg.transforms import transform_from_dict

PIXEL_UM = 3.48
PIXEL_MM = PIXEL_UM / 1000
USED = 12


@dataclass(frozen=True)
class Errors:
    """Median distances in pixels of the section's image.

    held_out : at the landmarks that the alignment did not use
    before : the same without any alignment
    leave_one_out : what the tool itself says from the landmarks in use
    observers : between the two observers, on each section
    diagonal : of the target image
    """

    held_out: float
    worst: float
    before: float
    leave_one_out: float
    observers: tuple[float, float]
    diagonal: float


def read_points(path: Path) -> np.ndarray:
    """Landmarks (n, 2) in pixels as (row, column); the files hold X before Y."""
    return np.loadtxt(path, delimiter=",", skiprows=1, usecols=(2, 1))


def spread_out(points: np.ndarray, count: int) -> np.ndarray:
    """Indices of `count` points, each in turn the farthest from those chosen before."""
    chosen = [int(np.argmin(np.linalg.norm(points - points.mean(axis=0), axis=1)))]
    while len(chosen) < count:
        gaps = np.linalg.norm(points[:, None] - points[chosen], axis=2).min(axis=1)
        chosen.append(int(np.argmax(gaps)))
    return np.sort(chosen)


def write_pyramid(image: np.ndarray, path: Path) -> None:
    """Write RGB (rows, columns, 3) as a tiled, pyramidal OME-TIFF with its pixel size."""
    levels = [image]
    while max(levels[-1].shape) > 256:
        halved = rescale(levels[-1], 0.5, channel_axis=2, anti_aliasing=True, preserve_range=True)
        levels.append(np.rint(halved).astype(np.uint8))
    options = {"photometric": "rgb", "tile": (256, 256), "compression": "deflate"}
    size = {"PhysicalSizeX": PIXEL_UM, "PhysicalSizeY": PIXEL_UM}
    units = {"PhysicalSizeXUnit": "µm", "PhysicalSizeYUnit": "µm"}
    with tifffile.TiffWriter(path, ome=True) as file:
        metadata = {"axes": "YXS", **size, **units}
        file.write(levels[0], subifds=len(levels) - 1, metadata=metadata, **options)
        for level in levels[1:]:
            file.write(level, subfiletype=1, **options)


def make_case(sections: Path, folder: Path) -> tuple[coreg.Case, np.ndarray]:
    """Write the slide and the case; return the case and which landmarks it uses."""
    folder.mkdir(parents=True, exist_ok=True)
    write_pyramid(imageio.imread(sections / "section-he.jpg"), folder / "he.ome.tif")
    case = coreg.new_case(
        folder,
        {
            "case": {"name": "serial sections"},
            "slide": {"path": "he.ome.tif"},
            "bmode": {
                "path": str((sections / "section-prospc.jpg").resolve()),
                "pixel_size_mm": [PIXEL_MM, PIXEL_MM],
                "origin_mm": [PIXEL_MM / 2, PIXEL_MM / 2],
            },
        },
    )
    plane = read_points(sections / "landmarks" / "section-prospc.csv") * PIXEL_MM
    on_slide = read_points(sections / "landmarks" / "section-he.csv") * PIXEL_MM
    used = spread_out(plane, USED)
    write_landmarks(folder / "landmarks.csv", LandmarkPairs(plane, on_slide).select(used))
    return case, used


def measure(case: coreg.Case, sections: Path, used: np.ndarray) -> Errors:
    """Align and measure at the landmarks that were held out."""
    result = case.run(["align"])
    saved = json.loads(case.result("align").file("transform.json").read_text("utf-8"))
    transform = transform_from_dict(saved)
    plane = read_points(sections / "landmarks" / "section-prospc.csv")
    on_slide = read_points(sections / "landmarks" / "section-he.csv")
    held_out = np.setdiff1d(np.arange(len(plane)), used)
    mapped = transform.to_slide(plane[held_out] * PIXEL_MM) / PIXEL_MM
    errors = np.linalg.norm(mapped - on_slide[held_out], axis=1)
    between = [
        np.linalg.norm(
            read_points(sections / "landmarks" / name)
            - read_points(sections / "landmarks-second-observer" / name),
            axis=1,
        )
        for name in ("section-he.csv", "section-prospc.csv")
    ]
    from coreg.sources.slides import open_slide

    with open_slide(case.require("slide")) as slide:
        diagonal = float(np.hypot(*slide.shape))
    return Errors(
        float(np.median(errors)),
        float(errors.max()),
        float(np.median(np.linalg.norm(plane - on_slide, axis=1)[held_out])),
        result.summaries["align"]["leave_one_out_median_mm"] / PIXEL_MM,
        (float(np.median(between[0])), float(np.median(between[1]))),
        diagonal,
    )


def main() -> None:
    sections, folder = Path(sys.argv[1]), Path(sys.argv[2])
    case, used = make_case(sections, folder)
    errors = measure(case, sections, used)
    print(f"{USED} landmarks used, {80 - USED} held out; medians in pixels of {PIXEL_UM} µm")
    print(f"without alignment              {errors.before:6.2f}")
    print(
        f"held-out landmarks             {errors.held_out:6.2f}   "
        f"({100 * errors.held_out / errors.diagonal:.2f} % of the diagonal; "
        f"worst {errors.worst:.1f})"
    )
    print(f"leave-one-out, as the tool says {errors.leave_one_out:5.2f}")
    print(
        f"between two observers          {errors.observers[0]:6.2f} (H&E)  "
        f"{errors.observers[1]:.2f} (proSPC)"
    )


if __name__ == "__main__":
    main()
