"""Named maps on one grid, in a NumPy file: how steps hand pixels to each other."""

from __future__ import annotations

import json
import zipfile
import zlib
from pathlib import Path

import numpy as np

from coreg.errors import InputError
from coreg.geometry import Grid

_GRID = "grid"
_PACKED_WRONG = (zipfile.BadZipFile, zlib.error, NotImplementedError)


def save_maps(path: Path, grid: Grid, maps: dict[str, np.ndarray]) -> None:
    """Write maps of shape ``(..., *grid.shape)`` or ``(*grid.shape, channels)`` and their grid.

    Same maps, same bytes.
    """
    for name, values in maps.items():
        if grid.shape not in (values.shape[:2], values.shape[-2:]):
            raise InputError(
                f"Expected map {name!r} on a grid of {grid.shape}, got shape {values.shape}."
            )
    text = np.frombuffer(json.dumps(grid.to_dict()).encode(), dtype=np.uint8)
    with open(path, "wb") as file:
        np.savez_compressed(file, **{_GRID: text}, **maps)  # type: ignore[arg-type]


def load_maps(path: Path) -> tuple[Grid, dict[str, np.ndarray]]:
    """Read what `save_maps` wrote; raise `InputError` where the file is damaged."""
    try:
        # Opened here: NumPy leaves a file that is no zip open.
        with open(path, "rb") as opened, np.load(opened, allow_pickle=False) as file:
            grid = Grid.from_dict(json.loads(file[_GRID].tobytes()))
            return grid, {name: file[name] for name in file.files if name != _GRID}
    except (OSError, ValueError, KeyError, TypeError, EOFError, *_PACKED_WRONG) as error:
        raise InputError(
            f"{path} cannot be read ({error}); delete the results folder and run the case again."
        ) from error
