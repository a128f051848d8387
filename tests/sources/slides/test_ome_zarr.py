"""OME-Zarr written by the Open Microscopy Environment's own package; see data/slides/make.py."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from data.slides.make import HERE, PIXEL_UM, pattern

from coreg.errors import InputError
from coreg.sources.slides import open_slide

ALL = slice(None)


@pytest.mark.parametrize("version", ["0.4", "0.5"])
def test_ngff_reads_as_written(version):
    with open_slide(HERE / f"ngff-{version}.ome.zarr") as slide:
        assert slide.kind == "OME-Zarr"
        assert slide.pixel_size == pytest.approx((PIXEL_UM / 1000,) * 2)
        assert slide.pixel_size_source == "OME-Zarr metadata"
        assert [level.downsample for level in slide.levels] == [1, 2]
        np.testing.assert_array_equal(slide.read(0, ALL, ALL), pattern())
        # Level 1 is a mean of 2 × 2 pixels, so the levels' edges coincide.
        np.testing.assert_array_equal(slide.read(1, ALL, ALL), slide.image(PIXEL_UM / 500).data)
        np.testing.assert_array_equal(
            slide.read(0, slice(50, 70), slice(3, 9)), pattern()[50:70, 3:9]
        )


@pytest.fixture
def copy(tmp_path) -> Path:
    return Path(shutil.copytree(HERE / "ngff-0.4.ome.zarr", tmp_path / "a.zarr"))


def test_no_unit_asks_for_the_pixel_size(copy):
    attributes = json.loads((copy / ".zattrs").read_text())
    for axis in attributes["multiscales"][0]["axes"]:
        axis.pop("unit", None)
    (copy / ".zattrs").write_text(json.dumps(attributes))
    with pytest.raises(InputError, match=r"set \[slide\] pixel_size_um in case\.toml"):
        open_slide(copy)
    with open_slide(copy, 0.5) as slide:
        assert slide.pixel_size_source == "case.toml"


def test_damage_is_said(copy):
    chunk = next(p for p in sorted((copy / "s0").rglob("*")) if p.is_file() and p.name.isdigit())
    chunk.write_bytes(b"noise")
    with (
        open_slide(copy) as slide,
        pytest.raises(InputError, match=r"tile \(row 0, column 0\) of level 0 is damaged"),
    ):
        slide.read(0, ALL, ALL)
    (copy / ".zattrs").write_text("{}")
    with pytest.raises(InputError, match="is a zarr without an OME-Zarr image"):
        open_slide(copy)
    (copy / ".zgroup").write_text("{")
    with pytest.raises(InputError, match="cannot be read as OME-Zarr"):
        open_slide(copy)
