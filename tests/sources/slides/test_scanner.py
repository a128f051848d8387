"""A scanner's format through OpenSlide: an Aperio-style TIFF, written by tifffile.

OpenSlide takes such a file for the scanner's own by its description.
"""

from __future__ import annotations

import numpy as np
import pytest
import tifffile
from data.slides.make import pattern

from coreg.errors import InputError
from coreg.sources.slides import open_slide

ALL = slice(None)
TEXT = "Aperio Image Library v11\r\n160x192 [0,0] (64x64) |AppMag = 20|MPP = 0.4990"


@pytest.fixture
def smooth():
    image = pattern()
    image[..., 2] = 100
    return image


@pytest.fixture
def path(tmp_path, smooth):
    with tifffile.TiffWriter(tmp_path / "a.svs") as writer:
        options = {"tile": (64, 64), "photometric": "rgb", "compression": "jpeg", "metadata": None}
        writer.write(smooth, description=TEXT, subfiletype=0, **options)
        writer.write(smooth[::4, ::4], description=TEXT, subfiletype=0, **options)
    return tmp_path / "a.svs"


def test_levels_pixel_size_and_pixels(path, smooth):
    with open_slide(path) as slide:
        assert slide.kind == "scanner"
        assert slide.pixel_size == pytest.approx((0.000499, 0.000499))
        assert slide.pixel_size_source == "scanner's description"
        assert [level.downsample for level in slide.levels] == [1, 4]
        data = slide.read(0, ALL, ALL)
        assert data.shape == smooth.shape
        assert np.median(np.abs(data.astype(int) - smooth)) <= 2
        np.testing.assert_array_equal(data, tifffile.imread(path, series=0, level=0))
        part = slide.read(0, slice(60, 130), slice(10, 90))
        np.testing.assert_array_equal(part, data[60:130, 10:90])


def test_the_same_file_by_tifffile_gives_the_same_size_and_pixels(path):
    """The way it is read from an address, where OpenSlide cannot go."""
    from coreg.sources.slides.tiff import TiffSlide

    with open_slide(path) as one, TiffSlide(str(path)) as other:
        assert other.pixel_size == one.pixel_size
        assert other.pixel_size_source == one.pixel_size_source
        assert [a.grid for a in one.levels] == [b.grid for b in other.levels]
        np.testing.assert_array_equal(one.read(1, ALL, ALL), other.read(1, ALL, ALL))


def test_damage_is_said(path):
    with tifffile.TiffFile(path) as tiff:
        offset, size = tiff.pages[0].dataoffsets[0], tiff.pages[0].databytecounts[0]
    data = bytearray(path.read_bytes())
    data[offset : offset + size] = bytes(size)
    path.write_bytes(data)
    with open_slide(path) as slide, pytest.raises(InputError, match="of level 0 is damaged"):
        slide.read(0, ALL, ALL)
