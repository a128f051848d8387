"""Maps between the imaging plane and the slide, as data: evaluate, invert, differentiate, store.

Knows neither how a map was found (`coreg.alignment`) nor file formats (`coreg.sources`).

`to_slide` takes points of the imaging plane (mm, depth then lateral) to the slide (mm, y then x);
it is what resampling pulls through. `to_plane` is its inverse.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import ndimage

from coreg.errors import FrameError, InputError
from coreg.geometry import Grid, Outline, Points, as_points


class Transform(ABC):
    """A smooth map from the imaging plane to the slide."""

    kind: str

    @abstractmethod
    def to_slide(self, points: Any) -> np.ndarray:
        """Map plane mm (n, 2) to slide mm (n, 2)."""

    @abstractmethod
    def to_plane(self, points: Any) -> np.ndarray:
        """Map slide mm (n, 2) to plane mm (n, 2)."""

    @abstractmethod
    def jacobian(self, points: Any) -> np.ndarray:
        """Derivative of `to_slide` at plane points: (n, 2, 2), d slide[i] / d plane[j]."""

    @abstractmethod
    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON, with "kind"."""

    def outline_to_plane(self, outline: Outline, step: float = 0.05) -> Outline:
        """Bring a slide outline to the imaging plane; edges are first cut to `step` mm."""
        if outline.frame != "slide":
            raise FrameError(f"Expected an outline in slide mm, got frame {outline.frame!r}.")
        return outline.densified(step).map(self.to_plane, "plane")

    def outline_to_slide(self, outline: Outline, step: float = 0.05) -> Outline:
        """Bring a plane outline to the slide; edges are first cut to `step` mm."""
        if outline.frame != "plane":
            raise FrameError(f"Expected an outline in plane mm, got frame {outline.frame!r}.")
        return outline.densified(step).map(self.to_slide, "slide")

    def points_to_plane(self, points: Points) -> Points:
        """Bring slide points to the imaging plane."""
        if points.frame != "slide":
            raise FrameError(f"Expected points in slide mm, got frame {points.frame!r}.")
        return Points(self.to_plane(points.mm), "plane", points.names)


@dataclass(frozen=True)
class Affine(Transform):
    """``slide = matrix @ plane + offset`` (points as columns).

    matrix : (2, 2), not singular; offset : (2,) in mm.
    """

    matrix: np.ndarray
    offset: np.ndarray
    kind = "affine"

    def __post_init__(self) -> None:
        matrix = np.asarray(self.matrix, dtype=np.float64)
        offset = np.asarray(self.offset, dtype=np.float64)
        if matrix.shape != (2, 2) or offset.shape != (2,):
            raise InputError(
                f"Expected a 2 × 2 matrix and an offset of 2, "
                f"got {matrix.shape} and {offset.shape}."
            )
        if not (np.isfinite(matrix).all() and np.isfinite(offset).all()):
            raise InputError("Expected a finite affine transform, got NaN or infinity.")
        if abs(np.linalg.det(matrix)) < 1e-12:
            raise InputError(
                "The affine transform flattens the plane to a line; it has no inverse."
            )
        object.__setattr__(self, "matrix", matrix)
        object.__setattr__(self, "offset", offset)

    def to_slide(self, points: Any) -> np.ndarray:
        return as_points(points) @ self.matrix.T + self.offset

    def to_plane(self, points: Any) -> np.ndarray:
        return np.linalg.solve(self.matrix, (as_points(points) - self.offset).T).T

    def jacobian(self, points: Any) -> np.ndarray:
        return np.broadcast_to(self.matrix, (len(as_points(points)), 2, 2)).copy()

    @property
    def mirrored(self) -> bool:
        """Whether the section lies face down: the determinant is negative."""
        return bool(np.linalg.det(self.matrix) < 0)

    def to_dict(self) -> dict[str, Any]:
        return {"kind": self.kind, "matrix": self.matrix.tolist(), "offset": self.offset.tolist()}

    @classmethod
    def identity(cls) -> Affine:
        return cls(np.eye(2), np.zeros(2))


@dataclass(frozen=True)
class Warp(Transform):
    """A smooth displacement in the plane, then an affine map: ``affine(p + u(p))``.

    Parameters
    ----------
    affine : plane to slide
    grid : where `u` is sampled, frame "plane"; cubic B-splines between, constant beyond the edge
    displacement : (rows, columns, 2) float64, mm of the plane along (depth, lateral)
    """

    affine: Affine
    grid: Grid
    displacement: np.ndarray
    kind = "warp"

    def __post_init__(self) -> None:
        field = np.asarray(self.displacement, dtype=np.float64)
        if field.shape != (*self.grid.shape, 2) or not np.isfinite(field).all():
            raise InputError(
                f"Expected a finite displacement of shape {(*self.grid.shape, 2)}, "
                f"got shape {field.shape}."
            )
        if self.grid.frame != "plane":
            raise FrameError(f"Expected a grid in plane mm, got frame {self.grid.frame!r}.")
        object.__setattr__(self, "displacement", field)
        splines = [
            ndimage.spline_filter(field[..., axis], order=3, mode="nearest") for axis in (0, 1)
        ]
        object.__setattr__(self, "_splines", splines)

    def _moved(self, points: np.ndarray) -> np.ndarray:
        index = np.clip(self.grid.to_index(points), 0, np.array(self.grid.shape) - 1.0).T
        shift = [
            ndimage.map_coordinates(spline, index, order=3, mode="nearest", prefilter=False)
            for spline in self._splines  # type: ignore[attr-defined]
        ]
        return points + np.stack(shift, axis=1)

    def to_slide(self, points: Any) -> np.ndarray:
        return self.affine.to_slide(self._moved(as_points(points)))

    def to_plane(self, points: Any) -> np.ndarray:
        return invert(self.to_slide, self.jacobian, points, self.affine.to_plane(points))

    def jacobian(self, points: Any) -> np.ndarray:
        p = as_points(points)
        bend = np.empty((len(p), 2, 2))
        for axis in (0, 1):
            step = np.zeros(2)
            step[axis] = self.grid.spacing[axis] * 1e-3
            bend[:, :, axis] = (self._moved(p + step) - self._moved(p - step)) / (2 * step[axis])
        return self.affine.matrix @ bend

    def to_dict(self) -> dict[str, Any]:
        return {
            "kind": self.kind,
            "affine": self.affine.to_dict(),
            "grid": self.grid.to_dict(),
            "displacement": self.displacement.tolist(),
        }


@dataclass(frozen=True)
class ThinPlate(Transform):
    """A thin-plate spline: ``affine(p) + sum_i weights[i] * U(|p - nodes[i]| / scale)``.

    ``U(r) = r² ln r²`` (F. L. Bookstein, IEEE Trans. Pattern Anal. Mach. Intell. 11, 1989,
    567–585).

    Parameters
    ----------
    affine : the part that bends nothing, plane to slide
    nodes : (n, 2) plane mm
    weights : (n, 2) slide mm; they sum to zero, also when multiplied with the nodes
    scale : length in mm by which distances are divided
    """

    affine: Affine
    nodes: np.ndarray
    weights: np.ndarray
    scale: float = 1.0
    kind = "thin-plate"

    def __post_init__(self) -> None:
        nodes, weights = as_points(self.nodes), as_points(self.weights)
        if nodes.shape != weights.shape or not np.isfinite([nodes, weights]).all():
            raise InputError(
                f"Expected one finite weight a node, got {len(nodes)} nodes and "
                f"{len(weights)} weights."
            )
        if not (np.isfinite(self.scale) and self.scale > 0):
            raise InputError(f"Expected a length scale above 0 mm, got {self.scale}.")
        object.__setattr__(self, "nodes", nodes)
        object.__setattr__(self, "weights", weights)
        object.__setattr__(self, "scale", float(self.scale))

    def to_slide(self, points: Any) -> np.ndarray:
        p = as_points(points)
        bend = [
            thin_plate_kernel(part, self.nodes, self.scale) @ self.weights for part in _parts(p)
        ]
        return self.affine.to_slide(p) + np.concatenate(bend)

    def to_plane(self, points: Any) -> np.ndarray:
        return invert(self.to_slide, self.jacobian, points, self.affine.to_plane(points))

    def jacobian(self, points: Any) -> np.ndarray:
        p = as_points(points)
        bend = [
            np.einsum(
                "nmj,mi->nij", thin_plate_gradient(part, self.nodes, self.scale), self.weights
            )
            for part in _parts(p)
        ]
        return self.affine.matrix + np.concatenate(bend)

    def to_dict(self) -> dict[str, Any]:
        return {
            "kind": self.kind,
            "affine": self.affine.to_dict(),
            "nodes": self.nodes.tolist(),
            "weights": self.weights.tolist(),
            "scale": self.scale,
        }


def thin_plate_kernel(points: np.ndarray, nodes: np.ndarray, scale: float = 1.0) -> np.ndarray:
    """``r² ln r²`` with r the distance in units of `scale`; shape (points, nodes), 0 at r = 0."""
    squared = ((points[:, None, :] - nodes[None, :, :]) ** 2).sum(axis=2) / scale**2
    return squared * np.log(np.where(squared > 0, squared, 1.0))


def thin_plate_gradient(points: np.ndarray, nodes: np.ndarray, scale: float = 1.0) -> np.ndarray:
    """Derivative of `thin_plate_kernel` with the points, per mm; shape (points, nodes, 2)."""
    difference = (points[:, None, :] - nodes[None, :, :]) / scale
    squared = (difference**2).sum(axis=2, keepdims=True)
    return 2 * difference * (np.log(np.where(squared > 0, squared, 1.0)) + 1) / scale


@dataclass(frozen=True)
class Family:
    """A map and the smooth ways in which it may be off: what its draws share.

    The basis functions of plane points p are 1, both coordinates of ``q = (p - centre) / scale``,
    and one function of the place relative to each node: thin-plate or the product of two cubic
    B-splines with knots every `scale`.
    `modes` (functions, r) combines them into fewer. What is computed for one set of points is kept
    for the next draw of the same set.
    """

    base: Transform
    centre: np.ndarray
    scale: float
    nodes: np.ndarray
    kernel: str = "b-spline"
    modes: np.ndarray | None = None

    def __post_init__(self) -> None:
        if self.kernel not in ("b-spline", "thin-plate"):
            raise InputError(f"Expected kernel 'b-spline' or 'thin-plate', got {self.kernel!r}.")
        object.__setattr__(self, "centre", as_points(self.centre)[0])
        nodes = np.asarray(self.nodes, dtype=np.float64).reshape(-1, 2)
        object.__setattr__(self, "nodes", nodes)
        object.__setattr__(self, "_kept", None)

    @property
    def size(self) -> int:
        """Number of basis functions."""
        return 3 + len(self.nodes) if self.modes is None else self.modes.shape[1]

    def basis(self, points: np.ndarray) -> np.ndarray:
        """The basis functions at plane points; (n, size)."""
        if self.modes is None:
            return self._functions(points)
        return np.concatenate([self._functions(part) @ self.modes for part in _parts(points)])

    def _functions(self, points: np.ndarray) -> np.ndarray:
        linear = np.column_stack([np.ones(len(points)), (points - self.centre) / self.scale])
        if self.kernel == "thin-plate":
            return np.hstack([linear, thin_plate_kernel(points, self.nodes, self.scale)])
        values, _ = _cubic((points[:, None, :] - self.nodes) / self.scale)
        return np.hstack([linear, values.prod(axis=2)])

    def gradient(self, points: np.ndarray) -> np.ndarray:
        """Derivative of the basis functions with the points, per mm; (n, size, 2)."""
        linear = np.zeros((len(points), 3, 2))
        linear[:, 1, 0] = linear[:, 2, 1] = 1 / self.scale
        if self.kernel == "thin-plate":
            bend = thin_plate_gradient(points, self.nodes, self.scale)
        else:
            values, slopes = _cubic((points[:, None, :] - self.nodes) / self.scale)
            bend = slopes * values[..., ::-1] / self.scale
        both = np.concatenate([linear, bend], axis=1)
        return both if self.modes is None else np.einsum("nmj,mr->nrj", both, self.modes)

    def at(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Where the base map takes the points, and the basis functions there."""
        kept: tuple[np.ndarray, np.ndarray, np.ndarray] | None = self._kept  # type: ignore[attr-defined]
        if kept is None or not np.array_equal(kept[0], points):
            kept = (points.copy(), self.base.to_slide(points), self.basis(points))
            object.__setattr__(self, "_kept", kept)
        return kept[1], kept[2]


@dataclass(frozen=True)
class Perturbed(Transform):
    """A draw from a family: ``base(p) + basis(p) @ coefficients``, (size, 2) in slide mm."""

    family: Family
    coefficients: np.ndarray
    kind = "perturbed"

    def __post_init__(self) -> None:
        coefficients = as_points(self.coefficients)
        if len(coefficients) != self.family.size or not np.isfinite(coefficients).all():
            raise InputError(
                f"Expected {self.family.size} finite pairs of coefficients, "
                f"got {len(coefficients)}."
            )
        object.__setattr__(self, "coefficients", coefficients)

    def to_slide(self, points: Any) -> np.ndarray:
        base, basis = self.family.at(as_points(points))
        return base + basis @ self.coefficients

    def to_plane(self, points: Any) -> np.ndarray:
        return invert(self._plainly, self.jacobian, points, self.family.base.to_plane(points))

    def _plainly(self, points: np.ndarray) -> np.ndarray:
        return self.family.base.to_slide(points) + self.family.basis(points) @ self.coefficients

    def jacobian(self, points: Any) -> np.ndarray:
        p = as_points(points)
        bend = np.einsum("nmj,mi->nij", self.family.gradient(p), self.coefficients)
        return self.family.base.jacobian(p) + bend

    def to_dict(self) -> dict[str, Any]:
        return {
            "kind": self.kind,
            "base": self.family.base.to_dict(),
            "centre": self.family.centre.tolist(),
            "scale": self.family.scale,
            "nodes": self.family.nodes.tolist(),
            "kernel": self.family.kernel,
            "modes": None if self.family.modes is None else self.family.modes.tolist(),
            "coefficients": self.coefficients.tolist(),
        }


def _cubic(t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The centred cubic B-spline with unit knots, and its derivative."""
    a = np.abs(t)
    far = np.clip(2 - a, 0, None)
    values = np.where(a < 1, 2 / 3 - a**2 + a**3 / 2, far**3 / 6)
    slopes = np.where(a < 1, -2 * a + 1.5 * a**2, -(far**2) / 2) * np.sign(t)
    return values, slopes


def _parts(points: np.ndarray, most: int = 20_000) -> list[np.ndarray]:
    """Cut many points into parts so that points × nodes stays small in memory."""
    return np.array_split(points, max(1, -(-len(points) // most)))


def invert(
    to_slide: Callable[[np.ndarray], np.ndarray],
    jacobian: Callable[[np.ndarray], np.ndarray],
    slide: Any,
    start: np.ndarray,
    *,
    tolerance: float = 1e-7,
    iterations: int = 50,
) -> np.ndarray:
    """Solve ``to_slide(p) = slide`` by damped Newton steps from `start`.

    Points whose residual does not fall below `tolerance` mm come back as NaN: the map folds there
    or the point lies outside its range.
    """
    target = as_points(slide)
    points = np.array(start, dtype=np.float64)
    error = to_slide(points) - target
    for _ in range(iterations):
        size = np.linalg.norm(error, axis=1)
        todo = np.flatnonzero(size > tolerance)
        if not len(todo):
            break
        step = np.linalg.solve(jacobian(points[todo]), error[todo][..., None])[..., 0]
        damping = np.ones(len(todo))
        for _ in range(8):
            trial = points[todo] - damping[:, None] * step
            trial_error = to_slide(trial) - target[todo]
            worse = np.linalg.norm(trial_error, axis=1) >= size[todo]
            if not worse.any():
                break
            damping[worse] /= 2
        points[todo] = trial
        error[todo] = trial_error
    points[np.linalg.norm(error, axis=1) > max(tolerance, 1e-6)] = np.nan
    return points


def transform_from_dict(values: dict[str, Any]) -> Transform:
    """Inverse of `Transform.to_dict`; raise `InputError` for an unknown kind."""
    kind = values.get("kind")
    if kind == "affine":
        return Affine(np.array(values["matrix"]), np.array(values["offset"]))
    if kind == "warp":
        affine = transform_from_dict(values["affine"])
        assert isinstance(affine, Affine)
        return Warp(affine, Grid.from_dict(values["grid"]), np.array(values["displacement"]))
    if kind == "thin-plate":
        affine = transform_from_dict(values["affine"])
        assert isinstance(affine, Affine)
        nodes, weights = np.array(values["nodes"]), np.array(values["weights"])
        return ThinPlate(affine, nodes, weights, values["scale"])
    if kind == "perturbed":
        base = transform_from_dict(values["base"])
        nodes, centre = np.array(values["nodes"]), np.array(values["centre"])
        modes = None if values["modes"] is None else np.array(values["modes"])
        family = Family(base, centre, values["scale"], nodes, values["kernel"], modes)
        return Perturbed(family, np.array(values["coefficients"]))
    raise InputError(
        f"Unknown kind of transform {kind!r}; expected 'affine', 'warp', 'thin-plate' or "
        "'perturbed'."
    )
