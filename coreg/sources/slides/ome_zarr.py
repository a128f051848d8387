"""OME-Zarr (NGFF 0.4 and 0.5), local or behind an address, through zarr.

Levels are taken to share their outer edges, as averaging blocks of pixels makes them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from coreg.errors import InputError
from coreg.sources.slides.base import LARGEST_PIECE_PX, Slide
from coreg.sources.slides.colour import Colour, to_rgb8
from coreg.sources.slides.pixel_size import NGFF, Statement, choose, unit_mm
from coreg.sources.slides.storage import filesystem, is_remote, local_path

_TILE = 512


@dataclass(frozen=True)
class _Axes:
    """Positions of row, column and channel among an array's axes; channel may be absent."""

    row: int
    column: int
    channel: int | None
    count: int


class OmeZarrSlide(Slide):
    """The first multiscale image of an OME-Zarr group."""

    kind = "OME-Zarr"

    def __init__(self, source: str, pixel_size_um: Any = None) -> None:
        import zarr

        place = source if is_remote(source) else str(local_path(source))
        if is_remote(source):
            filesystem(source)  # says which package is missing before zarr does
        try:
            group = zarr.open_group(place, mode="r")
            image = _multiscale(dict(group.attrs), source)
            self._arrays: list[Any] = [group[str(each["path"])] for each in image["datasets"]]
            self._axes = _axes(image, self._arrays[0].ndim, source)
            statement = _statement(image, self._axes)
        except (OSError, KeyError, ValueError, TypeError, AttributeError, IndexError) as error:
            raise InputError(
                f"{source} cannot be read as OME-Zarr ({_text(error)}); export the slide again."
            ) from None
        size = choose([statement] if statement else [], pixel_size_um, source)
        axes = self._axes
        shapes = [(a.shape[axes.row], a.shape[axes.column]) for a in self._arrays]
        order = sorted(range(len(shapes)), key=lambda k: -shapes[k][0])
        self._arrays = [self._arrays[k] for k in order]
        channels = 1 if axes.channel is None else self._arrays[0].shape[axes.channel]
        if channels not in (1, 3, 4):
            raise InputError(
                f"{source} has {channels} channels, which is no stained section; export it as RGB."
            )
        self._colour = Colour("grey") if channels == 1 else Colour("rgb", "straight")
        probe = np.zeros((1, 1, channels), dtype=self._arrays[0].dtype)
        to_rgb8(probe, self._colour, source)
        super().__init__(source, [shapes[k] for k in order], size, _remarks(self, source))
        self._tiles = [self._tile(k) for k in range(len(self.levels))]

    def _tile(self, level: int) -> tuple[int, int]:
        chunks = self._arrays[level].chunks
        h, w = chunks[self._axes.row], chunks[self._axes.column]
        if h * w > LARGEST_PIECE_PX:
            raise InputError(
                f"{self.source} packs {h} × {w} pixels in one chunk, which cannot be read in part; "
                "write it again with smaller chunks."
            )
        return h, w

    def tile_shape(self, level: int) -> tuple[int, int]:
        return self._tiles[level]

    def _decode(self, level: int, row: int, column: int) -> np.ndarray:
        array, axes = self._arrays[level], self._axes
        th, tw = self._tiles[level]
        key: list[Any] = [0] * axes.count
        key[axes.row] = slice(row * th, (row + 1) * th)
        key[axes.column] = slice(column * tw, (column + 1) * tw)
        if axes.channel is not None:
            key[axes.channel] = slice(None)
        try:
            samples = np.asarray(array[tuple(key)])
        except (OSError, ValueError, RuntimeError, KeyError) as error:
            raise InputError(
                f"{self.source}: tile (row {row}, column {column}) of level {level} is damaged "
                f"({_text(error)}); export the slide again."
            ) from None
        kept = [k for k in (axes.row, axes.column, axes.channel) if k is not None]
        order = [sorted(kept).index(k) for k in kept]
        return to_rgb8(samples.transpose(order), self._colour, self.source)

    def _release(self) -> None:
        for array in self._arrays:
            array.store.close()


def _multiscale(attributes: dict[str, Any], source: str) -> dict[str, Any]:
    """The metadata of the first image: under "ome" since NGFF 0.5, at the top before."""
    found = attributes.get("ome", attributes).get("multiscales")
    if not found:
        raise InputError(
            f"{source} is a zarr without an OME-Zarr image; point at the group that holds "
            '"multiscales".'
        )
    return found[0]


def _axes(image: dict[str, Any], count: int, source: str) -> _Axes:
    names = [axis["name"] for axis in image["axes"]]
    if len(names) != count or "y" not in names or "x" not in names:
        raise InputError(f"{source} has axes {names} for {count} dimensions; export it again.")
    channel = names.index("c") if "c" in names else None
    return _Axes(names.index("y"), names.index("x"), channel, count)


def _statement(image: dict[str, Any], axes: _Axes) -> Statement | None:
    scale = np.ones(axes.count)
    stated = False
    for transforms in (
        image["datasets"][0].get("coordinateTransformations", []),
        image.get("coordinateTransformations", []),
    ):
        for each in transforms:
            if each.get("type") == "scale":
                scale = scale * np.asarray(each["scale"], dtype=np.float64)
                stated = True
    units = [unit_mm(image["axes"][k].get("unit")) for k in (axes.row, axes.column)]
    if not stated or units[0] is None or units[1] is None:
        return None
    return Statement((scale[axes.row] * units[0], scale[axes.column] * units[1]), NGFF)


def _remarks(slide: OmeZarrSlide, source: str) -> list[str]:
    axes, array = slide._axes, slide._arrays[0]
    used = (axes.row, axes.column, axes.channel)
    planes = int(np.prod([n for k, n in enumerate(array.shape) if k not in used]))
    return [f"{source} holds {planes} planes; the first was read."] if planes > 1 else []


def _text(error: BaseException) -> str:
    text = str(error).splitlines()[0] if str(error) else type(error).__name__
    return text[:160].rstrip(".")
