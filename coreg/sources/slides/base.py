"""One interface for every kind of slide: levels, pixel size, regions, tiles, images at any size.

Convention: slide mm (0, 0) is the outer top-left corner of the scanned image, not the centre of its
first pixel. A level with pixel size s has its first pixel's centre at s / 2, so the edges of all
levels coincide.
"""

from __future__ import annotations

import os
import threading
from abc import ABC, abstractmethod
from collections import OrderedDict, deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from types import TracebackType
from typing import Any, ClassVar

import numpy as np

from coreg.errors import FrameError, InputError
from coreg.geometry import Grid, Image
from coreg.sources.limits import require_memory
from coreg.sources.slides.average import Averager
from coreg.sources.slides.pixel_size import PixelSize

Progress = Callable[[float, str], None]

# Decoded tiles kept for the next read, in bytes; with the tiles in flight (two a thread) this is
# all that a slide holds in memory.
CACHE_BYTES = 64 * 2**20
# A picture that can only be decoded in one piece (a flat file, an untiled page) may not be larger.
LARGEST_PIECE_PX = 178_000_000
WHITE = 255


@dataclass(frozen=True)
class Level:
    """One resolution of a slide: its grid (frame "slide"), how many times coarser than level 0."""

    grid: Grid
    downsample: float


@dataclass(frozen=True)
class Tile:
    """A decoded piece of a level: where it lies in the level's pixels, and uint8 (h, w, 3)."""

    rows: slice
    columns: slice
    data: np.ndarray = field(repr=False)


def level_grids(shapes: list[tuple[int, int]], pixel_size: tuple[float, float]) -> list[Level]:
    """Levels from their shapes, finest first, and the pixel size of the first in mm.

    Scanners halve and drop or add the odd pixel, so the ratio of sides is not quite the ratio of
    pixel sizes: where one whole number explains both sides to within a pixel it is taken (a power
    of two before others), else the ratio of each side.
    """
    levels = []
    for shape in shapes:
        ratios = [full / part for full, part in zip(shapes[0], shape, strict=True)]
        factor = level_factor(shapes[0], shape)
        per_axis = (factor, factor) if factor else (ratios[0], ratios[1])
        spacing = (pixel_size[0] * per_axis[0], pixel_size[1] * per_axis[1])
        grid = Grid(shape, spacing, (spacing[0] / 2, spacing[1] / 2), "slide")
        levels.append(Level(grid, float(np.sqrt(per_axis[0] * per_axis[1]))))
    return levels


def level_factor(full: tuple[int, int], part: tuple[int, int]) -> int | None:
    """The whole number that explains the sides of a reduced image to within a pixel, or None."""
    low = max(f / (p + 1) for f, p in zip(full, part, strict=True))
    high = min(f / (p - 1) if p > 1 else np.inf for f, p in zip(full, part, strict=True))
    power = 2 ** round(np.log2(max(1.0, full[0] / part[0], full[1] / part[1])))
    nearest = max(1, round((full[0] / part[0] + full[1] / part[1]) / 2))
    for factor in (power, nearest):
        if low < factor < high:
            return factor
    return None


class Slide(ABC):
    """A slide opened for reading; close it, or use it in a ``with`` block.

    Attributes
    ----------
    source : path or address that was opened
    levels : finest first
    pixel_size : mm of level 0 along (row, column)
    pixel_size_source : where that comes from, e.g. "OME-XML"
    warnings : sentences that the user should see
    """

    kind: ClassVar[str]

    def __init__(
        self, source: str, shapes: list[tuple[int, int]], size: PixelSize, warnings: list[str]
    ) -> None:
        self.source = source
        self.levels = tuple(level_grids(shapes, size.mm))
        self.pixel_size = size.mm
        self.pixel_size_source = size.source
        self.warnings = [*warnings, *size.warnings]
        self._threads = min(4, os.cpu_count() or 1)
        self._pool: ThreadPoolExecutor | None = None
        self._cache: OrderedDict[tuple[int, int, int], np.ndarray] = OrderedDict()
        self._cached_bytes = 0
        self._lock = threading.Lock()
        self._overview: Image | None = None

    @abstractmethod
    def tile_shape(self, level: int) -> tuple[int, int]:
        """Rows and columns of the tiles in which a level is decoded."""

    @abstractmethod
    def _decode(self, level: int, row: int, column: int) -> np.ndarray:
        """Decode tile (row, column) of a level: uint8 (h, w, 3), cut to the level's edges.

        Called from several threads at once.
        """

    @abstractmethod
    def _release(self) -> None:
        """Close what the reader holds open; called again it does nothing."""

    def close(self) -> None:
        """Close the file and drop what was kept of it."""
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._pool = None
        self._cache.clear()
        self._cached_bytes = 0
        self._release()

    def __enter__(self) -> Slide:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of level 0."""
        return self.levels[0].grid.shape

    def level_for(self, spacing: float) -> int:
        """The coarsest level whose pixels are not larger than `spacing` mm (to 1 %), or 0."""
        fits = [
            k for k, level in enumerate(self.levels) if max(level.grid.spacing) <= spacing * 1.01
        ]
        return max(fits, key=lambda k: self.levels[k].downsample) if fits else 0

    def read(self, level: int, rows: slice, columns: slice) -> np.ndarray:
        """Read a region of a level.

        Parameters
        ----------
        rows, columns : pixel ranges of that level, step 1, with ordinary Python slice rules: what
            lies beyond the level's edges is cut off

        Returns
        -------
        uint8 (h, w, 3); an axis whose range is empty has length 0.
        """
        shape = self._level(level).grid.shape
        r0, r1 = _range(rows, shape[0])
        c0, c1 = _range(columns, shape[1])
        out = np.empty((r1 - r0, c1 - c0, 3), dtype=np.uint8)
        if not out.size:
            return out
        th, tw = self.tile_shape(level)
        places = [
            (i, j) for i in range(r0 // th, -(-r1 // th)) for j in range(c0 // tw, -(-c1 // tw))
        ]
        for (i, j), tile in self._fetch(level, places, keep=True):
            top, left = max(r0, i * th), max(c0, j * tw)
            bottom, right = min(r1, i * th + tile.shape[0]), min(c1, j * tw + tile.shape[1])
            out[top - r0 : bottom - r0, left - c0 : right - c0] = tile[
                top - i * th : bottom - i * th, left - j * tw : right - j * tw
            ]
        return out

    def tiles(
        self, level: int, rows: slice | None = None, columns: slice | None = None
    ) -> Iterator[Tile]:
        """Pass once over the tiles that touch a region (all of the level by default), row by row.

        Each tile is decoded once; a few more than there are threads are held at a time.
        """
        shape = self._level(level).grid.shape
        r0, r1 = _range(rows or slice(None), shape[0])
        c0, c1 = _range(columns or slice(None), shape[1])
        if r1 <= r0 or c1 <= c0:
            return
        th, tw = self.tile_shape(level)
        places = (
            (i, j) for i in range(r0 // th, -(-r1 // th)) for j in range(c0 // tw, -(-c1 // tw))
        )
        for (i, j), data in self._fetch(level, places, keep=False):
            yield Tile(
                slice(i * th, i * th + data.shape[0]), slice(j * tw, j * tw + data.shape[1]), data
            )

    def bands(
        self,
        spacing: float | tuple[float, float],
        grid: Grid | None = None,
        progress: Progress | None = None,
    ) -> Iterator[tuple[int, np.ndarray]]:
        """The slide at a wanted pixel size, as bands of rows from top to bottom.

        Every pixel is the mean of the area that it covers, read from the nearest finer level; that
        level's tiles are decoded once. What lies outside the slide is white.

        Parameters
        ----------
        spacing : mm per pixel; ignored where `grid` is given
        grid : which pixels to make (frame "slide"); all of the slide by default

        Yields
        ------
        (first row, uint8 (h, columns, 3)); together the bands cover the grid.
        """
        target = self.levels[0].grid.with_spacing(spacing) if grid is None else grid
        if target.frame != "slide":
            raise FrameError(f"Expected a grid in slide mm, got frame {target.frame!r}.")
        level = self.level_for(min(target.spacing))
        average = Averager(self.levels[level].grid, target, fill=WHITE)
        total = max(1, average.rows.stop - average.rows.start)
        for tile in self.tiles(level, average.rows, average.columns):
            yield from average.add(tile.rows.start, tile.columns.start, tile.data)
            if progress is not None and tile.columns.stop >= average.columns.stop:
                done = min(tile.rows.stop, average.rows.stop) - average.rows.start
                progress(done / total, "Reading the slide")
        yield from average.finish()

    def image(
        self,
        spacing: float | tuple[float, float],
        grid: Grid | None = None,
        progress: Progress | None = None,
    ) -> Image:
        """The slide, or the part that `grid` covers, at a wanted pixel size: see `bands`.

        Memory is that of the result and of one band.
        """
        target = self.levels[0].grid.with_spacing(spacing) if grid is None else grid
        rows, columns = target.shape
        require_memory(3 * rows * columns, f"{self.source} at {1e3 * target.spacing[0]:.3g} µm")
        out = np.empty((*target.shape, 3), dtype=np.uint8)
        for first, band in self.bands(spacing, target, progress):
            out[first : first + len(band)] = band
        return Image(out, target)

    def thumbnail(self, longest_px: int = 1024) -> Image:
        """The whole slide with at most `longest_px` pixels along its longer side."""
        if longest_px < 1:
            raise InputError(f"Expected a thumbnail of at least 1 pixel, got {longest_px}.")
        finest = self.levels[0].grid
        spacing = max(max(finest.size) / longest_px, max(finest.spacing))
        return self.image(spacing)

    def multiscale(self) -> list[LevelArray]:
        """Lazy arrays for a viewer, finest first; with an overview where the file has none."""
        arrays = [LevelArray(self, k) for k in range(len(self.levels))]
        if max(self.levels[-1].grid.shape) > 4096:
            arrays.append(LevelArray(self, len(self.levels)))
        return arrays

    def overview(self) -> Image:
        """The whole slide with at most 2048 pixels along its longer side, made once and kept."""
        if self._overview is None:
            self._overview = self.thumbnail(2048)
        return self._overview

    def _level(self, level: int) -> Level:
        if not 0 <= level < len(self.levels):
            raise InputError(
                f"{self.source} has levels 0 to {len(self.levels) - 1}, got level {level}."
            )
        return self.levels[level]

    def _fetch(
        self, level: int, places: Any, keep: bool
    ) -> Iterator[tuple[tuple[int, int], np.ndarray]]:
        """Decode tiles in order, a few ahead on threads; `keep` stores them for the next read."""
        if self._pool is None and self._threads > 1:
            self._pool = ThreadPoolExecutor(self._threads, thread_name_prefix="slide")
        waiting: deque[tuple[tuple[int, int], np.ndarray | Future[np.ndarray]]] = deque()

        def take() -> tuple[tuple[int, int], np.ndarray]:
            place, tile = waiting.popleft()
            data = tile.result() if isinstance(tile, Future) else tile
            if keep and isinstance(tile, Future):
                self._store((level, *place), data)
            return place, data

        try:
            for place in places:
                with self._lock:
                    cached = self._cache.get((level, *place))
                    if cached is not None:
                        self._cache.move_to_end((level, *place))
                if cached is not None:
                    waiting.append((place, cached))
                elif self._pool is not None:
                    waiting.append((place, self._pool.submit(self._decode, level, *place)))
                else:
                    data = self._decode(level, *place)
                    if keep:
                        self._store((level, *place), data)
                    waiting.append((place, data))
                if len(waiting) > 2 * self._threads:
                    yield take()
            while waiting:
                yield take()
        finally:
            for _, tile in waiting:
                if isinstance(tile, Future):
                    tile.cancel()

    def _store(self, key: tuple[int, int, int], data: np.ndarray) -> None:
        with self._lock:
            if key in self._cache or data.nbytes > CACHE_BYTES:
                return
            self._cache[key] = data
            self._cached_bytes += data.nbytes
            while self._cached_bytes > CACHE_BYTES:
                _, dropped = self._cache.popitem(last=False)
                self._cached_bytes -= dropped.nbytes


def _range(part: slice, length: int) -> tuple[int, int]:
    if part.step not in (None, 1):
        raise InputError(f"Expected a pixel range of step 1, got step {part.step}.")
    start, stop, _ = part.indices(length)
    return start, max(start, stop)


class LevelArray:
    """One level as an array that reads when it is sliced: shape (rows, columns, 3), uint8.

    One past the last level stands for the slide's `overview`.
    """

    dtype = np.dtype(np.uint8)
    ndim = 3

    def __init__(self, slide: Slide, level: int) -> None:
        self.slide = slide
        self.level = level
        if level < len(slide.levels):
            self.grid = slide.levels[level].grid
        else:
            finest = slide.levels[0].grid
            self.grid = finest.with_spacing(max(max(finest.size) / 2048, max(finest.spacing)))
        self.shape = (*self.grid.shape, 3)

    @property
    def size(self) -> int:
        return int(np.prod(self.shape))

    @property
    def nbytes(self) -> int:
        return self.size

    def __len__(self) -> int:
        return self.shape[0]

    def __getitem__(self, key: Any) -> np.ndarray:
        parts = key if isinstance(key, tuple) else (key,)
        dots = [k for k, part in enumerate(parts) if part is Ellipsis]
        if dots:
            at = dots[0]
            parts = parts[:at] + (slice(None),) * (4 - len(parts)) + parts[at + 1 :]
        parts = parts + (slice(None),) * (3 - len(parts))
        if self.level >= len(self.slide.levels):
            return self.slide.overview().data[parts]
        # Read the covering region, then let numpy take steps, single indices and channels from it.
        windows, within = [], []
        for part, length in zip(parts[:2], self.shape[:2], strict=True):
            picked = np.arange(length)[part] if isinstance(part, slice) else np.asarray(part)
            picked = np.where(picked < 0, picked + length, picked)
            if picked.ndim == 0 and not 0 <= picked < length:
                raise IndexError(f"index {part} is out of range for an axis of {length} pixels")
            low = int(picked.min()) if picked.size else 0
            high = int(picked.max()) + 1 if picked.size else 0
            windows.append(slice(low, high))
            within.append(picked - low)
        data = self.slide.read(self.level, windows[0], windows[1])
        rows, columns = within
        data = data[rows]
        data = data[:, columns] if rows.ndim else data[columns]
        return data[..., parts[2]]

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> np.ndarray:
        data = self[:]
        return data if dtype is None else data.astype(dtype)
