"""Pyramidal TIFF, BigTIFF and OME-TIFF, single and multi-file, through tifffile.

tifffile parses the file and decodes each tile; the tiles' bytes are read here, so that one slide
can be read from several threads and from an address. A tile that the file leaves out is white.
"""

from __future__ import annotations

import logging
import struct
import zlib
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import tifffile

from coreg.errors import InputError
from coreg.sources.limits import refuse_far_files
from coreg.sources.slides.base import LARGEST_PIECE_PX, WHITE, Slide, level_factor
from coreg.sources.slides.colour import Alpha, Colour, Model, rgb_from_ycbcr, to_rgb8
from coreg.sources.slides.pixel_size import (
    PixelSize,
    Statement,
    choose,
    from_description,
    from_ome_xml,
    from_tags,
    significant_bits,
)
from coreg.sources.slides.storage import Bytes, is_remote, local_path

# What tifffile and its codecs raise for files that break the standard.
BROKEN = (
    tifffile.TiffFileError,
    ValueError,
    KeyError,
    IndexError,
    TypeError,
    AttributeError,
    AssertionError,
    MemoryError,
    RuntimeError,
    OSError,
    ArithmeticError,
    zlib.error,
    struct.error,
)
_JPEG = (6, 7, 34892, 33007)
_APERIO_YCBCR = 33003
_ROWS_BYTES = 8 * 2**20


@dataclass(frozen=True)
class _Plane:
    """A page, the page whose layout it shares, and the file that its bytes are in."""

    page: Any
    layout: Any
    data: Bytes


class TiffSlide(Slide):
    """A TIFF of any size; see the module."""

    kind = "TIFF"

    def __init__(self, source: str, pixel_size_um: Any = None) -> None:
        self._files: dict[str, Bytes] = {source: Bytes(source)}
        self._handle: Any = None
        self._tiff: Any = None
        try:
            self._open(source, pixel_size_um)
        except InputError:
            self._release()
            raise

    def _open(self, source: str, pixel_size_um: Any) -> None:
        try:
            if is_remote(source):
                self._handle = self._files[source].open()
                self._tiff = tifffile.TiffFile(self._handle, name=source)
            else:
                # By its path, so that the other files of a multi-file OME-TIFF are found.
                self._tiff = tifffile.TiffFile(local_path(source))
                refuse_far_files(self._tiff, local_path(source))
            self._look(source, pixel_size_um)
        except BROKEN as error:
            raise InputError(
                f"{source} cannot be read as a TIFF ({_short(error)}); export the slide again."
            ) from None

    def _look(self, source: str, pixel_size_um: Any) -> None:
        series = _main_series(self._tiff, source)
        levels = _levels(self._tiff, series)
        self._planes = [self._level_planes(source, level) for level in levels]
        for plane in (plane for planes in self._planes for plane in planes):
            _require_whole(plane, source)
        first = self._planes[0][0].layout
        size, bits = _pixel_size(self._tiff, series, first, pixel_size_um, source)
        self._colours = [_colour(planes, bits, source) for planes in self._planes]
        self._tile_shapes = [_tile_shape(planes[0].layout, source) for planes in self._planes]
        shapes = [(p[0].layout.imagelength, p[0].layout.imagewidth) for p in self._planes]
        super().__init__(source, shapes, size, _remarks(series, first, source))

    def tile_shape(self, level: int) -> tuple[int, int]:
        return self._tile_shapes[level]

    def _release(self) -> None:
        for data in self._files.values():
            data.close()
        if self._tiff is not None:
            self._tiff.close()
        if self._handle is not None:
            self._handle.close()

    def _level_planes(self, source: str, level: Any) -> tuple[_Plane, ...]:
        layout = level.keyframe
        inner = layout.axes
        outer = [(a, n) for a, n in zip(level.axes, level.shape, strict=True) if a not in inner]
        channels = next((n for a, n in outer if a == "C"), 1)
        separate = channels if layout.samplesperpixel == 1 else 1
        if separate not in (1, 3):
            raise InputError(
                f"{source} has {channels} channels, which is no stained section; export it as RGB."
            )
        sizes = [n for _, n in outer] or [1]
        planes = []
        for channel in range(separate):
            at = [channel if a == "C" else 0 for a, _ in outer] or [0]
            page = level.pages[int(np.ravel_multi_index(at, sizes))]
            if page is None:
                raise InputError(
                    f"{source} refers to a file that is missing; put all files of the multi-file "
                    "OME-TIFF in one folder."
                )
            planes.append(_Plane(page, layout, self._bytes_of(source, page)))
        return tuple(planes)

    def _bytes_of(self, source: str, page: Any) -> Bytes:
        owner = page.parent
        if owner is self._tiff or is_remote(source):
            return self._files[source]
        path = str(owner.filehandle.path)
        if path not in self._files:
            self._files[path] = Bytes(path)
        return self._files[path]

    def _decode(self, level: int, row: int, column: int) -> np.ndarray:
        try:
            parts = [
                part
                for plane in self._planes[level]
                for part in _decode_plane(plane, row, column, self._tile_shapes[level])
            ]
        except BROKEN as error:
            raise InputError(
                f"{self.source}: tile (row {row}, column {column}) of level {level} is damaged "
                f"({_short(error)}); export the slide again."
            ) from None
        th, tw = self._tile_shapes[level]
        rows, columns = self.levels[level].grid.shape
        h, w = min(th, rows - row * th), min(tw, columns - column * tw)
        there = [part for part in parts if part is not None]
        if len(there) < len(parts):
            return np.full((h, w, 3), WHITE, dtype=np.uint8)
        samples = there[0] if len(there) == 1 else np.concatenate(there, axis=-1)
        rgb = to_rgb8(samples[:h, :w], self._colours[level], self.source)
        if self._planes[level][0].layout.compression == _APERIO_YCBCR:
            rgb = rgb_from_ycbcr(rgb)
        return rgb


def _main_series(tiff: Any, source: str) -> Any:
    if not tiff.series:
        raise InputError(f"{source} holds no image; export the slide again.")
    return max(tiff.series, key=lambda s: s.keyframe.imagelength * s.keyframe.imagewidth)


def _require_whole(plane: _Plane, source: str) -> None:
    """Say now, and not when a tile is first wanted, that a file was cut short."""
    page = plane.page
    count = _tile_count(plane.layout)
    if len(page.dataoffsets) < count or len(page.databytecounts) < count:
        raise InputError(
            f"{source} lists {len(page.dataoffsets)} of its {count} tiles; copy or export it again."
        )
    size = plane.data.size()
    if size is None:
        return
    ends = np.asarray(page.dataoffsets, dtype=np.float64) + np.asarray(page.databytecounts)
    if ends.size and ends.max() > size:
        missing = int((ends > size).sum())
        raise InputError(
            f"{source} is cut short: {missing} of the {ends.size} tiles or strips of a level lie "
            "beyond its end; copy it again."
        )


def _tile_count(layout: Any) -> int:
    if layout.is_tiled:
        count = -(-layout.imagelength // layout.tilelength)
        count *= -(-layout.imagewidth // layout.tilewidth)
    else:
        count = -(-layout.imagelength // layout.rowsperstrip)
    return count * (layout.samplesperpixel if layout.planarconfig == 2 else 1)


def _levels(tiff: Any, series: Any) -> list[Any]:
    """The pyramid of a series, finest first; separate reduced images of one file are gathered."""
    levels = list(series.levels)
    first = levels[0].keyframe
    if len(levels) == 1:
        for other in tiff.series:
            page = other.keyframe
            shapes = [(p.imagelength, p.imagewidth) for p in (first, page)]
            same_kind = page.samplesperpixel == first.samplesperpixel and page.dtype == first.dtype
            reduced = page.is_tiled or page.is_reduced
            factor = level_factor(*shapes)
            if other is not series and same_kind and reduced and factor and factor > 1:
                levels.append(other)
    levels.sort(key=lambda s: -s.keyframe.imagewidth)
    return levels


def _pixel_size(
    tiff: Any, series: Any, page: Any, given_um: Any, source: str
) -> tuple[PixelSize, int | None]:
    """The pixel size, and the significant bits where the file declares them."""
    statements: list[Statement | None] = []
    bits = None
    description = page.description or ""
    if tiff.is_ome:
        xml = tiff.ome_metadata or ""
        index = next(k for k, other in enumerate(tiff.series) if other is series)
        statements.append(from_ome_xml(xml, index, source))
        bits = significant_bits(xml, index)
    else:
        statements.append(from_description(description))
    resolution = [page.tags.get(tag) for tag in (282, 283)]
    x, y = (tag.value[0] / tag.value[1] if tag and tag.value[1] else None for tag in resolution)
    unit = page.tags.get(296)
    tags, note = from_tags(x, y, int(unit.value) if unit else 2, description)
    statements.append(tags)
    if bits is None and (maximum := page.tags.get(281)) is not None:
        top = int(np.max(maximum.value))
        bits = top.bit_length() if top > 255 else None
    found = [statement for statement in statements if statement is not None]
    return choose(found, given_um, source, (note,) if note else ()), bits


def _colour(planes: tuple[_Plane, ...], bits: int | None, source: str) -> Colour:
    page = planes[0].layout
    photometric = int(page.photometric)
    samples = page.samplesperpixel if len(planes) == 1 else len(planes)
    extra = [int(e) for e in page.extrasamples or ()]
    models: dict[int, Model] = {0: "grey", 1: "grey", 2: "rgb", 3: "palette", 5: "cmyk", 6: "rgb"}
    model: Model | None = models.get(photometric)
    if model == "grey" and samples >= 3:
        model = "rgb"
    if model is None or (samples == 2 and not extra):
        raise InputError(
            f"{source} has {samples} samples a pixel, photometric interpretation {photometric}, "
            "which is no stained section; export it as RGB."
        )
    alphas: dict[int, Alpha] = {1: "premultiplied", 2: "straight"}
    alpha: Alpha = alphas.get(extra[0], "ignored") if extra else "ignored"
    colour = Colour(model, alpha, inverted=photometric == 0)
    if model == "palette":
        table = np.asarray(page.colormap)
        return replace(colour, palette=(table >> 8).astype(np.uint8).T)
    declared = page.bitspersample if page.bitspersample < page.dtype.itemsize * 8 else None
    colour = replace(colour, bits=bits or declared)
    to_rgb8(np.zeros((1, 1, samples), dtype=page.dtype), colour, source)
    return colour


def _is_plain(page: Any) -> bool:
    """Whether rows lie in the file as they are, so that part of a strip can be read."""
    whole_bytes = page.bitspersample == page.dtype.itemsize * 8
    plain = page.compression == 1 and page.predictor == 1 and page.fillorder == 1
    return bool(not page.is_tiled and plain and whole_bytes and page.planarconfig == 1)


def _tile_shape(page: Any, source: str) -> tuple[int, int]:
    if page.imagedepth != 1:
        raise InputError(f"{source} is a volume of {page.imagedepth} planes; export one section.")
    if page.is_tiled:
        return page.tilelength, page.tilewidth
    rows = min(page.rowsperstrip, page.imagelength)
    if _is_plain(page):
        row_bytes = page.imagewidth * page.samplesperpixel * page.dtype.itemsize
        # A whole number of pieces a strip, so that no piece lies in two strips.
        pieces = -(-rows * row_bytes // _ROWS_BYTES)
        while pieces < rows and rows % pieces and rows < page.imagelength:
            pieces += 1
        return -(-rows // pieces), page.imagewidth
    if rows * page.imagewidth > LARGEST_PIECE_PX:
        raise InputError(
            f"{source} packs {rows} × {page.imagewidth} pixels in one piece, which cannot be "
            "read in part; save it as a tiled, pyramidal TIFF."
        )
    return rows, page.imagewidth


def _decode_plane(
    plane: _Plane, row: int, column: int, tile: tuple[int, int]
) -> list[np.ndarray | None]:
    """The samples of one tile, one array (h, w, samples) for each part that is stored apart."""
    page, layout = plane.page, plane.layout
    if _is_plain(layout):
        return [_plain_rows(plane, row, tile)]
    across = -(-layout.imagewidth // tile[1])
    down = -(-layout.imagelength // tile[0])
    parts = layout.samplesperpixel if layout.planarconfig == 2 else 1
    tables = page.jpegtables if layout.compression in _JPEG else None
    found: list[np.ndarray | None] = []
    for part in range(parts):
        index = (part * down + row) * across + column
        size = page.databytecounts[index]
        if not size:
            found.append(None)
            continue
        data = plane.data.read(page.dataoffsets[index], size)
        if len(data) != size:
            raise ValueError(f"{size} bytes expected, {len(data)} found")
        samples = layout.decode(data, index, jpegtables=tables)[0]
        found.append(samples[0])
    return found


def _plain_rows(plane: _Plane, row: int, tile: tuple[int, int]) -> np.ndarray | None:
    page, layout = plane.page, plane.layout
    first = row * tile[0]
    strip, within = divmod(first, layout.rowsperstrip)
    rows = min(tile[0], layout.imagelength - first, layout.rowsperstrip - within)
    if not page.databytecounts[strip]:
        return None
    shape = (rows, layout.imagewidth, layout.samplesperpixel)
    row_bytes = shape[1] * shape[2] * layout.dtype.itemsize
    data = plane.data.read(page.dataoffsets[strip] + within * row_bytes, rows * row_bytes)
    kind = layout.dtype.newbyteorder(layout.parent.byteorder)
    return np.frombuffer(data, dtype=kind).reshape(shape).astype(layout.dtype, copy=False)


def _remarks(series: Any, page: Any, source: str) -> list[str]:
    remarks = []
    for axis, length in zip(series.axes, series.shape, strict=True):
        if axis not in "YXSC" and length > 1:
            remarks.append(f"{source} holds {length} planes along {axis}; the first was read.")
    orientation = page.tags.get(274)
    if orientation is not None and int(orientation.value) != 1:
        remarks.append(
            f"{source} asks viewers to turn it (orientation {int(orientation.value)}); it was "
            "read as it is stored."
        )
    return remarks


def _short(error: BaseException) -> str:
    text = str(error).splitlines()[0] if str(error) else type(error).__name__
    return text[:160].rstrip(".")


# tifffile logs what it then raises or what is reported here in one sentence.
logging.getLogger("tifffile").addHandler(logging.NullHandler())
