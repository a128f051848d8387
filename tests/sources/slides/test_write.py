"""What is written is read back alike here, by tifffile and by SimpleITK."""

from __future__ import annotations

import numpy as np
import pytest
import SimpleITK as sitk
import tifffile
from PIL import Image as Pillow

from coreg.errors import InputError
from coreg.geometry import ZONES, Grid, Image
from coreg.sources.slides import open_slide, read_ome_tiff, write_ome_tiff
from coreg.sources.slides.write import write_bands

GRID = Grid((300, 521), (0.01, 0.02), (1.5, -2.5), "plane")
RNG = np.random.default_rng(0)
KINDS = {
    "colour": RNG.integers(0, 255, (300, 521, 3)).astype(np.uint8),
    "labels": RNG.integers(0, 6, (300, 521)).astype(np.uint8),
    "mask": RNG.random((300, 521)) > 0.5,
    "float": RNG.random((300, 521)).astype(np.float32),
    "densities": RNG.random((300, 521, 2)).astype(np.float32),
}


@pytest.mark.parametrize("kind", KINDS)
def test_round_trip_keeps_values_grid_and_frame(tmp_path, kind):
    data = KINDS[kind]
    path = write_ome_tiff(tmp_path / "a.ome.tif", Image(data, GRID))
    again = read_ome_tiff(path)
    assert again.grid == GRID
    np.testing.assert_array_equal(again.data, data * 255 if data.dtype == bool else data)
    with tifffile.TiffFile(path) as tiff:
        assert tiff.pages[0].is_tiled
        assert 'PhysicalSizeX="20.0" PhysicalSizeXUnit="µm"' in tiff.ome_metadata


def test_labels_are_read_elsewhere_with_their_meaning(tmp_path):
    """Pillow and SimpleITK see the same numbers (the latter turns any tiled TIFF into RGBA)."""
    path = write_ome_tiff(tmp_path / "a.ome.tif", Image(KINDS["labels"], GRID), labels=ZONES)
    with Pillow.open(path) as picture:
        np.testing.assert_array_equal(np.asarray(picture), KINDS["labels"])
    toolkit = sitk.GetArrayFromImage(sitk.ReadImage(path))
    np.testing.assert_array_equal(toolkit[..., 0], KINDS["labels"])
    with tifffile.TiffFile(path) as tiff:
        assert '<M K="4">ablated</M>' in tiff.ome_metadata


def test_a_written_section_opens_as_a_slide(tmp_path):
    grid = Grid((300, 521), (0.01, 0.01), (0.005, 0.005), "slide")
    path = write_ome_tiff(tmp_path / "a.ome.tif", Image(KINDS["colour"], grid))
    with open_slide(path) as slide:
        assert slide.levels[0].grid == grid
        np.testing.assert_array_equal(slide.read(0, slice(None), slice(None)), KINDS["colour"])


def test_bands_of_any_height_make_the_same_file(tmp_path):
    data = KINDS["colour"]
    bands = ((row, data[row : row + 77]) for row in range(0, 300, 77))
    path = write_bands(tmp_path / "a.ome.tif", bands, GRID, dtype=np.uint8, samples=3)
    np.testing.assert_array_equal(read_ome_tiff(path).data, data)


def test_nothing_is_left_of_a_failed_write(tmp_path):
    def broken():
        yield 0, KINDS["colour"][:50]
        raise InputError("the slide stopped answering")

    with pytest.raises(InputError, match="stopped answering"):
        write_bands(tmp_path / "a.ome.tif", broken(), GRID, dtype=np.uint8, samples=3)
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(InputError, match="cannot be written"):
        write_ome_tiff(tmp_path / "no" / "a.ome.tif", Image(KINDS["mask"], GRID))


def test_foreign_files_are_refused(tmp_path):
    tifffile.imwrite(tmp_path / "a.tif", KINDS["labels"])
    with pytest.raises(InputError, match="is no OME-TIFF"):
        read_ome_tiff(tmp_path / "a.tif")
    (tmp_path / "b.tif").write_bytes(b"II*\0")
    with pytest.raises(InputError, match="cannot be read"):
        read_ome_tiff(tmp_path / "b.tif")
