"""Arrays that stay in their file until a part is sliced out."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np


class LazyArray:
    """A view of a stored array with its axes in our order and its values in µm.

    Parameters
    ----------
    source : anything with `shape` and slicing that gives ndarrays
    axes : for each axis of the view the source's axis, or None for a new axis of length 1. Source
        axes of length 1 may be left out.
    factor : values are multiplied by it

    Slicing gives float32; `np.asarray` reads everything. Only ints and slices of step 1 are taken.
    """

    def __init__(self, source: Any, axes: tuple[int | None, ...], factor: float = 1.0) -> None:
        self._source = source
        self._axes = axes
        self._factor = np.float32(factor)
        self.shape = tuple(1 if a is None else int(source.shape[a]) for a in axes)
        self.dtype = np.dtype(np.float32)

    @property
    def ndim(self) -> int:
        return len(self.shape)

    @property
    def nbytes(self) -> int:
        """Bytes if it were read whole."""
        return 4 * int(np.prod(self.shape, dtype=np.int64))

    def __len__(self) -> int:
        return self.shape[0]

    def __getitem__(self, key: Any) -> np.ndarray:
        keys = whole_key(key, self.ndim)
        source_key: list[Any] = [0] * len(self._source.shape)
        for axis, k in zip(self._axes, keys, strict=True):
            if axis is not None:
                source_key[axis] = _as_slice(k, self._source.shape[axis])
        block = np.asarray(self._source[tuple(source_key)])
        kept = [a for a in range(len(source_key)) if isinstance(source_key[a], slice)]
        block = block.transpose([kept.index(a) for a in self._axes if a is not None])
        index = tuple(None if a is None else slice(None) for a in self._axes)
        block = block[index]
        final = tuple(0 if isinstance(k, int | np.integer) else slice(None) for k in keys)
        out = block[final].astype(np.float32)
        if self._factor != 1:
            out *= self._factor
        return out

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> np.ndarray:
        whole = self[(slice(None),) * self.ndim]
        return whole if dtype is None else whole.astype(dtype)


def whole_key(key: Any, dimensions: int) -> tuple[Any, ...]:
    """One entry for each dimension, an ellipsis and missing entries written out."""
    keys = key if isinstance(key, tuple) else (key,)
    at = next((i for i, k in enumerate(keys) if k is Ellipsis), len(keys))
    rest = keys[at + 1 :]
    return keys[:at] + (slice(None),) * (dimensions - at - len(rest)) + rest


def _as_slice(key: Any, length: int) -> slice:
    if isinstance(key, slice):
        start, stop, step = key.indices(length)
        if step != 1:
            raise IndexError("Only steps of 1 are taken from a stored array.")
        return slice(start, max(start, stop))
    index = int(key)
    if not -length <= index < length:
        raise IndexError(f"Index {index} is outside an axis of length {length}.")
    index %= length
    return slice(index, index + 1)


class Stored:
    """A source that opens its file for each part that is asked for.

    Parameters
    ----------
    shape, dtype : of the array as its own software shows it
    read : takes a tuple of ints and slices, gives an ndarray
    """

    def __init__(
        self,
        shape: tuple[int, ...],
        dtype: Any,
        read: Callable[[tuple[Any, ...]], np.ndarray],
    ) -> None:
        self.shape = tuple(int(n) for n in shape)
        self.dtype = np.dtype(dtype)
        self._read = read

    @property
    def ndim(self) -> int:
        return len(self.shape)

    def __getitem__(self, key: Any) -> np.ndarray:
        return self._read(whole_key(key, self.ndim))

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> np.ndarray:
        whole = self._read((slice(None),) * self.ndim)
        return whole if dtype is None else whole.astype(dtype)
