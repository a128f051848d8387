"""The section as a pyramidal, tiled OME-TIFF, painted tile by tile so that memory stays bounded."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from coreg.errors import InputError
from coreg.geometry import Grid

if TYPE_CHECKING:
    from coreg.demo.histology import Renderer

TILE_PX = 512
SMALLEST_LEVEL_PX = 1024
JPEG_QUALITY = 85
COMPRESSIONS = ("jpeg", "deflate")


def write_slide(
    path: Path,
    renderer: Renderer,
    grid: Grid,
    *,
    compression: str = "jpeg",
    progress: Callable[[float, str], None] | None = None,
) -> None:
    """Write one section.

    Level 0 is painted; each coarser level is the mean of 2 × 2 pixels of the one before, in a
    scratch file on disk beside the slide, so that memory does not grow with the slide. Nothing in
    the file varies from run to run.

    Parameters
    ----------
    grid : pixels of level 0, frame "slide", square
    compression : "jpeg" or "deflate"
    progress : called with a fraction and a text; may raise to stop, and nothing is left behind
    """
    import tifffile

    if compression not in COMPRESSIONS:
        raise InputError(f"Expected compression 'jpeg' or 'deflate', got {compression!r}.")
    shapes = [grid.shape]
    while max(shapes[-1]) > SMALLEST_LEVEL_PX:
        shapes.append(((shapes[-1][0] + 1) // 2, (shapes[-1][1] + 1) // 2))
    pixel_um = grid.spacing[0] * 1000
    arguments = {"level": JPEG_QUALITY} if compression == "jpeg" else None
    part = path.with_name(path.name + ".part")
    try:
        with tempfile.TemporaryDirectory(dir=path.parent) as scratch:
            levels = _levels(Path(scratch), shapes[1:])
            with tifffile.TiffWriter(part, bigtiff=True, ome=True) as tif:
                for k, shape in enumerate(shapes):
                    tiles = (
                        _painted(renderer, grid, levels, progress)
                        if k == 0
                        else _averaged(levels[k - 1], levels[k] if k < len(levels) else None)
                    )
                    tif.write(
                        tiles,
                        shape=(*shape, 3),
                        dtype=np.uint8,
                        tile=(TILE_PX, TILE_PX),
                        photometric="rgb",
                        compression="jpeg" if compression == "jpeg" else "zlib",
                        compressionargs=arguments,
                        resolution=(1e4 / (pixel_um * 2**k), 1e4 / (pixel_um * 2**k)),
                        resolutionunit="CENTIMETER",
                        subifds=len(shapes) - 1 if k == 0 else 0,
                        subfiletype=0 if k == 0 else 1,
                        software="coreg",
                        maxworkers=1,
                        metadata=_metadata(pixel_um) if k == 0 else None,
                    )
                    _tell(progress, 0.9 + 0.1 * (k + 1) / len(shapes))
            del levels
        # The writer draws a random identifier for the file; the bytes must not vary.
        _fix_identifier(part)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _metadata(pixel_um: float) -> dict[str, object]:
    return {
        "axes": "YXS",
        "Name": "invented section, haematoxylin and eosin",
        "PhysicalSizeX": pixel_um,
        "PhysicalSizeXUnit": "µm",
        "PhysicalSizeY": pixel_um,
        "PhysicalSizeYUnit": "µm",
    }


def _tell(progress: Callable[[float, str], None] | None, fraction: float) -> None:
    if progress is not None:
        progress(min(fraction, 1.0), "painting the section")


def _levels(folder: Path, shapes: list[tuple[int, int]]) -> list[np.memmap]:
    """Scratch images of the coarser levels on disk."""
    return [
        np.memmap(folder / f"level{k}", dtype=np.uint8, mode="w+", shape=(*shape, 3))
        for k, shape in enumerate(shapes, start=1)
    ]


def _corners(shape: tuple[int, int]) -> Iterator[tuple[int, int]]:
    for row in range(0, shape[0], TILE_PX):
        for column in range(0, shape[1], TILE_PX):
            yield row, column


def _painted(
    renderer: Renderer,
    grid: Grid,
    levels: list[np.memmap],
    progress: Callable[[float, str], None] | None,
) -> Iterator[np.ndarray]:
    corners = list(_corners(grid.shape))
    for done, (row, column) in enumerate(corners):
        _tell(progress, 0.9 * done / len(corners))
        tile = renderer.region(grid, (row, column), (TILE_PX, TILE_PX))
        if levels:
            _put(levels[0], row // 2, column // 2, _halved(tile))
        yield tile


def _averaged(image: np.memmap, coarser: np.memmap | None) -> Iterator[np.ndarray]:
    for row, column in _corners(image.shape[:2]):
        tile = np.array(image[row : row + TILE_PX, column : column + TILE_PX])
        missing = (TILE_PX - tile.shape[0], TILE_PX - tile.shape[1])
        tile = np.pad(tile, ((0, missing[0]), (0, missing[1]), (0, 0)), mode="edge")
        if coarser is not None:
            _put(coarser, row // 2, column // 2, _halved(tile))
        yield tile


def _halved(tile: np.ndarray) -> np.ndarray:
    half = TILE_PX // 2
    total = tile.reshape(half, 2, half, 2, 3).sum(axis=(1, 3), dtype=np.uint16)
    return ((total + 2) // 4).astype(np.uint8)


def _put(image: np.memmap, row: int, column: int, tile: np.ndarray) -> None:
    target = image[row : row + len(tile), column : column + len(tile)]
    target[...] = tile[: target.shape[0], : target.shape[1]]


def _fix_identifier(path: Path) -> None:
    """Overwrite the OME document's UUID, of fixed length, in place."""
    import re

    import tifffile

    with tifffile.TiffFile(path) as tif:
        tag = tif.pages.first.tags["ImageDescription"]
        offset, count = tag.valueoffset, tag.count
    with open(path, "r+b") as file:
        file.seek(offset)
        text = file.read(count)
        fixed = re.sub(
            rb"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}",
            b"00000000-0000-5000-8000-000000000000",
            text,
        )
        file.seek(offset)
        file.write(fixed)
