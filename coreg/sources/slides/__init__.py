"""Whole-slide images of any size behind one interface: `open_slide`.

Slide mm (0, 0) is the outer top-left corner of the scanned image; see `base`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from coreg.sources.slides.open import open_slide

if TYPE_CHECKING:
    from coreg.sources.slides.base import Level, LevelArray, Slide, Tile
    from coreg.sources.slides.resample import resample_slide
    from coreg.sources.slides.write import read_ome_tiff, write_ome_tiff

__all__ = [
    "Level",
    "LevelArray",
    "Slide",
    "Tile",
    "open_slide",
    "read_ome_tiff",
    "resample_slide",
    "write_ome_tiff",
]

_PLACES = {
    "Level": "base",
    "LevelArray": "base",
    "Slide": "base",
    "Tile": "base",
    "read_ome_tiff": "write",
    "resample_slide": "resample",
    "write_ome_tiff": "write",
}


def __getattr__(name: str) -> Any:
    if name not in _PLACES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"{__name__}.{_PLACES[name]}"), name)
