"""The aligned section against pictures whose every point is known."""

from __future__ import annotations

import numpy as np
import pytest
import tifffile

from coreg.errors import FrameError
from coreg.geometry import Grid
from coreg.sources.slides import open_slide, resample_slide
from coreg.transforms import Affine, Warp

TURN = np.deg2rad(20)
MIRRORED = Affine(
    0.9 * np.array([[np.cos(TURN), np.sin(TURN)], [np.sin(TURN), -np.cos(TURN)]]),
    np.array([1.0, 2.2]),
)
PLANE = Grid((240, 200), (0.01, 0.01), (-0.9, 0.3), "plane")


def value_at(points: np.ndarray) -> np.ndarray:
    """A smooth picture over slide mm."""
    y, x = points[..., 0], points[..., 1]
    return np.stack([60 * y, 60 * x, 128 + 80 * np.sin(2 * y) * np.cos(3 * x)], axis=-1)


@pytest.fixture(scope="module")
def slide(tmp_path_factory):
    path = tmp_path_factory.mktemp("slide") / "a.tif"
    spacing = 0.002
    rows = (np.arange(2000) + 0.5) * spacing
    at = np.stack(np.meshgrid(rows, rows, indexing="ij"), axis=-1)
    full = np.clip(value_at(at), 0, 255).astype(np.uint8)
    with tifffile.TiffWriter(path) as writer:
        options = {"tile": (128, 128), "photometric": "rgb", "metadata": None}
        per_cm = 10 / spacing
        writer.write(
            full, subifds=1, resolution=(per_cm, per_cm), resolutionunit="CENTIMETER", **options
        )
        writer.write(full.reshape(1000, 2, 1000, 2, 3).mean((1, 3)).astype(np.uint8), **options)
    with open_slide(path) as opened:
        yield opened


def bent() -> Warp:
    grid = Grid((8, 8), (0.4, 0.4), (0.0, 0.0), "plane")
    return Warp(MIRRORED, grid, np.random.default_rng(1).normal(0, 0.05, (8, 8, 2)))


@pytest.mark.parametrize("transform", [MIRRORED, bent()], ids=["affine", "bent"])
def test_every_pixel_shows_the_point_it_maps_to(slide, transform):
    image = resample_slide(slide, transform, PLANE)
    points = transform.to_slide(PLANE.centres()).reshape(*PLANE.shape, 2)
    inside = slide.levels[0].grid.contains(points.reshape(-1, 2)).reshape(PLANE.shape)
    assert 0.5 < inside.mean() < 1
    error = image.data.astype(float) - np.clip(value_at(points), 0, 255)
    assert np.abs(error[inside]).max() < 3
    assert abs(error[inside].mean()) < 0.8
    assert image.data[~inside].min() == 255
    assert image.grid == PLANE


def test_another_pixel_size_covers_the_same_area(slide):
    image = resample_slide(slide, MIRRORED, PLANE, 0.02)
    assert image.grid.size == pytest.approx(PLANE.size)
    assert image.data.shape == (120, 100, 3)


def test_fine_stripes_are_averaged_not_aliased(tmp_path):
    """Stripes of 8 µm seen at 40 µm per pixel are nearly even.

    Unturned, a pixel holds 5 periods: even to rounding. Turned and scaled it holds 4.2: a mean over
    the pixel's width then lets up to |sinc(4.5)| × 4/π × 127 = 11 through (computed), sampling
    without means all 127.
    """
    stripes = np.zeros((1500, 1500, 3), np.uint8)
    stripes[:, (np.arange(1500) // 2) % 2 == 0] = 255
    tifffile.imwrite(tmp_path / "a.tif", stripes, photometric="rgb", tile=(256, 256))
    grid = Grid((40, 40), (0.04, 0.04), (0.3, 0.3), "plane")
    with open_slide(tmp_path / "a.tif", 2.0) as opened:
        image = resample_slide(opened, Affine.identity(), grid)
        turned = resample_slide(opened, Affine(MIRRORED.matrix, np.array([0.2, 0.9])), grid)
    assert np.abs(image.data.astype(int) - 127).max() <= 2
    assert np.abs(turned.data[10:20, 10:20].astype(int) - 127).max() <= 20


def test_a_plane_beside_the_slide_is_all_fill(slide):
    away = Affine(np.eye(2), np.array([100.0, 0.0]))
    assert (resample_slide(slide, away, PLANE, fill=7).data == 7).all()


def test_a_slide_grid_is_refused(slide):
    with pytest.raises(FrameError, match="Expected a grid in plane mm"):
        resample_slide(slide, MIRRORED, slide.levels[0].grid)


def test_progress_runs_to_the_end(slide):
    seen = []
    resample_slide(slide, MIRRORED, PLANE, progress=lambda share, text: seen.append(share))
    assert seen == sorted(seen)
    assert seen[-1] == 1.0
