"""The one rule by which every picture becomes 8-bit RGB.

- Grey: the same value in all three channels. Two-valued images: 0 and 255.
- Palette: looked up, the upper 8 bits of each entry.
- More than 8 bits: value × 255 / (2^bits − 1), rounded, where bits is what the file declares, else
  the bits of its type. Never stretched to the data, so that every tile is converted alike.
- Floating point: 0 to 1 becomes 0 to 255, cut beyond; NaN is white.
- Opacity: laid over white, as glass without tissue is. Further channels beyond RGB are left out
  where the file calls them unspecified.
- CMYK: R = (255 − C)(255 − K) / 255 and so on.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from coreg.errors import InputError

Model = Literal["grey", "rgb", "palette", "cmyk"]
Alpha = Literal["none", "straight", "premultiplied", "ignored"]


@dataclass(frozen=True)
class Colour:
    """How to read a file's samples.

    Parameters
    ----------
    model : what the samples mean
    alpha : what a sample after the colour ones means
    bits : significant bits of a sample; None for those of its type
    inverted : 0 is white (grey only)
    palette : (n, 3) uint8, for model "palette"
    """

    model: Model
    alpha: Alpha = "none"
    bits: int | None = None
    inverted: bool = False
    palette: np.ndarray | None = None


def to_rgb8(samples: np.ndarray, colour: Colour, where: str = "The image") -> np.ndarray:
    """Apply the rule of this module.

    Parameters
    ----------
    samples : (h, w) or (h, w, channels), bool, integer or float
    where : the file, for messages

    Returns
    -------
    uint8 (h, w, 3)
    """
    values = samples[..., None] if samples.ndim == 2 else samples
    needed = {"grey": 1, "rgb": 3, "palette": 1, "cmyk": 4}[colour.model]
    if values.ndim != 3 or values.shape[2] < needed:
        raise InputError(
            f"{where} has {values.shape[-1]} channel(s), expected {needed} for {colour.model}; "
            "export the stained section as RGB."
        )
    if colour.model == "palette":
        assert colour.palette is not None
        return colour.palette[np.minimum(values[..., 0], len(colour.palette) - 1)]
    eight = _to_8_bits(values, colour.bits)
    base = eight[..., :needed]
    if colour.inverted:
        base = 255 - base
    if colour.model == "cmyk":
        ink = 255 - base.astype(np.uint16)
        base = ((ink[..., :3] * ink[..., 3:] + 127) // 255).astype(np.uint8)
    if colour.alpha in ("straight", "premultiplied") and eight.shape[2] > needed:
        base = over_white(base, eight[..., needed], premultiplied=colour.alpha == "premultiplied")
    if base.shape[2] == 1:
        base = np.repeat(base, 3, axis=2)
    return np.ascontiguousarray(base)


def over_white(rgb: np.ndarray, alpha: np.ndarray, *, premultiplied: bool) -> np.ndarray:
    """Lay uint8 (h, w, n) with opacity uint8 (h, w) over white; uint8 (h, w, n)."""
    if (alpha == 255).all():
        return rgb
    opacity = alpha[..., None].astype(np.uint16)
    own = rgb.astype(np.uint16) if premultiplied else (rgb * opacity + 127) // 255
    return np.minimum(own + 255 - opacity, 255).astype(np.uint8)


def rgb_from_ycbcr(ycbcr: np.ndarray) -> np.ndarray:
    """ITU-R BT.601 full range, as JFIF uses it."""
    y, cb, cr = np.moveaxis(ycbcr.astype(np.float32), -1, 0)
    cb, cr = cb - 128, cr - 128
    rgb = np.stack([y + 1.402 * cr, y - 0.344136 * cb - 0.714136 * cr, y + 1.772 * cb], axis=-1)
    return np.clip(np.rint(rgb), 0, 255).astype(np.uint8)


def _to_8_bits(values: np.ndarray, bits: int | None) -> np.ndarray:
    kind = values.dtype
    if kind == np.bool_:
        return values.astype(np.uint8) * np.uint8(255)
    if np.issubdtype(kind, np.floating):
        return np.rint(np.clip(np.nan_to_num(values, nan=1.0), 0, 1) * 255).astype(np.uint8)
    if not np.issubdtype(kind, np.unsignedinteger):
        raise InputError(
            f"Pixels of type {kind} have no agreed white; export the slide as 8-bit RGB."
        )
    significant = bits or kind.itemsize * 8
    if significant == 8 and kind == np.uint8:
        return values
    top = np.float32(2**significant - 1)
    return np.minimum(np.rint(values.astype(np.float32) * (255 / top)), 255).astype(np.uint8)
