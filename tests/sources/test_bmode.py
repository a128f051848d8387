"""B-mode: calibrated DICOM regions in mm, arrays, plain images.

The real files are those that pydicom ships with its tests.
"""

from __future__ import annotations

import numpy as np
import pytest

from coreg.errors import InputError
from coreg.sources.bmode import read_bmode


def real(name: str) -> str:
    from pydicom.data import get_testdata_file

    return get_testdata_file(name, download=False)


def test_pixel_size_of_a_real_calibrated_region():
    """pydicom's palette example: 0.02622878766196998 cm per pixel along x and y (its own tags)."""
    found = read_bmode(real("examples_palette.dcm"))
    assert found.image.grid.spacing == pytest.approx((0.2622878766196998,) * 2)
    # Reference pixel (340, 36) from the region's corner (120, 60) lies at 0 cm, 0 cm.
    index = found.image.grid.to_index((0.0, 0.0))[0]
    assert index == pytest.approx((36, 340))
    assert found.image.grid.frame == "plane"
    # Columns 120 to 800 and rows 60 to 518 of a picture of 800 x 350.
    assert found.image.data.shape == (290, 680)
    assert any("cut or scaled" in question for question in found.questions)


def test_a_real_compressed_colour_loop():
    """pydicom's YBR example: 30 JPEG frames, 0.05104970559477806 cm per pixel."""
    pytest.importorskip("PIL")
    found = read_bmode(real("examples_ybr_color.dcm"), frame=12)
    assert found.image.grid.spacing == pytest.approx((0.5104970559477806,) * 2)
    assert found.image.data.dtype == np.float32
    assert found.image.data.std() > 1
    assert "Frame 12 of 30 was taken." in found.notes
    assert "320 x 240" in found.questions[0]
    with pytest.raises(InputError, match=r"holds 30 frame\(s\), so there is no frame 30"):
        read_bmode(real("examples_ybr_color.dcm"), frame=30)


def test_a_picture_without_scale_asks_for_it():
    path = real("examples_rgb_color.dcm")
    with pytest.raises(InputError, match="no calibrated region in cm and no pixel spacing"):
        read_bmode(path)
    found = read_bmode(path, pixel_size_mm=(0.2, 0.3), origin_mm=(1.0, -2.0))
    assert found.image.grid.spacing == (0.2, 0.3)
    assert found.image.grid.origin == (1.0, -2.0)


def test_pixel_spacing_is_row_then_column():
    import pydicom

    path = real("CT_small.dcm")
    spacing = [float(v) for v in pydicom.dcmread(path).PixelSpacing]
    assert read_bmode(path).image.grid.spacing == pytest.approx(tuple(spacing))


def region(x0, y0, x1, y1, dx, dy, *, units=3, spatial=1, kind=1, reference=None):
    from pydicom.dataset import Dataset

    item = Dataset()
    item.RegionSpatialFormat, item.RegionDataType = spatial, kind
    item.RegionLocationMinX0, item.RegionLocationMinY0 = x0, y0
    item.RegionLocationMaxX1, item.RegionLocationMaxY1 = x1, y1
    item.PhysicalUnitsXDirection = item.PhysicalUnitsYDirection = units
    item.PhysicalDeltaX, item.PhysicalDeltaY = dx, dy
    if reference is not None:
        item.ReferencePixelX0, item.ReferencePixelY0 = reference[:2]
        item.ReferencePixelPhysicalValueX, item.ReferencePixelPhysicalValueY = reference[2:]
    return item


def written(tmp_path, regions):
    import pydicom
    from pydicom.dataset import FileMetaDataset
    from pydicom.uid import ExplicitVRLittleEndian, UltrasoundImageStorage, generate_uid

    dataset = pydicom.Dataset()
    dataset.file_meta = FileMetaDataset()
    dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    dataset.file_meta.MediaStorageSOPClassUID = UltrasoundImageStorage
    dataset.file_meta.MediaStorageSOPInstanceUID = generate_uid()
    dataset.SOPClassUID = UltrasoundImageStorage
    dataset.SOPInstanceUID = dataset.file_meta.MediaStorageSOPInstanceUID
    dataset.Modality = "US"
    dataset.Rows, dataset.Columns = 60, 100
    dataset.SamplesPerPixel, dataset.PhotometricInterpretation = 1, "MONOCHROME2"
    dataset.BitsAllocated = dataset.BitsStored = 8
    dataset.HighBit, dataset.PixelRepresentation = 7, 0
    dataset.SequenceOfUltrasoundRegions = regions
    picture = (np.arange(60)[:, None] * 2 + np.arange(100)).astype(np.uint8)
    dataset.PixelData = picture.tobytes()
    path = tmp_path / "a.dcm"
    dataset.save_as(path, enforce_file_format=True)
    return path, picture


def test_delta_is_cm_per_pixel_with_x_along_columns(tmp_path):
    """PS3.3 C.8.5.5: 0.0125 cm is 0.125 mm; bounds are inclusive."""
    item = region(10, 5, 89, 54, 0.0125, 0.02, reference=(40, 0, 0.0, 0.3))
    path, picture = written(tmp_path, [item])
    found = read_bmode(path)
    assert found.image.grid.spacing == pytest.approx((0.2, 0.125))
    assert found.image.data.shape == (50, 80)
    np.testing.assert_array_equal(found.image.data, picture[5:55, 10:90])
    # Depth 3 mm at the region's top, lateral 0 at its column 40.
    assert found.image.grid.origin == pytest.approx((3.0, -40 * 0.125))
    assert found.questions == ()


def test_regions_in_other_units_or_modes_are_never_lengths(tmp_path):
    """Seconds (4), M-mode (2) and spectral (3) regions are passed over, larger as they are."""
    items = [
        region(0, 0, 99, 59, 0.5, 0.5, units=4),
        region(0, 0, 99, 59, 0.5, 0.5, spatial=2),
        region(0, 0, 99, 59, 0.5, 0.5, spatial=3),
        region(50, 0, 99, 59, 0.01, 0.01),
    ]
    assert read_bmode(written(tmp_path, items)[0]).image.grid.spacing == pytest.approx((0.1, 0.1))
    with pytest.raises(InputError, match="no calibrated region in cm"):
        read_bmode(written(tmp_path, items[:3])[0])


def test_of_several_scales_the_pixel_that_is_meant_decides(tmp_path):
    items = [region(0, 0, 69, 59, 0.01, 0.01), region(70, 0, 99, 59, 0.03, 0.03)]
    path, _ = written(tmp_path, items)
    first = read_bmode(path)
    assert first.image.grid.spacing == pytest.approx((0.1, 0.1))
    assert any("different scale" in note for note in first.notes)
    second = read_bmode(path, region_at=(30, 80))
    assert second.image.grid.spacing == pytest.approx((0.3, 0.3))
    tissue_first = [
        region(0, 0, 69, 59, 0.01, 0.01, kind=2),
        region(70, 0, 99, 59, 0.03, 0.03, kind=1),
    ]
    assert read_bmode(written(tmp_path, tissue_first)[0]).image.grid.spacing[0] == (
        pytest.approx(0.3)
    )


def test_a_given_pixel_size_stands_above_the_files_and_is_said(tmp_path):
    path, _ = written(tmp_path, [region(0, 0, 99, 59, 0.01, 0.01)])
    found = read_bmode(path, pixel_size_mm=(0.2, 0.2))
    assert found.image.grid.spacing == (0.2, 0.2)
    assert "stands above" in found.notes[0]


def test_plain_images_need_a_pixel_size(tmp_path):
    from PIL import Image

    grey = np.arange(48, dtype=np.uint8).reshape(6, 8)
    Image.fromarray(grey).save(tmp_path / "a.png")
    Image.fromarray(np.stack([grey] * 3, axis=2)).save(tmp_path / "b.png")
    with pytest.raises(InputError, match="has no scale"):
        read_bmode(tmp_path / "a.png")
    for name in ("a.png", "b.png"):
        found = read_bmode(tmp_path / name, pixel_size_mm=(0.1, 0.2))
        np.testing.assert_allclose(found.image.data, grey, rtol=1e-6)
        assert found.image.grid.size == pytest.approx((0.6, 1.6))


def test_arrays_are_read_with_their_axes(tmp_path):
    frames = np.random.default_rng(0).uniform(0, 255, (4, 20, 15)).astype(np.float32)
    np.savez(tmp_path / "a.npz", b=frames, z=np.arange(20) * 0.1, x=np.arange(15) * 0.2)
    found = read_bmode(tmp_path / "a.npz", array="b", depth="z", lateral="x", frame=2)
    np.testing.assert_array_equal(found.image.data, frames[2])
    assert found.image.grid.spacing == pytest.approx((0.1, 0.2))
    np.save(tmp_path / "b.npy", frames[0])
    found = read_bmode(tmp_path / "b.npy", pixel_size_mm=(0.1, 0.3))
    np.testing.assert_array_equal(found.image.data, frames[0])
    assert found.image.grid.spacing == (0.1, 0.3)


def test_files_that_cannot_be_read_are_one_sentence(tmp_path):
    for name, content in (("a.png", b"no"), ("a.dcm", b"no"), ("b.dcm", b"\0" * 128 + b"DICM")):
        (tmp_path / name).write_bytes(content)
        with pytest.raises(InputError, match=r"cannot be read|holds no picture"):
            read_bmode(tmp_path / name, pixel_size_mm=(1, 1))
    with pytest.raises(InputError, match="There is no file"):
        read_bmode(tmp_path / "none.png")
    with pytest.raises(InputError, match="holds no picture"):
        read_bmode(real("test-SR.dcm"))
