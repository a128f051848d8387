"""A case of a few kilobytes, quick through all steps: what hard use is tried on."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from coreg.case import Case, new_case, open_case

SHAPE = (28, 20)  # depth, lateral
STEP_MM = 0.4
SLIDE_PX = (300, 240)
SLIDE_UM = 40.0
FRAME_RATE_HZ, MODULATION_HZ = 400.0, 50.0
CENTRE_MM = (5.6, 4.0)
STEPS = ("predict", "outline", "align", "agree", "figure")


def displacement() -> np.ndarray:
    """float32 µm (times, frames, depth, lateral): the middle stiffens over time."""
    rows, columns = np.indices(SHAPE) * STEP_MM
    middle = np.hypot(rows - CENTRE_MM[0], columns - CENTRE_MM[1]) < 2.0
    frames = np.arange(16) / FRAME_RATE_HZ
    wave = np.sin(2 * np.pi * MODULATION_HZ * frames)[:, None, None]
    noise = np.random.default_rng(5).normal(0, 0.05, (4, 16, *SHAPE))
    stiffening = np.array([0.0, 0.3, 0.5, 0.7])[:, None, None, None]
    return ((10.0 - 10.0 * stiffening * middle) * wave + noise).astype(np.float32)


def slide_pixels() -> np.ndarray:
    """uint8 (300, 240, 3): an ellipse of pink and violet tissue on white."""
    rows, columns = np.indices(SLIDE_PX)
    tissue = np.hypot((rows - 150) / 140, (columns - 120) / 110) < 1
    speckle = np.random.default_rng(6).random(SLIDE_PX)
    nuclei = tissue & (speckle < 0.2)
    pixels = np.full((*SLIDE_PX, 3), 245, dtype=np.uint8)
    pixels[tissue] = (215, 130, 175)
    pixels[nuclei] = (95, 60, 140)
    return pixels


def ring(centre: tuple[float, float], radius: float, count: int = 24) -> list[list[float]]:
    """A closed ring of [x, y] in mm round a centre (y, x)."""
    angle = np.linspace(0, 2 * np.pi, count, endpoint=False)
    points = np.stack([centre[1] + radius * np.cos(angle), centre[0] + radius * np.sin(angle)], 1)
    return [[round(float(x), 4), round(float(y), 4)] for x, y in [*points, points[0]]]


def feature(zone: str, rings: list[list[list[float]]], **properties: object) -> dict[str, object]:
    """A GeoJSON feature."""
    return {
        "type": "Feature",
        "properties": {"zone": zone, "observer": "first", "made_by": "test", **properties},
        "geometry": {"type": "Polygon", "coordinates": rings},
    }


def outlines() -> dict[str, object]:
    """The case's outlines as a GeoJSON collection."""
    centre = (6.0, 4.8)
    return {
        "type": "FeatureCollection",
        "frame": "slide",
        "unit": "mm",
        "features": [
            feature("tumour", [ring(centre, 3.5)]),
            feature("ablated", [ring(centre, 1.6)]),
            feature("diffusion-damaged", [ring(centre, 2.1), ring(centre, 1.6)]),
        ],
    }


def landmarks() -> str:
    """Nine pairs as CSV: the slide lies 0.8 mm and 0.4 mm off, each a little elsewhere."""
    lines = ["name,plane_depth_mm,plane_lateral_mm,slide_y_mm,slide_x_mm,observer"]
    off = np.random.default_rng(7).normal(0, 0.05, (9, 2))
    for k in range(9):
        depth, lateral = 1.5 + 4.0 * (k // 3), 1.0 + 3.0 * (k % 3)
        y, x = depth + 0.4 + off[k, 0], lateral + 0.8 + off[k, 1]
        lines.append(f"mark {k + 1},{depth},{lateral},{y:.3f},{x:.3f},first")
    return "\n".join(lines) + "\n"


def write_slide(path: Path) -> None:
    """A tiled TIFF with its pixel size in OME-XML."""
    import tifffile

    tifffile.imwrite(
        path,
        slide_pixels(),
        photometric="rgb",
        tile=(64, 64),
        compression="zlib",
        ome=True,
        metadata={
            "axes": "YXS",
            "PhysicalSizeX": SLIDE_UM,
            "PhysicalSizeY": SLIDE_UM,
            "PhysicalSizeXUnit": "µm",
            "PhysicalSizeYUnit": "µm",
        },
    )


def write_recording(path: Path, data: np.ndarray | None = None, **more: np.ndarray) -> None:
    """A recording as .npz with its axes."""
    arrays = {
        "displacement": displacement() if data is None else data,
        "depth_mm": np.arange(SHAPE[0]) * STEP_MM,
        "lateral_mm": np.arange(SHAPE[1]) * STEP_MM,
        "time_s": np.arange(4) * 10.0,
    }
    np.savez_compressed(path, **{**arrays, **more})


def bmode() -> np.ndarray:
    """uint8 (depth, lateral) grey values."""
    return np.random.default_rng(8).integers(20, 200, (56, 40), dtype=np.uint8)


def write_case(folder: Path) -> Case:
    """Make the case, nothing run yet."""
    from PIL import Image

    folder.mkdir()
    write_slide(folder / "slide.ome.tif")
    write_recording(folder / "recording.npz")
    Image.fromarray(bmode()).save(folder / "bmode.png")
    case = new_case(
        folder,
        {
            "case": {"name": "small", "animal": "rabbit 1"},
            "slide": {"path": "slide.ome.tif"},
            "displacement": {
                "path": "recording.npz",
                "array": "displacement",
                "depth": "depth_mm",
                "lateral": "lateral_mm",
                "time": "time_s",
                "axis_order": "time,frame,depth,lateral",
                "frame_rate_hz": FRAME_RATE_HZ,
                "modulation_frequency_hz": MODULATION_HZ,
            },
            "bmode": {"path": "bmode.png", "pixel_size_mm": [0.2, 0.2]},
            "landmarks": {"error_mm": 0.1},
            "predict": {"focus_mm": list(CENTRE_MM)},
            "align": {"model": "affine"},
            "agree": {"draws": 50},
            "figure": {"dpi": 72, "section_um": 80.0},
        },
    )
    (folder / "landmarks.csv").write_text(landmarks(), encoding="utf-8")
    (folder / "outlines" / "first.geojson").write_text(json.dumps(outlines()), encoding="utf-8")
    return open_case(case.folder)
