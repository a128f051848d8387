"""PNG and JPEG written by Pillow and imagecodecs; the pixel size comes from the case only."""

from __future__ import annotations

import numpy as np
import pytest
from data.slides.make import pattern
from PIL import Image as Pillow

from coreg.errors import InputError
from coreg.sources.slides import open_slide

ALL = slice(None)


def read(path, um=2.0):
    with open_slide(path, um) as slide:
        return slide.read(0, ALL, ALL), slide


def test_png_and_bmp_read_as_written(tmp_path):
    for name in ("a.png", "a.bmp"):
        Pillow.fromarray(pattern()).save(tmp_path / name)
        data, slide = read(tmp_path / name, (2.0, 3.0))
        np.testing.assert_array_equal(data, pattern())
        assert slide.pixel_size == pytest.approx((0.002, 0.003))
        assert slide.pixel_size_source == "case.toml"


def test_the_dpi_of_a_picture_is_never_believed(tmp_path):
    Pillow.fromarray(pattern()).save(tmp_path / "a.png", dpi=(12700, 12700))
    with pytest.raises(InputError, match=r"set \[slide\] pixel_size_um in case\.toml"):
        open_slide(tmp_path / "a.png")


def test_jpeg_reads_like_pillow(tmp_path):
    Pillow.fromarray(pattern()).save(tmp_path / "a.jpg", quality=90)
    with Pillow.open(tmp_path / "a.jpg") as picture:
        np.testing.assert_array_equal(read(tmp_path / "a.jpg")[0], np.asarray(picture))


def test_sixteen_bit_png_is_rounded(tmp_path):
    import imagecodecs

    values = np.full((8, 8, 3), 32768, dtype=np.uint16)
    (tmp_path / "a.png").write_bytes(imagecodecs.png_encode(values))
    assert (read(tmp_path / "a.png")[0] == 128).all()
    (tmp_path / "b.png").write_bytes(imagecodecs.png_encode(values[..., 0].copy()))
    assert (read(tmp_path / "b.png")[0] == 128).all()


def test_palette_opacity_and_two_values(tmp_path):
    picture = Pillow.fromarray(pattern()).quantize(16)
    picture.save(tmp_path / "p.png")
    np.testing.assert_array_equal(read(tmp_path / "p.png")[0], np.asarray(picture.convert("RGB")))
    clear = np.dstack([pattern(), np.zeros(pattern().shape[:2], np.uint8)])
    Pillow.fromarray(clear).save(tmp_path / "c.png")
    assert read(tmp_path / "c.png")[0].min() == 255
    Pillow.fromarray(np.eye(8, dtype=bool)).save(tmp_path / "b.png")
    assert (read(tmp_path / "b.png")[0][..., 0] == np.eye(8) * 255).all()


def test_a_photograph_is_turned_upright_and_says_so(tmp_path):
    exif = Pillow.Exif()
    exif[0x0112] = 6
    Pillow.fromarray(pattern()).save(tmp_path / "a.png", exif=exif)
    data, slide = read(tmp_path / "a.png")
    np.testing.assert_array_equal(data, np.rot90(pattern(), -1))
    assert "turned upright" in slide.warnings[0]


def test_a_picture_cut_short_is_said(tmp_path):
    Pillow.fromarray(pattern()).save(tmp_path / "a.jpg")
    whole = (tmp_path / "a.jpg").read_bytes()
    (tmp_path / "a.jpg").write_bytes(whole[: len(whole) // 3])
    with pytest.raises(InputError, match="cannot be read as a picture"):
        open_slide(tmp_path / "a.jpg", 1.0)


def test_a_picture_too_large_to_decode_whole_is_refused(tmp_path):
    Pillow.new("1", (20_000, 9_000)).save(tmp_path / "a.png")
    with pytest.raises(InputError, match="save it as a tiled, pyramidal TIFF"):
        open_slide(tmp_path / "a.png", 1.0)


def test_the_real_sections_open(serial_sections):
    data, slide = read(serial_sections / "section-he.jpg", 3.48)
    assert data.shape == (661, 892, 3)
    assert slide.levels[0].grid.size == pytest.approx((661 * 0.00348, 892 * 0.00348))
