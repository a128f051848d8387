"""Results as tiled OME-TIFF that other programs read: sections, masks, label maps, densities.

The pixel size is written in µm. The frame and the mm position of pixel (0, 0) go into the plane's
stage position and the image's name, so `read_ome_tiff` gives back the same `Image`.
"""

from __future__ import annotations

import os
import struct
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np

from coreg.errors import InputError
from coreg.geometry import Frame, Grid, Image
from coreg.sources.slides.pixel_size import unit_mm

_TILE = 256
Bands = Iterable[tuple[int, np.ndarray]]


def write_ome_tiff(
    path: str | os.PathLike[str],
    image: Image,
    *,
    channels: Sequence[str] = (),
    labels: dict[str, int] | None = None,
    compression: str = "deflate",
) -> Path:
    """Write an image, mask or label map; the file appears complete or not at all.

    Parameters
    ----------
    image : uint8 RGB (h, w, 3), bool or unsigned integer (h, w), or float32 (h, w) or (h, w, n);
        a mask is written as 0 and 255
    channels : names of the n channels of a float image
    labels : what each number of a label map means, written beside it as an annotation
    compression : "deflate", "lzw", "jpeg" or "none" as tifffile names them
    """
    data = image.data
    return write_bands(
        path,
        [(0, data)],
        image.grid,
        dtype=data.dtype,
        samples=data.shape[2] if data.ndim == 3 else 0,
        channels=channels,
        labels=labels,
        compression=compression,
    )


def write_bands(
    path: str | os.PathLike[str],
    bands: Bands,
    grid: Grid,
    *,
    dtype: Any,
    samples: int = 0,
    channels: Sequence[str] = (),
    labels: dict[str, int] | None = None,
    compression: str = "deflate",
) -> Path:
    """Write an image that arrives as bands of rows from top to bottom, in bounded memory.

    Parameters
    ----------
    bands : (first row, array (h, columns) or (h, columns, samples)) without gaps, as `Slide.bands`
    samples : 0 for a plain map; 3 with uint8 is RGB; otherwise the number of channels
    """
    import tifffile

    kind = np.dtype(dtype)
    stored = np.dtype(np.uint8) if kind == np.bool_ else kind
    if stored == np.float64:
        stored = np.dtype(np.float32)
    colour = samples == 3 and stored == np.uint8
    if samples and not colour and channels and len(channels) != samples:
        raise InputError(f"Expected {samples} channel names, got {len(channels)}.")
    shape = (*grid.shape, samples) if samples else grid.shape
    metadata: dict[str, Any] = {
        "axes": "YXS" if samples else "YX",
        "Name": "imaging plane" if grid.frame == "plane" else "slide",
        "PhysicalSizeX": grid.spacing[1] * 1e3,
        "PhysicalSizeXUnit": "µm",
        "PhysicalSizeY": grid.spacing[0] * 1e3,
        "PhysicalSizeYUnit": "µm",
        "Plane": {
            "PositionX": [grid.origin[1]],
            "PositionXUnit": ["mm"],
            "PositionY": [grid.origin[0]],
            "PositionYUnit": ["mm"],
        },
    }
    if channels:
        metadata["Channel"] = {"Name": ", ".join(channels)}
    if labels:
        metadata["MapAnnotation"] = {
            "Namespace": "labels",
            "Value": {str(number): name for name, number in labels.items()},
        }
    options: dict[str, Any] = {
        "shape": shape,
        "dtype": stored,
        "tile": (_TILE, _TILE),
        "photometric": "rgb" if colour else "minisblack",
        "planarconfig": "contig" if samples else None,
        "compression": None if compression == "none" else compression,
        "predictor": bool(stored.itemsize < 4 and compression in ("deflate", "lzw")),
        "resolution": (10 / grid.spacing[1], 10 / grid.spacing[0]),
        "resolutionunit": "CENTIMETER",
        "metadata": metadata,
        "maxworkers": min(4, os.cpu_count() or 1),
        "buffersize": 2**24,
    }
    big = int(np.prod(shape)) * stored.itemsize > 2**31
    target = Path(path)
    name = _temporary(target)
    try:
        with tifffile.TiffWriter(name, ome=True, bigtiff=big) as writer:
            writer.write(_tiles(bands, grid.shape, samples, kind, stored), **options)
        os.replace(name, target)
    except BaseException as error:
        name.unlink(missing_ok=True)
        if isinstance(error, OSError):
            raise InputError(
                f"{target.name} could not be written to {target.parent} "
                f"({error.strerror or error}); free some space or choose a folder you may write to."
            ) from error
        raise
    return target


def read_ome_tiff(path: str | os.PathLike[str]) -> Image:
    """Read back what `write_ome_tiff` wrote; the type stays (a mask comes back as 0 and 255)."""
    import tifffile

    try:
        with tifffile.TiffFile(path) as tiff:
            data = tiff.series[0].asarray()
            xml = tiff.ome_metadata
    except (OSError, ValueError, IndexError, struct.error, tifffile.TiffFileError) as error:
        raise InputError(f"{os.fspath(path)} cannot be read ({error}); make it again.") from None
    if xml is None:
        raise InputError(f"{os.fspath(path)} is no OME-TIFF; make it again.")
    root = ElementTree.fromstring(xml)
    found = {element.tag.rpartition("}")[2]: element for element in reversed(list(root.iter()))}
    if not {"Image", "Pixels", "Plane"} <= found.keys():
        raise InputError(
            f"{os.fspath(path)} does not say where its pixels lie; write it with this program."
        )
    pixels, plane = found["Pixels"], found["Plane"]
    spacing = tuple(_length(pixels, f"PhysicalSize{axis}", "µm") for axis in ("Y", "X"))
    origin = tuple(_length(plane, f"Position{axis}", "mm") for axis in ("Y", "X"))
    frame: Frame = "plane" if found["Image"].get("Name") == "imaging plane" else "slide"
    grid = Grid(data.shape[:2], (spacing[0], spacing[1]), (origin[0], origin[1]), frame)
    return Image(data, grid)


def _length(element: ElementTree.Element, name: str, unit: str) -> float:
    text = element.get(name)
    factor = unit_mm(element.get(f"{name}Unit", unit))
    if text is None or factor is None:
        raise InputError(f"The OME-XML lacks {name}; write the file with this program.")
    return float(text) * factor


def _temporary(target: Path) -> Path:
    try:
        handle, name = tempfile.mkstemp(".tmp", f".{target.name}.", target.parent)
    except OSError as error:
        raise InputError(f"{target} cannot be written: {error.strerror}.") from None
    os.close(handle)
    return Path(name)


def _tiles(
    bands: Bands, shape: tuple[int, int], samples: int, kind: np.dtype, stored: np.dtype
) -> Iterator[np.ndarray]:
    """Cut bands of any height into rows of tiles, padded at the right and bottom edges."""
    width = -(-shape[1] // _TILE) * _TILE
    inner = (samples,) if samples else ()
    held = np.zeros((_TILE, width, *inner), dtype=stored)
    filled = 0
    seen = 0
    for first, band in bands:
        if first != seen:
            raise ValueError(f"expected a band from row {seen}, got row {first}")
        seen += len(band)
        at = 0
        while at < len(band):
            n = min(_TILE - filled, len(band) - at)
            part = band[at : at + n]
            held[filled : filled + n, : shape[1]] = (
                part * np.uint8(255) if kind == np.bool_ else part
            )
            filled, at = filled + n, at + n
            if filled == _TILE:
                yield from _cut(held)
                held = np.zeros_like(held)
                filled = 0
    if seen != shape[0]:
        raise ValueError(f"expected {shape[0]} rows, got {seen}")
    if filled:
        yield from _cut(held)


def _cut(row: np.ndarray) -> Iterator[np.ndarray]:
    for column in range(0, row.shape[1], _TILE):
        yield np.ascontiguousarray(row[:, column : column + _TILE])
