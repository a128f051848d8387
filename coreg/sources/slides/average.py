"""Area averages of an image that arrives tile by tile, top to bottom, in bounded memory."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from coreg.geometry import Grid


class Averager:
    """Collects the tiles of `source` into the pixels of `target`, each the mean of what it covers.

    Parameters
    ----------
    source, target : grids of one frame
    fill : value of target pixels that the source does not touch

    Attributes
    ----------
    rows, columns : the part of the source, in its pixels, that the target needs
    """

    def __init__(self, source: Grid, target: Grid, fill: int) -> None:
        self._fill = fill
        self._row_edges = _edges(source, target, 0)
        self._column_edges = _edges(source, target, 1)
        self.rows = _span(self._row_edges)
        self.columns = _span(self._column_edges)
        self._column_weight = np.diff(self._column_edges).astype(np.float32)
        self._row_weight = np.diff(self._row_edges).astype(np.float32)
        self._first = 0  # the first target row that has not been handed out
        self._sums = np.zeros((0, target.shape[1], 3), dtype=np.float32)
        self._n_rows = target.shape[0]
        self._last_top = -1

    def add(self, top: int, left: int, tile: np.ndarray) -> Iterator[tuple[int, np.ndarray]]:
        """Take one tile whose first pixel is (top, left); hand out the rows that are now complete.

        Tiles come row by row, so rows above the top of a new row of tiles will change no more.
        """
        if top > self._last_top:
            self._last_top = top
            done = int(np.searchsorted(self._row_edges, top, side="right")) - 1
            yield from self._hand_out(min(done, self._n_rows))
        bottom, right = top + tile.shape[0], left + tile.shape[1]
        rows = _touched(self._row_edges, top, bottom)
        columns = _touched(self._column_edges, left, right)
        if rows.stop <= rows.start or columns.stop <= columns.start:
            return
        self._grow(rows.stop)
        part = _integrate(tile, self._row_edges[rows.start : rows.stop + 1] - top, 0)
        part = _integrate(part, self._column_edges[columns.start : columns.stop + 1] - left, 1)
        self._sums[rows.start - self._first : rows.stop - self._first, columns] += part

    def finish(self) -> Iterator[tuple[int, np.ndarray]]:
        """Hand out all that is left."""
        self._grow(self._n_rows)
        yield from self._hand_out(self._n_rows)

    def _grow(self, stop: int) -> None:
        missing = stop - self._first - len(self._sums)
        if missing > 0:
            more = np.zeros((missing, *self._sums.shape[1:]), dtype=np.float32)
            self._sums = np.concatenate([self._sums, more])

    def _hand_out(self, stop: int) -> Iterator[tuple[int, np.ndarray]]:
        if stop <= self._first:
            return
        self._grow(stop)
        n = stop - self._first
        weight = self._row_weight[self._first : stop, None] * self._column_weight[None, :]
        covered = weight > 0
        sums, self._sums = self._sums[:n], self._sums[n:].copy()
        sums /= np.where(covered, weight, 1)[..., None]
        sums[~covered] = self._fill
        band = np.clip(np.rint(sums, out=sums), 0, 255).astype(np.uint8)
        first, self._first = self._first, stop
        yield first, band


def _edges(source: Grid, target: Grid, axis: int) -> np.ndarray:
    """Edges of the target's pixels in source pixels (k spans k to k + 1), cut to the source."""
    source_edge = source.origin[axis] - source.spacing[axis] / 2
    target_edge = target.origin[axis] - target.spacing[axis] / 2
    edges = target_edge + np.arange(target.shape[axis] + 1) * target.spacing[axis]
    edges = np.clip((edges - source_edge) / source.spacing[axis], 0, source.shape[axis])
    whole = np.round(edges)
    # Rounding of mm must not make a sliver of a neighbouring pixel, nor decode a tile for it.
    return np.where(np.abs(edges - whole) < 1e-3, whole, edges)


def _span(edges: np.ndarray) -> slice:
    return slice(int(np.floor(edges[0])), int(np.ceil(edges[-1])))


def _touched(edges: np.ndarray, low: int, high: int) -> slice:
    """Target pixels that overlap source pixels low to high."""
    start = int(np.searchsorted(edges, low, side="right")) - 1
    stop = int(np.searchsorted(edges, high, side="left"))
    return slice(max(start, 0), min(stop, len(edges) - 1))


def _integrate(data: np.ndarray, edges: np.ndarray, axis: int) -> np.ndarray:
    """Integrals of `data` along an axis between consecutive edges, in its own pixels.

    Each lies between two running sums, so the cost does not depend on how much is averaged.
    """
    length = data.shape[axis]
    edges = np.clip(edges, 0, length)
    whole = np.floor(edges).astype(np.intp)
    part = (edges - whole).astype(np.float32)
    if not part.any() and np.all(np.diff(whole) == 1):
        return np.take(data, whole[:-1], axis=axis).astype(np.float32)
    sums = np.cumsum(data, axis=axis, dtype=np.int32 if data.dtype == np.uint8 else np.float64)
    zero = np.zeros_like(np.take(sums, [0], axis=axis))
    sums = np.concatenate([zero, sums], axis=axis)
    at = np.take(sums, whole, axis=axis).astype(np.float64)
    ahead = np.take(data, np.minimum(whole, length - 1), axis=axis)
    shape = [1] * data.ndim
    shape[axis] = len(part)
    return np.diff(at + ahead * part.reshape(shape), axis=axis).astype(np.float32)
