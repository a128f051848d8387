"""DICOM whole-slide images (PS3.3 A.32.8, VL Whole Slide Microscopy), through pydicom.

A pyramid is a series of files in one folder, one a level. Frames are found by their offsets and
decoded one by one; the pixel data is never read whole.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from coreg.errors import InputError
from coreg.sources.slides.base import WHITE, Slide
from coreg.sources.slides.colour import Colour, to_rgb8
from coreg.sources.slides.dicom_frames import Frames
from coreg.sources.slides.pixel_size import DICOM, Statement, choose

WHOLE_SLIDE = "1.2.840.10008.5.1.4.1.1.77.1.6"


@dataclass(frozen=True)
class _Level:
    """One file: its frames, its size in pixels, its tiles, and which frame lies where."""

    frames: Frames
    shape: tuple[int, int]
    tile: tuple[int, int]
    places: dict[tuple[int, int], int]
    colour: Colour
    spacing: tuple[float, float] | None
    series: str


class DicomSlide(Slide):
    """A DICOM whole-slide image, named by its folder or by one of its files."""

    kind = "DICOM"

    def __init__(self, source: str, pixel_size_um: Any = None) -> None:
        self._found: list[_Level] = []
        try:
            self._found = _levels(Path(source))
            first = self._found[0]
            stated = [Statement(first.spacing, DICOM)] if first.spacing else []
            size = choose(stated, pixel_size_um, source)
        except InputError:
            self._release()
            raise
        super().__init__(source, [level.shape for level in self._found], size, [])

    def tile_shape(self, level: int) -> tuple[int, int]:
        return self._found[level].tile

    def _decode(self, level: int, row: int, column: int) -> np.ndarray:
        this = self._found[level]
        th, tw = this.tile
        h, w = min(th, this.shape[0] - row * th), min(tw, this.shape[1] - column * tw)
        number = this.places.get((row, column))
        if number is None:
            return np.full((h, w, 3), WHITE, dtype=np.uint8)
        samples = this.frames.decode(number)
        return to_rgb8(samples[:h, :w], this.colour, self.source)

    def _release(self) -> None:
        for level in self._found:
            level.frames.close()


def _levels(place: Path) -> list[_Level]:
    """The levels of a series, finest first."""
    paths = sorted(place.iterdir()) if place.is_dir() else _with_siblings(place)
    found: list[_Level] = []
    try:
        for path in paths:
            level = _level(path)
            if level is not None:
                found.append(level)
            elif path == place:
                break  # the file that was named is no level; what lies beside it does not matter
    except InputError:
        for level in found:
            level.frames.close()
        raise
    if not found:
        raise InputError(
            f"{place} holds no DICOM whole-slide image; give the folder of the series."
        )
    wanted = found[0].series
    for level in found:
        if level.series != wanted:
            level.frames.close()
    if place.is_dir() and len({level.series for level in found}) > 1:
        for level in found:
            level.frames.close()
        raise InputError(f"{place} holds more than one slide; name one file of the slide instead.")
    same = [level for level in found if level.series == wanted]
    return sorted(same, key=lambda level: -level.shape[0] * level.shape[1])


def _with_siblings(path: Path) -> list[Path]:
    return [path, *sorted(p for p in path.parent.iterdir() if p != path and p.is_file())]


def _level(path: Path) -> _Level | None:
    """One file of a pyramid; None for a label, an overview, or anything else."""
    import pydicom
    from pydicom.errors import InvalidDicomError

    if not path.is_file():
        return None
    with path.open("rb") as file:
        if file.read(132)[128:] != b"DICM":
            return None
        file.seek(0)
        try:
            header = pydicom.dcmread(file, stop_before_pixels=True)
            start = file.tell()
        except (InvalidDicomError, OSError, ValueError, KeyError, struct.error) as error:
            raise InputError(f"{path} is damaged ({error}); copy the series again.") from None
    kind = [str(value).upper() for value in header.get("ImageType", [])]
    if header.get("SOPClassUID") != WHOLE_SLIDE or "VOLUME" not in kind:
        return None
    if "ConcatenationUID" in header:
        raise InputError(f"{path} is one part of a split image; join the parts first.")
    try:
        shape = (int(header.TotalPixelMatrixRows), int(header.TotalPixelMatrixColumns))
        tile = (int(header.Rows), int(header.Columns))
        places = _places(header, shape, tile, path)
        spacing = _spacing(header)
        colour = _colour(header, path)
        frames = Frames(path, header, start)
    except (AttributeError, KeyError, IndexError, ValueError, TypeError, struct.error) as error:
        raise InputError(
            f"{path} lacks what a DICOM whole-slide image must say ({error}); export it again."
        ) from None
    series = str(header.get("SeriesInstanceUID", ""))
    return _Level(frames, shape, tile, places, colour, spacing, series)


def _places(
    header: Any, shape: tuple[int, int], tile: tuple[int, int], path: Path
) -> dict[tuple[int, int], int]:
    """Tile (row, column) to frame number, of the first focal plane and optical path."""
    across = -(-shape[1] // tile[1])
    down = -(-shape[0] // tile[0])
    if header.get("DimensionOrganizationType") == "TILED_FULL":
        return {(k // across, k % across): k for k in range(across * down)}
    places: dict[tuple[int, int], int] = {}
    for number, frame in enumerate(header.PerFrameFunctionalGroupsSequence):
        at = frame.PlanePositionSlideSequence[0]
        y = int(at.RowPositionInTotalImagePixelMatrix) - 1
        x = int(at.ColumnPositionInTotalImagePixelMatrix) - 1
        if y % tile[0] or x % tile[1]:
            raise InputError(f"The tiles of {path} do not lie on a grid; export it again.")
        places.setdefault((y // tile[0], x // tile[1]), number)
    return places


def _spacing(header: Any) -> tuple[float, float] | None:
    """Pixel Spacing (0028,0030), mm along (row, column), of the Pixel Measures Sequence."""
    try:
        measures = header.SharedFunctionalGroupsSequence[0].PixelMeasuresSequence[0]
        row, column = measures.PixelSpacing
    except (AttributeError, IndexError, ValueError):
        return None
    return float(row), float(column)


def _colour(header: Any, path: Path) -> Colour:
    meaning = str(header.PhotometricInterpretation)
    bits = int(header.BitsStored)
    if meaning in ("MONOCHROME1", "MONOCHROME2"):
        return Colour("grey", bits=bits, inverted=meaning == "MONOCHROME1")
    if meaning == "RGB" or meaning.startswith("YBR"):
        return Colour("rgb", bits=bits)
    raise InputError(f"{path} has colours of kind {meaning}; export it as RGB.")
