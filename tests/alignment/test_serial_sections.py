"""Real sections aligned without any landmark; the landmarks of an expert tell the error.

Data: J. Borovec, A. Muñoz-Barrutia, J. Kybic, IEEE ICIP 2018, doi 10.1109/ICIP.2018.8451040. All
pairs, 100 random turns and the comparison with itk-elastix are in
`tests/benchmarks/bench_alignment.py`.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
from skimage.io import imread

from coreg.alignment import IntensityOptions, align_images
from coreg.alignment.intensity import DEFAULT_LEVELS
from coreg.geometry import Grid, Image, resample


def section(folder: Path, stain: str, frame: str) -> Image:
    """The section with its pixels as millimetres."""
    data = imread(folder / f"section-{stain}.jpg")
    return Image(data, Grid(data.shape[:2], (1.0, 1.0), (0.5, 0.5), frame))  # type: ignore[arg-type]


def marks(folder: Path, stain: str, observer: str = "landmarks") -> np.ndarray:
    with open(folder / observer / f"section-{stain}.csv", encoding="utf-8", newline="") as file:
        return np.array([[float(r["y_px"]), float(r["x_px"])] for r in csv.DictReader(file)])


def test_two_stains_align_as_well_as_two_observers_agree(serial_sections: Path) -> None:
    plane, slide = (
        section(serial_sections, stain, frame)
        for stain, frame in (("cc10", "plane"), ("prospc", "slide"))
    )
    fit = align_images(plane, slide)
    there = marks(serial_sections, "prospc")
    miss = np.linalg.norm(fit.transform.to_slide(marks(serial_sections, "cc10")) - there, axis=1)
    second = marks(serial_sections, "prospc", "landmarks-second-observer")
    assert np.median(miss) <= np.median(np.linalg.norm(there - second, axis=1))
    assert fit.area_range[0] > 0.3
    assert not fit.mirrored


def test_a_turned_and_mirrored_section_is_found(serial_sections: Path) -> None:
    """Haematoxylin and eosin against immunohistochemistry, 140° and face down: within 1 % of the
    diagonal, the bar of the benchmark's 100 trials."""
    whole = section(serial_sections, "he", "slide")
    angle = np.radians(140.0)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    matrix = 0.9 * turn @ np.diag([1.0, -1.0])
    height, width = whole.grid.size
    corners = np.array([(0, 0), (0, width), (height, 0), (height, width)]) @ matrix.T
    shift = -corners.min(axis=0)
    shape = np.ceil(np.ptp(corners, axis=0)).astype(int)
    grid = Grid((int(shape[0]), int(shape[1])), (1.0, 1.0), (0.5, 0.5), "slide")
    back = np.linalg.inv(matrix)
    data = resample(whole, grid, lambda p: (p - shift) @ back.T, fill=255.0)
    slide = Image(data.clip(0, 255).astype(np.uint8), grid)
    quick = IntensityOptions(levels=DEFAULT_LEVELS[:-1])
    fit = align_images(section(serial_sections, "prospc", "plane"), slide, quick)
    moved = fit.transform.to_slide(marks(serial_sections, "prospc"))
    miss = np.linalg.norm(moved - (marks(serial_sections, "he") @ matrix.T + shift), axis=1)
    assert fit.mirrored
    assert 100 * np.median(miss) / 0.9 / np.hypot(height, width) <= 1.0
    assert fit.area_range[0] > 0.3
