"""DICOM whole-slide images written with pydicom, and read by OpenSlide beside this reader."""

from __future__ import annotations

from pathlib import Path

import imagecodecs
import numpy as np
import pydicom
import pytest
from data.slides.make import pattern
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.encaps import encapsulate, encapsulate_extended
from pydicom.uid import ExplicitVRLittleEndian, JPEG2000Lossless, JPEGBaseline8Bit, generate_uid

from coreg.errors import InputError
from coreg.sources.slides import open_slide

ALL = slice(None)
TILE = 64
SERIES = generate_uid(entropy_srcs=["series"])
CODECS = {
    "native": (ExplicitVRLittleEndian, lambda t: t.tobytes()),
    "jpeg": (JPEGBaseline8Bit, lambda t: imagecodecs.jpeg_encode(t, 95, subsampling="444")),
    "jpeg 2000": (
        JPEG2000Lossless,
        lambda t: imagecodecs.jpeg2k_encode(t, reversible=True, codecformat="j2k"),
    ),
}


def tiles(image: np.ndarray) -> list[np.ndarray]:
    h, w = (-(-n // TILE) * TILE for n in image.shape[:2])
    padded = np.pad(image, ((0, h - image.shape[0]), (0, w - image.shape[1]), (0, 0)))
    return [
        np.ascontiguousarray(padded[y : y + TILE, x : x + TILE])
        for y in range(0, h, TILE)
        for x in range(0, w, TILE)
    ]


def write_level(
    path: Path, image: np.ndarray, um: float, codec: str = "native", *, sparse=(), extended=False
) -> Path:
    """One file of a pyramid (VL Whole Slide Microscopy, PS3.3 A.32.8)."""
    syntax, encode = CODECS[codec]
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.77.1.6"
    meta.MediaStorageSOPInstanceUID = generate_uid(entropy_srcs=[path.name])
    meta.TransferSyntaxUID = syntax
    ds = FileDataset(str(path), {}, file_meta=meta, preamble=b"\0" * 128)
    ds.SOPClassUID, ds.SOPInstanceUID = (
        meta.MediaStorageSOPClassUID,
        meta.MediaStorageSOPInstanceUID,
    )
    ds.SeriesInstanceUID, ds.StudyInstanceUID = SERIES, SERIES
    ds.FrameOfReferenceUID = SERIES
    ds.Modality = "SM"
    ds.ImageType = ["ORIGINAL", "PRIMARY", "VOLUME", "NONE"]
    ds.Rows = ds.Columns = TILE
    ds.TotalPixelMatrixRows, ds.TotalPixelMatrixColumns = image.shape[:2]
    ds.TotalPixelMatrixFocalPlanes = ds.NumberOfOpticalPaths = 1
    ds.SamplesPerPixel, ds.PlanarConfiguration = 3, 0
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 8, 8, 7, 0
    meaning = {"native": "RGB", "jpeg": "YBR_FULL_422", "jpeg 2000": "YBR_RCT"}[codec]
    ds.PhotometricInterpretation = meaning
    measures, shared = Dataset(), Dataset()
    measures.PixelSpacing = [um / 1000, um / 1000]
    shared.PixelMeasuresSequence = [measures]
    ds.SharedFunctionalGroupsSequence = [shared]
    pieces = tiles(image)
    across = -(-image.shape[1] // TILE)
    kept = [k for k in range(len(pieces)) if k not in sparse]
    ds.NumberOfFrames = len(kept)
    ds.DimensionOrganizationType = "TILED_SPARSE" if sparse else "TILED_FULL"
    if sparse:
        frames = []
        for k in kept:
            at, frame = Dataset(), Dataset()
            at.RowPositionInTotalImagePixelMatrix = k // across * TILE + 1
            at.ColumnPositionInTotalImagePixelMatrix = k % across * TILE + 1
            frame.PlanePositionSlideSequence = [at]
            frames.append(frame)
        ds.PerFrameFunctionalGroupsSequence = frames
    packed = [encode(pieces[k]) for k in kept]
    if codec == "native":
        ds.PixelData = b"".join(packed)
        ds["PixelData"].VR = "OB"
    elif extended:
        ds.PixelData, ds.ExtendedOffsetTable, ds.ExtendedOffsetTableLengths = encapsulate_extended(
            packed
        )
    else:
        ds.PixelData = encapsulate(packed, has_bot=codec == "jpeg")
    ds.save_as(path, enforce_file_format=True)
    return path


@pytest.fixture
def folder(tmp_path) -> Path:
    write_level(tmp_path / "b.dcm", pattern()[::2, ::2], 1.0)
    write_level(tmp_path / "a.dcm", pattern(), 0.5)
    (tmp_path / "notes.txt").write_text("not DICOM")
    return tmp_path


def test_a_series_is_a_pyramid(folder):
    for place in (folder, folder / "a.dcm", folder / "b.dcm"):
        with open_slide(place) as slide:
            assert slide.kind == "DICOM"
            assert slide.pixel_size == pytest.approx((0.0005, 0.0005))
            assert slide.pixel_size_source == "DICOM"
            assert [level.downsample for level in slide.levels] == [1, 2]
            np.testing.assert_array_equal(slide.read(0, ALL, ALL), pattern())
            np.testing.assert_array_equal(slide.read(1, ALL, ALL), pattern()[::2, ::2])


@pytest.mark.parametrize(("codec", "bound"), [("native", 0), ("jpeg", 2), ("jpeg 2000", 0)])
@pytest.mark.parametrize("extended", [False, True])
def test_each_packing_reads_like_openslide(tmp_path, codec, bound, extended):
    """OpenSlide's own JPEG decoder may round differently by 2 of 255."""
    import openslide

    path = write_level(tmp_path / "a.dcm", pattern(), 0.5, codec, extended=extended)
    with open_slide(path) as slide, openslide.OpenSlide(path) as other:
        mine = slide.read(0, ALL, ALL)
        theirs = np.asarray(other.read_region((0, 0), 0, other.dimensions))[..., :3]
    assert mine.shape == theirs.shape == pattern().shape
    assert np.abs(mine.astype(int) - theirs).max() <= bound
    smooth = 2 if codec == "jpeg" else 0
    assert np.median(np.abs(mine.astype(int) - pattern())) <= smooth


def test_sparse_tiles_left_out_are_white(tmp_path):
    path = write_level(tmp_path / "a.dcm", pattern(), 0.5, "jpeg 2000", sparse=(1, 5))
    with open_slide(path) as slide:
        data = slide.read(0, ALL, ALL)
    assert data[:64, 64:128].min() == 255
    np.testing.assert_array_equal(data[:64, :64], pattern()[:64, :64])
    np.testing.assert_array_equal(data[128:, 64:], pattern()[128:, 64:])


def test_damage_is_said(folder):
    data = (folder / "a.dcm").read_bytes()
    (folder / "a.dcm").write_bytes(data[: len(data) - 5000])
    with (
        open_slide(folder / "a.dcm") as slide,
        pytest.raises(InputError, match=r"cut short at frame 9; copy it again"),
    ):
        slide.read(0, ALL, ALL)


def test_no_spacing_asks_for_it(folder):
    for path in folder.glob("*.dcm"):
        header = pydicom.dcmread(path)
        del header.SharedFunctionalGroupsSequence
        header.save_as(path)
    with pytest.raises(InputError, match=r"set \[slide\] pixel_size_um in case\.toml"):
        open_slide(folder)


def test_another_kind_of_dicom_is_no_slide(tmp_path):
    """pydicom carries a CT image."""
    from pydicom.data import get_testdata_file

    with pytest.raises(InputError, match="no DICOM whole-slide image"):
        open_slide(get_testdata_file("CT_small.dcm"), 1.0)


def test_two_slides_in_one_folder_ask_for_a_file(folder):
    other = pydicom.dcmread(folder / "b.dcm")
    other.SeriesInstanceUID = generate_uid(entropy_srcs=["other"])
    other.save_as(folder / "b.dcm")
    with pytest.raises(InputError, match="holds more than one slide"):
        open_slide(folder)
    with open_slide(folder / "a.dcm") as slide:
        assert len(slide.levels) == 1
