"""Random disturbances for the Monte-Carlo: correlated noise fields, boundaries, moved outlines."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely

from coreg.agreement.regions import evenly, rings_of
from coreg.errors import InputError
from coreg.geometry import Grid
from coreg.transforms import Transform

FWHM_PER_SD = float(2 * np.sqrt(2 * np.log(2)))


# Fields in the pool; two of them at random shifts make a draw.
POOL = 16
# After a step below this what is left is at most a tenth of it, and outlines are far coarser.
_SMALLEST_STEP_MM, _MOST_STEPS = 0.02, 12


class NoiseFields:
    """Stationary Gaussian fields of unit variance, correlated by a Gaussian kernel.

    A draw adds two fields of a pool, each shifted by a random number of pixels (the pool's fields
    are periodic), so a draw costs no filtering.

    Parameters
    ----------
    grid : where the fields are wanted
    kernel_sd_mm : standard deviation of the kernel along (row, column); white noise passed through
        it gives the field, so its correlation length is sqrt(2) times that
    """

    def __init__(
        self, grid: Grid, kernel_sd_mm: tuple[float, float], rng: np.random.Generator
    ) -> None:
        from scipy import fft

        sd_px = [sd / spacing for sd, spacing in zip(kernel_sd_mm, grid.spacing, strict=True)]
        # Room beyond the image keeps the two ends of a periodic field from meeting in it.
        shape = [
            fft.next_fast_len(n + int(np.ceil(4 * sd)), real=True)
            for n, sd in zip(grid.shape, sd_px, strict=True)
        ]
        along, across = np.meshgrid(fft.fftfreq(shape[0]), fft.rfftfreq(shape[1]), indexing="ij")
        damping = np.exp(-2 * np.pi**2 * ((along * sd_px[0]) ** 2 + (across * sd_px[1]) ** 2))
        # White noise passed through a filter keeps the sum of the squares of its kernel.
        damping /= np.sqrt((fft.irfft2(damping, shape) ** 2).sum())
        white = rng.standard_normal(size=(POOL, *shape), dtype=np.float32)
        pool = fft.irfft2(fft.rfft2(white) * damping.astype(np.float32), shape, workers=2)
        # Continued past their period, so that a shifted field is a plain slice.
        self._period, self._shape = shape, grid.shape
        self._pool = np.pad(pool, ((0, 0), (0, grid.shape[0]), (0, grid.shape[1])), mode="wrap")

    def draw(self, rng: np.random.Generator) -> np.ndarray:
        """One field of the grid's shape, float32."""
        first, second = rng.choice(len(self._pool), 2, replace=False)
        sign = rng.choice((-1.0, 1.0))
        field = self._shifted(first, rng) + np.float32(sign) * self._shifted(second, rng)
        return field * np.float32(np.sqrt(0.5))

    def _shifted(self, number: int, rng: np.random.Generator) -> np.ndarray:
        r, c = (int(rng.integers(period)) for period in self._period)
        return self._pool[number, r : r + self._shape[0], c : c + self._shape[1]]


class MovableRegion:
    """A region whose boundary can be displaced smoothly and mapped by many transforms.

    Parameters
    ----------
    region : shapely geometry, in the frame in which it was drawn
    step_mm : spacing of the points along the boundary
    """

    def __init__(self, region: Any, step_mm: float) -> None:
        rings = [evenly(ring, step_mm) for ring in rings_of(region)]
        if not rings:
            raise InputError("Expected a pathology outline with an area, got none.")
        self._sizes = [len(ring) for ring in rings]
        self.points = np.concatenate(rings)
        self._normals = np.concatenate([_normals(ring) for ring in rings])

    def displacements(
        self,
        draws: int,
        sd_mm: float,
        correlation_mm: float,
        common: float,
        rng: np.random.Generator,
    ) -> np.ndarray:
        """Smooth random normal displacements of the boundary points, (draws, n) mm.

        Parameters
        ----------
        sd_mm : standard deviation at each point
        correlation_mm : distance between two boundary points at which the correlation of the
            part that is not common is exp(-1/2)
        common : share of the variance that moves the whole boundary in or out together
        """
        from scipy.linalg import eigh
        from scipy.spatial.distance import pdist, squareform

        squared = squareform(pdist(self.points, "sqeuclidean"))
        correlation = common + (1 - common) * np.exp(-squared / (2 * correlation_mm**2))
        n = len(correlation)
        # The largest modes carry all but a millionth of the variance of a smooth field.
        values, modes = eigh(correlation, subset_by_index=(max(0, n - 80), n - 1))
        keep = values > 1e-6 * values[-1]
        white = rng.normal(size=(draws, int(keep.sum())))
        return sd_mm * (white * np.sqrt(values[keep])) @ modes[:, keep].T

    def moved(self, displacement: np.ndarray) -> np.ndarray:
        """The boundary points (n, 2) pushed outwards by a displacement (n,) in mm."""
        return self.points + displacement[:, None] * self._normals

    def region(self, points: np.ndarray) -> Any:
        """The region whose boundary runs through `points` (n, 2), holes kept as holes."""
        if not np.isfinite(points).all():
            return shapely.Polygon()
        ends = np.cumsum(self._sizes)[:-1]
        rings = [np.concatenate([r, r[:1]])[:, ::-1] for r in np.split(points, ends)]
        polygons = shapely.polygons([shapely.linearrings(ring) for ring in rings])
        if len(rings) == 1 and polygons[0].is_valid:
            return polygons[0]
        # Even-odd over the rings: an outline inside another is a hole.
        polygons = np.array([p if p.is_valid else p.buffer(0) for p in polygons])
        result = polygons[0]
        for polygon in polygons[1:]:
            result = shapely.symmetric_difference(result, polygon)
        return result


class PullBack:
    """Brings slide points near fixed ones to the plane, through many transforms near one.

    Starts from the point estimate and takes quasi-Newton steps with its Jacobian, much cheaper than
    inverting each draw; what does not settle is inverted in full.

    Parameters
    ----------
    transform : the point estimate
    slide : (n, 2) the fixed points
    draws : transforms near it; where they take the start is found for all at once, since draws of
        one family share what they compute at the same points
    """

    def __init__(
        self, transform: Transform, slide: np.ndarray, draws: Sequence[Transform] = ()
    ) -> None:
        self._transforms = [transform, *draws]
        self.start = transform.to_plane(slide)
        lost = ~np.isfinite(self.start).all(axis=1)
        if lost.any():
            raise InputError(
                f"{lost.sum()} of {len(lost)} points of the pathology outline have no place in the "
                "imaging plane: the alignment folds there; use a smoother alignment."
            )
        self._inverse = np.linalg.inv(transform.jacobian(self.start))
        self._from_start = [one.to_slide(self.start) for one in self._transforms]

    def __call__(self, slide: np.ndarray, draw: int | None = None) -> np.ndarray:
        """Plane points (n, 2) of slide points (n, 2), through a draw or the point estimate."""
        number = 0 if draw is None else draw + 1
        transform, plane = self._transforms[number], self.start
        mapped = self._from_start[number]
        for _ in range(_MOST_STEPS):
            step = np.einsum("nij,nj->ni", self._inverse, mapped - slide)
            plane = plane - step
            if np.abs(step).max() < _SMALLEST_STEP_MM:
                return plane
            mapped = transform.to_slide(plane)
        return transform.to_plane(slide)


def _normals(ring: np.ndarray) -> np.ndarray:
    """Unit normals of a ring, outwards from the area that the ring encloses."""
    tangent = np.roll(ring, -1, axis=0) - np.roll(ring, 1, axis=0)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-30)
    following = np.roll(ring, -1, axis=0)
    doubled = (ring[:, 0] * following[:, 1] - ring[:, 1] * following[:, 0]).sum()
    return np.stack([tangent[:, 1], -tangent[:, 0]], axis=1) * np.sign(doubled)
