"""Scanners' own formats, through OpenSlide."""

from __future__ import annotations

from typing import Any

import numpy as np

from coreg.errors import InputError
from coreg.sources.slides.base import LARGEST_PIECE_PX, Slide
from coreg.sources.slides.colour import over_white
from coreg.sources.slides.pixel_size import DESCRIPTION, Statement, choose, from_tags
from coreg.sources.slides.storage import local_path

# Read here without OpenSlide: it would lose the OME-XML, and syntaxes that its DICOM reader lacks.
_OURS = (None, "generic-tiff", "dicom")
_TILE = 512


def scanner_of(source: str) -> str | None:
    """Which scanner's format a local file has, in OpenSlide's words; None where it is not its."""
    import openslide

    vendor = openslide.OpenSlide.detect_format(local_path(source))
    return None if vendor in _OURS else vendor


class ScannerSlide(Slide):
    """A file in a scanner's own format."""

    kind = "scanner"

    def __init__(self, source: str, pixel_size_um: Any = None) -> None:
        import openslide

        try:
            self._file = openslide.OpenSlide(local_path(source))
        except openslide.OpenSlideError as error:
            raise InputError(
                f"{source} cannot be read ({error}); copy it again, with the files beside it."
            ) from None
        try:
            size = choose(_statements(self._file.properties), pixel_size_um, source)
            shapes = [(h, w) for w, h in self._file.level_dimensions]
            self._tiles = [self._tile(k, shape) for k, shape in enumerate(shapes)]
        except InputError:
            self._file.close()
            raise
        super().__init__(source, shapes, size, [])

    def _tile(self, level: int, shape: tuple[int, int]) -> tuple[int, int]:
        sides = [
            int(self._file.properties.get(f"openslide.level[{level}].tile-{side}", _TILE))
            for side in ("height", "width")
        ]
        if sides[0] * sides[1] > LARGEST_PIECE_PX or min(sides) < 16:
            sides = [_TILE, _TILE]
        return min(sides[0], shape[0]), min(sides[1], shape[1])

    def tile_shape(self, level: int) -> tuple[int, int]:
        return self._tiles[level]

    def _decode(self, level: int, row: int, column: int) -> np.ndarray:
        import openslide

        th, tw = self._tiles[level]
        rows, columns = self.levels[level].grid.shape
        h, w = min(th, rows - row * th), min(tw, columns - column * tw)
        factor = self._file.level_downsamples[level]
        place = (round(column * tw * factor), round(row * th * factor))
        try:
            picture = self._file.read_region(place, level, (w, h))
        except openslide.OpenSlideError as error:
            raise InputError(
                f"{self.source}: tile (row {row}, column {column}) of level {level} is damaged "
                f"({error}); copy the file again."
            ) from None
        rgba = np.asarray(picture)
        return over_white(rgba[..., :3], rgba[..., 3], premultiplied=False)

    def _release(self) -> None:
        self._file.close()


def _statements(properties: Any) -> list[Statement]:
    def number(name: str) -> float | None:
        try:
            return float(properties[name])
        except (KeyError, ValueError):
            return None

    found = []
    row, column = number("openslide.mpp-y"), number("openslide.mpp-x")
    if row and column:
        found.append(Statement((row * 1e-3, column * 1e-3), DESCRIPTION))
    unit = {"centimeter": 3, "inch": 2}.get(properties.get("tiff.ResolutionUnit", ""), 1)
    tags, _ = from_tags(number("tiff.XResolution"), number("tiff.YResolution"), unit)
    return [*found, tags] if tags is not None else found
