"""The rule by which samples become 8-bit RGB."""

from __future__ import annotations

import numpy as np
import pytest

from coreg.errors import InputError
from coreg.sources.slides.colour import Colour, rgb_from_ycbcr, to_rgb8


def one(*values, dtype=np.uint8):
    return np.array([[values]], dtype=dtype)


def pixel(samples, colour):
    return to_rgb8(samples, colour)[0, 0].tolist()


def test_more_bits_are_scaled_and_rounded_never_stretched():
    assert pixel(one(65535, 0, 32768, dtype=np.uint16), Colour("rgb")) == [255, 0, 128]
    assert pixel(one(1023, 0, 512, dtype=np.uint16), Colour("rgb", bits=10)) == [255, 0, 128]
    assert pixel(one(2000, 0, 0, dtype=np.uint16), Colour("rgb", bits=10)) == [255, 0, 0]


def test_every_eight_bit_value_survives_sixteen_bits():
    values = np.arange(256, dtype=np.uint16).reshape(16, 16)
    assert (to_rgb8(values * 257, Colour("grey"))[..., 0] == values).all()


def test_floats_are_cut_and_nan_is_white():
    assert pixel(one(0.5, 2.0, np.nan, dtype=np.float32), Colour("rgb")) == [128, 255, 255]


def test_opacity_over_white():
    assert pixel(one(100, 0, 200, 255), Colour("rgb", "straight")) == [100, 0, 200]
    assert pixel(one(100, 0, 200, 0), Colour("rgb", "straight")) == [255, 255, 255]
    assert pixel(one(50, 0, 100, 128), Colour("rgb", "premultiplied")) == [177, 127, 227]
    assert pixel(one(100, 0, 200, 0), Colour("rgb", "ignored")) == [100, 0, 200]
    assert pixel(one(0, 0), Colour("grey", "straight")) == [255, 255, 255]


def test_cmyk_and_bits():
    assert pixel(one(255, 0, 0, 0), Colour("cmyk")) == [0, 255, 255]
    assert pixel(one(0, 0, 0, 255), Colour("cmyk")) == [0, 0, 0]
    assert pixel(np.array([[True]]), Colour("grey")) == [255, 255, 255]


def test_signed_and_missing_channels_are_refused():
    with pytest.raises(InputError, match="have no agreed white"):
        to_rgb8(one(1, 2, 3, dtype=np.int16), Colour("rgb"))
    with pytest.raises(InputError, match="expected 3 for rgb"):
        to_rgb8(one(1, 2), Colour("rgb"))


def test_ycbcr_agrees_with_scikit_image():
    """skimage.color.ycbcr2rgb uses the video range; JFIF's full range is that, rescaled."""
    from skimage.color import ycbcr2rgb

    rng = np.random.default_rng(0)
    full = rng.integers(60, 190, (8, 8, 3)).astype(np.uint8)
    video = full.astype(float)
    video[..., 0] = 16 + video[..., 0] * 219 / 255
    video[..., 1:] = 128 + (video[..., 1:] - 128) * 224 / 255
    expected = np.clip(ycbcr2rgb(video) * 255, 0, 255)
    assert np.abs(rgb_from_ycbcr(full) - expected).max() <= 1.0
