"""Flat pictures (PNG, JPEG, BMP) whose pixel size the case gives; decoded whole, once.

Their dots-per-inch fields are never believed: cameras and programs write them without measuring.
"""

from __future__ import annotations

import io
import warnings
from typing import Any

import numpy as np

from coreg.errors import InputError
from coreg.sources.slides.base import LARGEST_PIECE_PX, Slide
from coreg.sources.slides.colour import Colour, to_rgb8
from coreg.sources.slides.pixel_size import choose
from coreg.sources.slides.storage import Bytes

_TILE = 512


class FlatSlide(Slide):
    """A picture of one level."""

    kind = "flat image"

    def __init__(self, source: str, pixel_size_um: Any = None) -> None:
        size = choose([], pixel_size_um, source)
        self._data, remarks = read_flat(source)
        super().__init__(source, [(self._data.shape[0], self._data.shape[1])], size, remarks)

    def tile_shape(self, level: int) -> tuple[int, int]:
        return _TILE, _TILE

    def _decode(self, level: int, row: int, column: int) -> np.ndarray:
        return self._data[row * _TILE : (row + 1) * _TILE, column * _TILE : (column + 1) * _TILE]

    def _release(self) -> None:
        self._data = self._data[:0]


def read_flat(source: str) -> tuple[np.ndarray, list[str]]:
    """Decode a flat picture to uint8 (h, w, 3), with sentences for the user.

    Raises `InputError` for what is no picture, is cut short, or is larger than
    `LARGEST_PIECE_PX`.
    """
    from PIL import Image as Pillow
    from PIL import ImageOps

    storage = Bytes(source)
    try:
        with storage.open() as file, warnings.catch_warnings():
            warnings.simplefilter("ignore", Pillow.DecompressionBombWarning)
            picture = Pillow.open(file)
            if picture.width * picture.height > LARGEST_PIECE_PX:
                raise InputError(_too_large(source, f"{picture.width} × {picture.height}"))
            if picture.format == "PNG" and _png_depth(file) == 16:
                # Pillow cuts 16-bit colour to its upper byte; the rule says rounded.
                return _deep_png(file, source), []
            remarks = []
            upright = ImageOps.exif_transpose(picture)
            if upright.size != picture.size or picture.getexif().get(0x0112, 1) != 1:
                remarks.append(f"{source} was turned upright as its camera's note asks (EXIF).")
            return _from_pillow(upright, source), remarks
    except Pillow.DecompressionBombError:
        raise InputError(_too_large(source, "too many")) from None
    except (OSError, ValueError, SyntaxError, EOFError) as error:
        raise InputError(
            f"{source} cannot be read as a picture ({error}); export it again as PNG or TIFF."
        ) from None
    finally:
        storage.close()


def _from_pillow(picture: Any, source: str) -> np.ndarray:
    mode = picture.mode
    if mode == "P" or mode in ("PA", "La", "RGBa") or "transparency" in picture.info:
        picture = picture.convert(
            "RGBA" if mode != "P" or "transparency" in picture.info else "RGB"
        )
        mode = picture.mode
    if mode == "CMYK":
        # Adobe's JPEG files hold CMYK inverted; Pillow undoes that.
        return to_rgb8(np.asarray(picture), Colour("cmyk"), source)
    if mode in ("YCbCr", "LAB", "HSV"):
        picture = picture.convert("RGB")
    samples = np.asarray(picture)
    if mode in ("I", "I;16", "I;16B", "I;16L"):
        samples = np.clip(samples, 0, 65535).astype(np.uint16)
    colours = {1: Colour("grey"), 2: Colour("grey", "straight"), 3: Colour("rgb")}
    channels = 1 if samples.ndim == 2 else samples.shape[2]
    return to_rgb8(samples, colours.get(channels, Colour("rgb", "straight")), source)


def _png_depth(file: Any) -> int:
    """Bits of a sample, from the header of a PNG (byte 24, PNG specification 11.2.2)."""
    file.seek(24)
    return file.read(1)[0]


def _deep_png(file: Any, source: str) -> np.ndarray:
    import imagecodecs

    file.seek(0)
    try:
        samples = imagecodecs.png_decode(io.BytesIO(file.read()).getvalue())
    except imagecodecs.PngError as error:
        raise InputError(
            f"{source} cannot be read as a picture ({error}); export it again as PNG or TIFF."
        ) from None
    channels = 1 if samples.ndim == 2 else samples.shape[2]
    model = Colour("grey" if channels < 3 else "rgb", "straight" if channels in (2, 4) else "none")
    return to_rgb8(samples, model, source)


def _too_large(source: str, size: str) -> str:
    return (
        f"{source} has {size} pixels in one piece, more than {LARGEST_PIECE_PX // 10**6} million; "
        "save it as a tiled, pyramidal TIFF."
    )
