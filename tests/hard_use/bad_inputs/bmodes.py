"""B-mode images."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np
from hard_use.bad_inputs.slides import png
from hard_use.bad_inputs.table import Arguments, bad, cut, packed_zeros, setting

BMODE = "B-mode"


@bad(BMODE, "the file is not there", "is not there; correct [bmode] path in")
def bmode_not_there(case: Path) -> Arguments:
    setting(case, "bmode", path='"missing.png"')
    return "predict", case


@bad(
    BMODE,
    "a picture without a pixel size",
    ("A plain image such as bmode.png has no scale; give its pixel size in mm … in case.toml."),
)
def bmode_no_size(case: Path) -> Arguments:
    setting(case, "bmode", pixel_size_mm="")
    return "predict", case


@bad(BMODE, "a picture cut short", "bmode.png cannot be read as an image … ; export it again.")
def bmode_cut(case: Path) -> Arguments:
    cut(case / "bmode.png", 0.6)
    return "predict", case


@bad(
    BMODE,
    "a picture of 4 × 10⁹ pixels",
    (
        "bmode.png says that it has more than 100 million pixels, as no B-mode image has; "
        "export it again."
    ),
    alone=True,
)
def bmode_bomb(case: Path) -> Arguments:
    (case / "bmode.png").write_bytes(png(65535, 65535))
    return "predict", case


def dicom(path: Path, **values: Any) -> Path:
    """A small ultrasound picture in DICOM with a calibrated region, changed as one likes."""
    from pydicom.dataset import Dataset, FileMetaDataset
    from pydicom.uid import ExplicitVRLittleEndian, generate_uid

    region = Dataset()
    region.RegionSpatialFormat, region.RegionDataType, region.RegionFlags = 1, 1, 0
    region.RegionLocationMinX0, region.RegionLocationMinY0 = 0, 0
    region.RegionLocationMaxX1, region.RegionLocationMaxY1 = 39, 55
    region.PhysicalUnitsXDirection = region.PhysicalUnitsYDirection = 3
    region.PhysicalDeltaX = region.PhysicalDeltaY = 0.02
    meta = FileMetaDataset()
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.6.1"
    meta.MediaStorageSOPInstanceUID = generate_uid(entropy_srcs=["hard use"])
    dataset = Dataset()
    dataset.file_meta = meta
    dataset.SOPClassUID = meta.MediaStorageSOPClassUID
    dataset.SOPInstanceUID = meta.MediaStorageSOPInstanceUID
    dataset.Modality = "US"
    dataset.Rows, dataset.Columns, dataset.SamplesPerPixel = 56, 40, 1
    dataset.PhotometricInterpretation = "MONOCHROME2"
    dataset.BitsAllocated = dataset.BitsStored = 8
    dataset.HighBit, dataset.PixelRepresentation = 7, 0
    dataset.SequenceOfUltrasoundRegions = [region]
    dataset.PixelData = np.full((56, 40), 60, np.uint8).tobytes()
    for name, value in values.items():
        if name.startswith(("Physical", "Region")):
            setattr(region, name, value)
        elif value is None:
            delattr(dataset, name)
        else:
            setattr(dataset, name, value)
    dataset.save_as(path, enforce_file_format=True)
    return path


def use_dicom(case: Path, **values: Any) -> Path:
    """Make the case name a DICOM file as its B-mode."""
    setting(case, "bmode", path='"bmode.dcm"', pixel_size_mm="")
    return dicom(case / "bmode.dcm", **values)


@bad(
    BMODE,
    "DICOM cut in its header",
    "bmode.dcm holds no picture; point at the DICOM file with the image.",
)
def dicom_cut_early(case: Path) -> Arguments:
    cut(use_dicom(case), 300)
    return "predict", case


@bad(
    BMODE,
    "DICOM cut in its pixels",
    "The picture in bmode.dcm cannot be decoded … ; export it uncompressed.",
)
def dicom_cut(case: Path) -> Arguments:
    cut(use_dicom(case), 0.7)
    return "predict", case


@bad(
    BMODE,
    "DICOM without calibration",
    (
        "bmode.dcm has no calibrated region in cm and no pixel spacing; give its pixel size "
        "in mm in case.toml."
    ),
)
def dicom_without_scale(case: Path) -> Arguments:
    use_dicom(case, SequenceOfUltrasoundRegions=None)
    return "predict", case


@bad(
    BMODE,
    "DICOM whose calibration is 0",
    (
        "bmode.dcm has no calibrated region in cm and no pixel spacing; give its pixel size "
        "in mm in case.toml."
    ),
)
def dicom_zero_scale(case: Path) -> Arguments:
    use_dicom(case, PhysicalDeltaX=0.0)
    return "predict", case


@bad(
    BMODE,
    "DICOM whose calibration is not a number",
    "Expected a pixel size above 0 mm along both axes, got … ; correct it in case.toml.",
)
def dicom_nan_scale(case: Path) -> Arguments:
    use_dicom(case, PhysicalDeltaX=float("nan"))
    return "predict", case


@bad(
    BMODE,
    "DICOM whose calibrated region lies outside its picture",
    (
        "The calibrated region starts at column 500, row 0, outside the picture of 40 x 56 "
        "pixels; give its pixel size."
    ),
)
def dicom_region_outside(case: Path) -> Arguments:
    use_dicom(case, RegionLocationMinX0=500, RegionLocationMaxX1=900)
    return "predict", case


@bad(
    BMODE,
    "DICOM whose calibrated region is turned inside out",
    (
        "The calibrated region ends at column 10, row 55, before its start at column 30, "
        "row 0; give the picture's pixel size."
    ),
)
def dicom_region_inverted(case: Path) -> Arguments:
    use_dicom(case, RegionLocationMinX0=30, RegionLocationMaxX1=10)
    return "predict", case


@bad(
    BMODE,
    "DICOM that says it has 65535 × 65535 pixels in 10⁹ frames",
    (
        "The picture in bmode.dcm needs … of memory, but … are free; cut it down or use a "
        "machine with more memory."
    ),
    alone=True,
)
def dicom_absurd(case: Path) -> Arguments:
    use_dicom(case, Rows=65535, Columns=65535, NumberOfFrames=10**9)
    return "predict", case


@bad(
    BMODE,
    "DICOM that unpacks to gigabytes",
    "bmode.dcm is packed as a whole … , which is not read here; export it uncompressed.",
    alone=True,
)
def dicom_bomb(case: Path) -> Arguments:
    path = use_dicom(case)
    content = path.read_bytes()
    content = content.replace(b"1.2.840.10008.1.2.1\0", b"1.2.840.10008.1.2.1.99")
    meta_length = struct.unpack("<I", content[140:144])[0]
    head = content[:140] + struct.pack("<I", meta_length + 2) + content[144:]
    # The length of the element itself grows as well.
    head = head.replace(b"\x10\0UI\x14\0", b"\x10\0UI\x16\0")
    start = 144 + meta_length + 2
    path.write_bytes(head[:start] + packed_zeros(head[start:], 200, raw=True))
    return "predict", case
