"""Beams of a sector or curved probe onto square pixels, by area.

A sample at range r covers an area of r dr dθ, so samples near the probe are small and far ones
wide. Each square pixel takes the mean over points spread evenly over its area, interpolated between
samples; so the integral of a map over the plane, and with it a lesion's area, is kept.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from coreg.errors import InputError
from coreg.geometry import Grid

if TYPE_CHECKING:
    from scipy.sparse import csr_array

_MOST_SUBSAMPLES = 12
_MOST_PIXELS = 16_000_000


@dataclass(frozen=True)
class ScanConversion:
    """Weights from polar samples to a rectilinear grid.

    Attributes
    ----------
    grid : frame "plane"; depth is measured from the probe's foremost point, lateral from its axis
    shape : (depths, angles) of the samples that go in
    weights : sparse (pixels, samples) float32; a row sums to the share of the pixel's area that the
        beams cover
    """

    grid: Grid
    shape: tuple[int, int]
    weights: csr_array

    @classmethod
    def for_beams(
        cls,
        depths_mm: np.ndarray,
        angles_rad: np.ndarray,
        *,
        probe_radius_mm: float = 0.0,
        pixel_mm: float | None = None,
    ) -> ScanConversion:
        """Weights for evenly spaced samples.

        Parameters
        ----------
        depths_mm : (n,) distance of the samples along a beam from the probe's surface, rising
        angles_rad : (m,) angle of the beams from the probe's axis, rising, within (-pi, pi) / 2
        probe_radius_mm : radius of the curved surface, 0 where all beams start in one point
        pixel_mm : size of the square pixels; None for the step in depth
        """
        depths, angles = _checked(depths_mm, "depths"), _checked(angles_rad, "angles")
        step, turn = depths[1] - depths[0], angles[1] - angles[0]
        ranges = depths + probe_radius_mm
        if ranges[0] < -1e-9:
            raise InputError("The beams start behind the probe; correct depth_origin.")
        if np.abs(angles).max() >= np.pi / 2:
            raise InputError(
                f"The beams reach {np.degrees(np.abs(angles).max()):.0f}° from the axis; check "
                "angle_unit."
            )
        pixel = float(pixel_mm or step)
        grid = _covering(ranges, angles, probe_radius_mm, pixel)
        # Points closer together than the samples: finest where the beams are closest, but where
        # the beams nearly meet a mean over a few points is enough.
        finest = min(step, max(ranges[0], 0.2 * ranges[-1]) * turn)
        count = int(np.clip(np.ceil(2 * pixel / finest), 3, _MOST_SUBSAMPLES))
        weights = _weights(grid, ranges, angles, probe_radius_mm, count)
        return cls(grid, (len(ranges), len(angles)), weights)

    def apply(self, data: np.ndarray, *, smallest_cover: float = 0.5) -> np.ndarray:
        """Convert samples of shape (..., depths, angles) to float32 (..., rows, columns).

        NaN samples are left out of the mean; a pixel with less than `smallest_cover` of its area
        under valid samples is NaN.
        """
        values = np.asarray(data, dtype=np.float32)
        if values.shape[-2:] != self.shape:
            raise InputError(
                f"Expected beams of shape {self.shape} (depths, angles), got {values.shape[-2:]}."
            )
        layers = values.reshape(-1, self.shape[0] * self.shape[1])
        out = np.empty((len(layers), self.weights.shape[0]), dtype=np.float32)
        cover_of_all = np.asarray(self.weights.sum(axis=1)).ravel()
        for i, layer in enumerate(layers):
            valid = np.isfinite(layer)
            if valid.all():
                total, cover = self.weights @ layer, cover_of_all
            else:
                total = self.weights @ np.where(valid, layer, np.float32(0))
                cover = self.weights @ valid.astype(np.float32)
            with np.errstate(invalid="ignore", divide="ignore"):
                out[i] = np.where(cover >= smallest_cover, total / cover, np.nan)
        return out.reshape(*values.shape[:-2], *self.grid.shape)


def _checked(values: np.ndarray, name: str) -> np.ndarray:
    axis = np.asarray(values, dtype=np.float64).ravel()
    if len(axis) < 2 or not np.isfinite(axis).all() or (np.diff(axis) <= 0).any():
        raise InputError(f"Expected at least two rising {name} of the beams, got {len(axis)}.")
    steps = np.diff(axis)
    if np.abs(steps - steps.mean()).max() > 0.02 * steps.mean():
        raise InputError(f"The {name} of the beams are uneven; resample them first.")
    return axis


def _covering(ranges: np.ndarray, angles: np.ndarray, radius: float, pixel: float) -> Grid:
    """The grid that holds the whole sector, samples' outer edges included."""
    step, turn = ranges[1] - ranges[0], angles[1] - angles[0]
    low, high = max(ranges[0] - step / 2, 0.0), ranges[-1] + step / 2
    fan = np.linspace(angles[0] - turn / 2, angles[-1] + turn / 2, 721)
    # The axis itself is the deepest point where the fan holds it.
    fan = np.append(fan, 0.0) if fan[0] < 0 < fan[-1] else fan
    edge = np.array([[r * np.cos(a) - radius, r * np.sin(a)] for r in (low, high) for a in fan])
    top, left = edge.min(axis=0)
    bottom, right = edge.max(axis=0)
    rows = max(1, int(np.ceil((bottom - top) / pixel - 1e-6)))
    columns = max(1, int(np.ceil((right - left) / pixel - 1e-6)))
    if rows * columns > _MOST_PIXELS:
        raise InputError(
            f"Scan conversion to pixels of {pixel:g} mm would need {rows} x {columns} pixels; set "
            "a larger pixel_mm."
        )
    spare = (columns * pixel - (right - left)) / 2
    origin = (top + pixel / 2, left - spare + pixel / 2)
    return Grid((rows, columns), (pixel, pixel), origin, "plane")


def _weights(
    grid: Grid, ranges: np.ndarray, angles: np.ndarray, radius: float, count: int
) -> csr_array:
    from scipy.sparse import csr_array

    step, turn = ranges[1] - ranges[0], angles[1] - angles[0]
    samples = len(ranges) * len(angles)
    pixels = grid.shape[0] * grid.shape[1]
    offsets = (np.arange(count) + 0.5) / count - 0.5
    share = np.float32(1.0 / count**2)
    centres = grid.centres()
    total = csr_array((pixels, samples), dtype=np.float32)
    for down in offsets:
        parts = []
        for across in offsets:
            depth = centres[:, 0] + down * grid.spacing[0] + radius
            lateral = centres[:, 1] + across * grid.spacing[1]
            row = (np.hypot(depth, lateral) - ranges[0]) / step
            column = (np.arctan2(lateral, depth) - angles[0]) / turn
            inside = (
                (row >= -0.5)
                & (row <= len(ranges) - 0.5)
                & (column >= -0.5)
                & (column <= len(angles) - 0.5)
            )
            parts.append(
                _bilinear(
                    np.flatnonzero(inside), row[inside], column[inside], share, ranges, angles
                )
            )
        pixel, sample, weight = (np.concatenate(p) for p in zip(*parts, strict=True))
        total = total + csr_array((weight, (pixel, sample)), shape=(pixels, samples))
    return csr_array(total)


def _bilinear(
    pixel: np.ndarray,
    row: np.ndarray,
    column: np.ndarray,
    share: np.float32,
    ranges: np.ndarray,
    angles: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(pixel, sample, weight) of the four samples around each point; edges hold their value."""
    row = np.clip(row, 0, len(ranges) - 1)
    column = np.clip(column, 0, len(angles) - 1)
    r0 = np.minimum(row.astype(np.int64), len(ranges) - 2)
    c0 = np.minimum(column.astype(np.int64), len(angles) - 2)
    dr, dc = (row - r0).astype(np.float32), (column - c0).astype(np.float32)
    pixels, samples, weights = [], [], []
    for i, wr in ((0, 1 - dr), (1, dr)):
        for j, wc in ((0, 1 - dc), (1, dc)):
            pixels.append(pixel)
            samples.append((r0 + i) * len(angles) + c0 + j)
            weights.append(wr * wc * share)
    return np.concatenate(pixels), np.concatenate(samples), np.concatenate(weights)
