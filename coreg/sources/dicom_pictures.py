"""DICOM files as pydicom reads them: the data set and its decoded picture."""

from __future__ import annotations

import struct
import warnings
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from coreg.errors import InputError
from coreg.sources.limits import require_memory

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

_DEFLATED = "1.2.840.10008.1.2.1.99"


def read_dataset(path: Path) -> Dataset:
    """The DICOM data set; `InputError` where it is none."""
    from pydicom import dcmread

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # small deviations from the standard, which are read
            _refuse_packed_whole(path)
            dataset = dcmread(path)
    except faults() as error:
        raise InputError(
            f"{path.name} cannot be read as DICOM ({reason_of(error)}); export it again."
        ) from None
    try:
        sides = [int(dataset.Rows), int(dataset.Columns)]
    except faults():
        sides = []
    if not sides or min(sides) < 1:
        raise InputError(f"{path.name} holds no picture; point at the DICOM file with the image.")
    return dataset


def _refuse_packed_whole(path: Path) -> None:
    """A deflated data set is unpacked whole before anything in it is known: a bomb's way in."""
    from pydicom.filereader import read_file_meta_info

    if read_file_meta_info(path).get("TransferSyntaxUID") == _DEFLATED:
        raise InputError(
            f"{path.name} is packed as a whole (deflated), which is not read here; export it "
            "uncompressed."
        )


def pixels(dataset: Dataset, path: Path) -> np.ndarray:
    """Decoded pixel data: ([frames,] rows, columns[, 3]); YBR and palettes turned into RGB."""
    from pydicom.pixels import apply_color_lut, pixel_array

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            require_memory(_unpacked_bytes(dataset), f"The picture in {path.name}")
            values = pixel_array(dataset)
            if dataset.get("PhotometricInterpretation") == "PALETTE COLOR":
                values = apply_color_lut(values, dataset)
    except faults() as error:
        raise InputError(
            f"The picture in {path.name} cannot be decoded ({reason_of(error)}); export it "
            "uncompressed."
        ) from None
    return values


def _unpacked_bytes(dataset: Dataset) -> int:
    shape = [int(dataset.get(name) or 1) for name in ("NumberOfFrames", "Rows", "Columns")]
    samples, bits = (int(dataset.get(n) or 1) for n in ("SamplesPerPixel", "BitsAllocated"))
    return shape[0] * shape[1] * shape[2] * samples * max(1, bits // 8)


def reason_of(error: BaseException) -> str:
    """A library's error as part of a sentence: its first line, without the full stop."""
    lines = str(error).strip().splitlines()
    return (lines[0] if lines else type(error).__name__)[:160].rstrip(". ")


def faults() -> tuple[type[Exception], ...]:
    """What pydicom and its codecs raise for files that break the standard."""
    from pydicom.errors import InvalidDicomError

    return (
        InvalidDicomError,
        ValueError,
        AttributeError,
        LookupError,
        TypeError,
        RuntimeError,  # NotImplementedError too
        ArithmeticError,
        OSError,
        EOFError,
        struct.error,
    )
