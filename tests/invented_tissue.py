"""Invented tissue with texture, cut, turned and bent by known maps: shared by alignment tests."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter

from coreg.geometry import Grid, Image, resample
from coreg.transforms import Affine, Warp

PLANE = Grid((120, 150), (0.2, 0.2))


def texture(seed: int = 0) -> np.ndarray:
    """Blobs and fine grain in an irregular patch of tissue."""
    rng = np.random.default_rng(seed)
    coarse = gaussian_filter(rng.standard_normal(PLANE.shape), 9)
    fine = gaussian_filter(rng.standard_normal(PLANE.shape), 2)
    rows, columns = np.indices(PLANE.shape)
    patch = ((rows - 55) / 45) ** 2 + ((columns - 80) / 60) ** 2 + 8 * coarse < 1
    return np.where(patch, 1 + 0.6 * fine / fine.std() + coarse / coarse.std(), 0).clip(0)


def slide_of(data: np.ndarray, truth: Warp) -> Image:
    edge = truth.to_slide(PLANE.centres()[::50])
    low, high = edge.min(axis=0) - 0.5, edge.max(axis=0) + 0.5
    shape = np.ceil((high - low) / 0.18).astype(int)
    grid = Grid((shape[0], shape[1]), (0.18, 0.18), (low[0], low[1]), "slide")
    return Image(resample(Image(data, PLANE), grid, truth.to_plane, fill=0.0), grid)


def bent(turn_deg: float, mirrored: bool, scale: float, bend_mm: float = 0.4) -> Warp:
    angle = np.radians(turn_deg)
    rotation = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    matrix = scale * rotation @ np.diag([1.0, -1.0 if mirrored else 1.0])
    grid = Grid((10, 12), (3.0, 3.0), (-1.0, -1.0))
    rows, columns = np.meshgrid(grid.rows, grid.columns, indexing="ij")
    bend = bend_mm * np.stack([np.sin(columns / 5), np.cos(rows / 4)], axis=-1)
    return Warp(Affine(matrix, np.array([3.0, -7.0])), grid, bend)
