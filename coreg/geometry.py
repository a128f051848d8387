"""Images, points, outlines and masks in a plane, in millimetres.

Two planes exist: the imaging plane (``"plane"``: row = depth, column = lateral) and the slide
(``"slide"``: row = y down, column = x). Every object carries its frame; mixing frames raises
`FrameError`. Points are float64 arrays of shape (n, 2) in the order (row direction, column
direction). Pixel centres sit at ``origin + index * spacing``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from coreg.errors import FrameError, InputError

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

Frame = Literal["plane", "slide"]


def as_points(points: Any) -> np.ndarray:
    """Return `points` as a float64 array of shape (n, 2), or raise `InputError`."""
    array = np.asarray(points, dtype=np.float64)
    if array.ndim == 1 and array.size == 2:
        array = array[None, :]
    if array.ndim != 2 or array.shape[1] != 2:
        raise InputError(
            f"Expected points of shape (n, 2) in the order (row, column), got {array.shape}; "
            "give one row per point."
        )
    return array


def same_frame(*things: Any) -> Frame:
    """Return the frame that all `things` share; raise `FrameError` where they differ."""
    frames = {thing.frame for thing in things}
    if len(frames) != 1:
        raise FrameError(
            f"Expected all in one frame, got {sorted(frames)}; map one side with to_slide or "
            "to_plane first."
        )
    return frames.pop()


@dataclass(frozen=True)
class Grid:
    """Where the pixels of an image lie.

    Parameters
    ----------
    shape : (rows, columns)
    spacing : pixel size in mm along (row, column), both > 0
    origin : mm position of the centre of pixel (0, 0)
    frame : "plane" or "slide"
    """

    shape: tuple[int, int]
    spacing: tuple[float, float]
    origin: tuple[float, float] = (0.0, 0.0)
    frame: Frame = "plane"

    def __post_init__(self) -> None:
        shape = tuple(int(n) for n in self.shape)
        spacing = tuple(float(s) for s in self.spacing)
        origin = tuple(float(o) for o in self.origin)
        if len(shape) != 2 or min(shape) < 1:
            raise InputError(f"Expected an image of at least 1 x 1 pixels, got shape {self.shape}.")
        if len(spacing) != 2 or not all(np.isfinite(s) and s > 0 for s in spacing):
            raise InputError(
                f"Expected a pixel size above 0 mm along both axes, got {self.spacing}; "
                "correct it in case.toml."
            )
        if len(origin) != 2 or not all(np.isfinite(o) for o in origin):
            raise InputError(f"Expected a finite origin in mm, got {self.origin}.")
        if self.frame not in ("plane", "slide"):
            raise FrameError(f"Expected frame 'plane' or 'slide', got {self.frame!r}.")
        object.__setattr__(self, "shape", shape)
        object.__setattr__(self, "spacing", spacing)
        object.__setattr__(self, "origin", origin)

    @property
    def pixel_area(self) -> float:
        """Area of one pixel in mm²."""
        return self.spacing[0] * self.spacing[1]

    @property
    def size(self) -> tuple[float, float]:
        """Side lengths in mm, edge to edge, along (row, column)."""
        return self.shape[0] * self.spacing[0], self.shape[1] * self.spacing[1]

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Outer pixel edges in mm: (row min, column min, row max, column max)."""
        top = self.origin[0] - self.spacing[0] / 2
        left = self.origin[1] - self.spacing[1] / 2
        return top, left, top + self.size[0], left + self.size[1]

    @property
    def rows(self) -> np.ndarray:
        """Row centres in mm, shape (rows,)."""
        return self.origin[0] + np.arange(self.shape[0]) * self.spacing[0]

    @property
    def columns(self) -> np.ndarray:
        """Column centres in mm, shape (columns,)."""
        return self.origin[1] + np.arange(self.shape[1]) * self.spacing[1]

    def to_mm(self, index: Any) -> np.ndarray:
        """Map pixel indices (n, 2) to mm."""
        return as_points(index) * self.spacing + self.origin

    def to_index(self, points: Any) -> np.ndarray:
        """Map mm points (n, 2) to fractional pixel indices."""
        return (as_points(points) - self.origin) / self.spacing

    def centres(self) -> np.ndarray:
        """All pixel centres in mm, shape (rows * columns, 2), row by row."""
        rows, columns = np.meshgrid(self.rows, self.columns, indexing="ij")
        return np.stack([rows.ravel(), columns.ravel()], axis=1)

    def contains(self, points: Any) -> np.ndarray:
        """Which of the points (n, 2) lie inside the pixel edges; bool of shape (n,)."""
        p = as_points(points)
        top, left, bottom, right = self.bounds
        return (p[:, 0] >= top) & (p[:, 0] <= bottom) & (p[:, 1] >= left) & (p[:, 1] <= right)

    def with_spacing(self, spacing: float | tuple[float, float]) -> Grid:
        """The same area (edges kept, rounded up to whole pixels) at another pixel size in mm."""
        pair = (spacing, spacing) if isinstance(spacing, int | float) else tuple(spacing)
        top, left, _, _ = self.bounds
        shape = tuple(
            max(1, int(np.ceil(length / s - 1e-9)))
            for length, s in zip(self.size, pair, strict=True)
        )
        origin = (top + pair[0] / 2, left + pair[1] / 2)
        return Grid((shape[0], shape[1]), (pair[0], pair[1]), origin, self.frame)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; `Grid(**d)` with tuples restores it."""
        return {
            "shape": list(self.shape),
            "spacing": list(self.spacing),
            "origin": list(self.origin),
            "frame": self.frame,
        }

    @classmethod
    def from_dict(cls, values: dict[str, Any]) -> Grid:
        """Inverse of `to_dict`."""
        return cls(
            tuple(values["shape"]),
            tuple(values["spacing"]),
            tuple(values["origin"]),
            values["frame"],
        )


@dataclass(frozen=True)
class Image:
    """An array of shape (rows, columns) or (rows, columns, channels) on a `Grid`."""

    data: np.ndarray
    grid: Grid

    def __post_init__(self) -> None:
        if self.data.ndim not in (2, 3) or self.data.shape[:2] != self.grid.shape:
            raise InputError(
                f"Expected an image of {self.grid.shape} pixels (and channels), "
                f"got an array of shape {self.data.shape}."
            )

    @property
    def frame(self) -> Frame:
        return self.grid.frame


@dataclass(frozen=True)
class Points:
    """Points in mm, float64 of shape (n, 2), in one frame; names may be empty."""

    mm: np.ndarray
    frame: Frame
    names: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "mm", as_points(self.mm))
        if self.names and len(self.names) != len(self.mm):
            raise InputError(f"Expected {len(self.mm)} names, got {len(self.names)}.")

    def __len__(self) -> int:
        return len(self.mm)


@dataclass(frozen=True)
class Outline:
    """One closed region with holes, in mm.

    Parameters
    ----------
    exterior : (n, 2) ring in mm, n >= 3, not repeated at the end
    frame : "plane" or "slide"
    holes : rings inside the exterior
    zone : one of `ZONES`, or "tissue", "predicted lesion"; what the region is
    observer : who drew it; "" where nobody is named
    made_by : how it was made, e.g. "by hand", "proposal", "consensus"
    """

    exterior: np.ndarray
    frame: Frame
    holes: tuple[np.ndarray, ...] = ()
    zone: str = ""
    observer: str = ""
    made_by: str = ""
    extra: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "exterior", _ring(self.exterior))
        object.__setattr__(self, "holes", tuple(_ring(hole) for hole in self.holes))

    def polygon(self) -> BaseGeometry:
        """The region as a valid shapely geometry in (column, row) order, which is (x, y)."""
        from shapely import make_valid
        from shapely.geometry import Polygon

        polygon = Polygon(self.exterior[:, ::-1], [hole[:, ::-1] for hole in self.holes])
        return polygon if polygon.is_valid else make_valid(polygon)

    @property
    def area(self) -> float:
        """Area in mm², holes taken out."""
        return float(self.polygon().area)

    def map(self, function: Callable[[np.ndarray], np.ndarray], frame: Frame) -> Outline:
        """The outline with every vertex moved by `function`, now in `frame`."""
        return replace(
            self,
            exterior=function(self.exterior),
            holes=tuple(function(hole) for hole in self.holes),
            frame=frame,
        )

    def densified(self, step: float) -> Outline:
        """The outline with vertices added so that no edge is longer than `step` mm.

        Needed before a bent transform: only vertices are moved.
        """
        return replace(
            self,
            exterior=_densify(self.exterior, step),
            holes=tuple(_densify(hole, step) for hole in self.holes),
        )


# The zones of a section and the numbers that label maps give them (0 is "nothing said").
ZONES: dict[str, int] = {
    "viable": 1,
    "tumour": 2,
    "diffusion-damaged": 3,
    "ablated": 4,
    "artefact": 5,
}


def _ring(ring: Any) -> np.ndarray:
    points = as_points(ring)
    if len(points) > 1 and np.array_equal(points[0], points[-1]):
        points = points[:-1]
    if len(points) < 3:
        raise InputError(f"Expected an outline of at least 3 points, got {len(points)}.")
    if not np.isfinite(points).all():
        raise InputError("Expected finite outline coordinates in mm, got NaN or infinity.")
    return points


def _densify(ring: np.ndarray, step: float) -> np.ndarray:
    following = np.roll(ring, -1, axis=0)
    counts = np.maximum(1, np.ceil(np.linalg.norm(following - ring, axis=1) / step)).astype(int)
    pieces = [
        a + (b - a) * (np.arange(n) / n)[:, None]
        for a, b, n in zip(ring, following, counts, strict=True)
    ]
    return np.concatenate(pieces)


def mask_from_outlines(outlines: Iterable[Outline], grid: Grid) -> np.ndarray:
    """Fill outlines on a grid.

    Returns
    -------
    bool ndarray of shape `grid.shape`: True where the pixel centre lies in any outline (holes
    excluded). All False for no outlines.
    """
    import shapely

    outlines = list(outlines)
    if not outlines:
        return np.zeros(grid.shape, dtype=bool)
    same_frame(grid, *outlines)
    region = shapely.union_all([outline.polygon() for outline in outlines])
    mask = np.zeros(grid.shape, dtype=bool)
    if region.is_empty:
        return mask
    left, top, right, bottom = region.bounds
    first = np.maximum(np.floor(grid.to_index((top, left))[0]).astype(int), 0)
    last = np.minimum(np.ceil(grid.to_index((bottom, right))[0]).astype(int) + 1, grid.shape)
    if (last <= first).any():
        return mask
    window = (slice(first[0], last[0]), slice(first[1], last[1]))
    shapely.prepare(region)
    rows, columns = np.meshgrid(grid.rows[window[0]], grid.columns[window[1]], indexing="ij")
    mask[window] = shapely.contains_xy(region, columns.ravel(), rows.ravel()).reshape(rows.shape)
    return mask


def outlines_from_mask(
    mask: np.ndarray, grid: Grid, *, level: float = 0.5, smallest_mm2: float = 0.0, **labels: Any
) -> list[Outline]:
    """Sub-pixel outlines (holes included) of a mask or of a level of a smooth map.

    Parameters
    ----------
    mask : (rows, columns) bool or float; float maps are contoured at `level`, NaN counts as below
    smallest_mm2 : pieces and holes smaller than this are dropped
    labels : zone, observer, made_by of each outline
    """
    from shapely.geometry import Polygon
    from skimage.measure import find_contours

    values = np.asarray(mask, dtype=np.float64)
    if values.shape != grid.shape:
        raise InputError(f"Expected a mask of shape {grid.shape}, got {values.shape}.")
    # A mask that touches the edge ends at its pixels' outer edge: half-way from 1 to 0.
    outside = 0.0 if np.asarray(mask).dtype == bool else level - 1.0
    padded = np.pad(np.nan_to_num(values, nan=outside), 1, constant_values=outside)
    rings = [grid.to_mm(ring - 1) for ring in find_contours(padded, level) if len(ring) >= 4]
    shapes = [Polygon(ring[:, ::-1]) for ring in rings]
    order = sorted(range(len(shapes)), key=lambda i: -shapes[i].area)
    # Contours never cross, so nesting depth tells pieces (even) from holes (odd).
    depth: dict[int, int] = {}
    parent: dict[int, int] = {}
    for position, i in enumerate(order):
        for j in reversed(order[:position]):
            if shapes[j].contains(shapes[i].representative_point()):
                depth[i], parent[i] = depth[j] + 1, j
                break
        else:
            depth[i] = 0
    pieces = []
    for i in order:
        if depth[i] % 2 or shapes[i].area < max(smallest_mm2, 1e-12):
            continue
        holes = tuple(
            rings[j]
            for j in order
            if parent.get(j) == i and depth[j] % 2 and shapes[j].area >= max(smallest_mm2, 1e-12)
        )
        pieces.append(Outline(rings[i], grid.frame, holes, **labels))
    return pieces


def resample(
    image: Image,
    target: Grid,
    pull: Callable[[np.ndarray], np.ndarray] | None = None,
    *,
    order: int = 1,
    fill: float = np.nan,
) -> np.ndarray:
    """Bring an image onto another grid by pulling each target pixel through `pull`.

    Parameters
    ----------
    image : the image to read from
    target : the grid to fill
    pull : maps target mm (n, 2) to the image's mm; None where both share a frame
    order : spline order, 0 (nearest; for masks and labels) to 3
    fill : value outside the image; NaN needs a float result

    Returns
    -------
    ndarray of shape `target.shape` (+ channels); masks and integers keep their type at order 0,
    all else is float32 (float64 stays). NaN in the image spreads to pixels that need it.
    """
    from scipy import ndimage

    if pull is None:
        same_frame(image, target)
    points = target.centres() if pull is None else as_points(pull(target.centres()))
    index = image.grid.to_index(points)
    inside = image.grid.contains(points)
    # Within half a pixel of the edge the value is that of the edge pixel.
    index = np.clip(index, 0, np.array(image.grid.shape) - 1).T
    data = image.data
    exact = order == 0 and (data.dtype == bool or np.issubdtype(data.dtype, np.integer))
    kind = data.dtype if exact or data.dtype == np.float64 else np.dtype(np.float32)
    if exact and not np.isfinite(fill):
        fill = 0
    layers = data[..., None] if data.ndim == 2 else data
    out = np.empty((target.shape[0] * target.shape[1], layers.shape[2]), dtype=kind)
    for channel in range(layers.shape[2]):
        source = layers[..., channel]
        source = source.astype(np.uint8) if source.dtype == bool else source
        source = source if exact or source.dtype == kind else source.astype(kind)
        values = ndimage.map_coordinates(source, index, order=order, mode="nearest")
        out[:, channel] = np.where(inside, values, fill)
    shape = target.shape if data.ndim == 2 else (*target.shape, layers.shape[2])
    return out.reshape(shape)


def bounding_grid(
    points: Sequence[Any] | np.ndarray, spacing: float, frame: Frame, margin: float = 0.0
) -> Grid:
    """The smallest grid of square pixels of `spacing` mm over points (n, 2) and a margin in mm."""
    p = as_points(points)
    low, high = p.min(axis=0) - margin, p.max(axis=0) + margin
    shape = np.maximum(1, np.ceil((high - low) / spacing)).astype(int)
    return Grid((shape[0], shape[1]), (spacing, spacing), tuple(low + spacing / 2), frame)
