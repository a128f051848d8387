"""NRRD, MetaImage and NIfTI through SimpleITK.

Array axes are in NumPy's order, slowest first: an image of size (lateral, depth, time) in the file
has shape (time, depth, lateral) here. The components of a vector image are its last axis.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np

from coreg.errors import InputError
from coreg.sources.limits import refuse_far, require_memory, require_unpackable
from coreg.sources.recordings.arrays import FAULTS, Entry, damaged, missing

_NAME = "image"
_HEADER_BYTES = 65536
_DATA_FILE = re.compile(r"^(?:data ?file\s*:|ElementDataFile\s*=)[ \t]*([^\r\n]+)", re.I | re.M)


def entries(path: Path) -> list[Entry]:
    """The one image of the file, named "image"."""
    header = _header(path)
    shape = tuple(int(n) for n in header.GetSize())[::-1]
    if header.GetNumberOfComponents() > 1:
        shape = (*shape, int(header.GetNumberOfComponents()))
    return [Entry(_NAME, shape, _dtype(header), _spacing_words(header))]


def load(path: Path, name: str) -> np.ndarray:
    """The image as an ndarray."""
    import SimpleITK as sitk

    if name != _NAME:
        raise missing(path, name, entries(path))
    header = _header(path)
    try:
        size = header.GetNumberOfComponents() * _value_bytes(header)
        size *= int(np.prod([float(n) for n in header.GetSize()]))
        if _is_detached(path):
            require_memory(size, f"The image in {path.name}")
        else:
            require_unpackable(path, size, f"The image in {path.name}")
        return sitk.GetArrayFromImage(sitk.ReadImage(str(path)))
    except FAULTS as error:
        raise damaged(path, _last_line(error)) from None


def pixel_size(path: Path) -> dict[str, tuple[float, float]] | None:
    """(origin, step) in mm along depth and lateral, from the header; None for a turned image.

    The first axis of the file is lateral, the second depth, as in B-mode images. A spacing of
    exactly 1 along both axes is what files without a spacing show, and counts as none.
    """
    header = _header(path)
    spacing, origin = header.GetSpacing(), header.GetOrigin()
    if len(spacing) < 2 or (spacing[0] == 1.0 and spacing[1] == 1.0):
        return None
    direction = np.reshape(header.GetDirection(), (len(spacing), len(spacing)))
    # NIfTI stores right-to-left and back-to-front, which SimpleITK shows as a sign: distances stay.
    if not np.allclose(np.abs(direction), np.eye(len(spacing)), atol=1e-6):
        raise InputError(
            f"The image axes of {path.name} are turned against its world axes; save it with an "
            "identity direction."
        )
    signs = np.diag(direction)
    return {
        "depth": (float(origin[1] * signs[1]), float(spacing[1])),
        "lateral": (float(origin[0] * signs[0]), float(spacing[0])),
    }


def _header(path: Path) -> Any:
    import SimpleITK as sitk

    reader = sitk.ImageFileReader()
    reader.SetFileName(str(path))
    try:
        _refuse_far_data(path)
        reader.ReadImageInformation()
    except FAULTS as error:
        raise damaged(path, _last_line(error)) from None
    return reader


def _refuse_far_data(path: Path) -> None:
    """The numbers may lie in a file of their own, which must be beside the header."""
    for named in _data_files(path):
        refuse_far(named, path)


def _is_detached(path: Path) -> bool:
    return bool(_data_files(path))


def _data_files(path: Path) -> list[str]:
    """The other files that a header of NRRD or MetaImage names."""
    with path.open("rb") as file:
        text = file.read(_HEADER_BYTES).decode("latin-1")
    found = _DATA_FILE.search(text)
    if found is None or found.group(1).strip().upper() == "LOCAL":
        return []
    named = found.group(1).strip()
    if not named.upper().startswith("LIST"):
        return [named]
    return [line.strip() for line in text[found.end() :].splitlines() if line.strip()]


def _value_bytes(header: Any) -> int:
    kind = _dtype(header)
    return next((n // 8 for n in (64, 32, 16) if str(n) in kind), 4 if "float" in kind else 1)


def _last_line(error: Exception) -> ValueError:
    """ITK's messages span many lines, the reason last."""
    lines = [line.strip() for line in str(error).splitlines() if line.strip()]
    return ValueError(lines[-1] if lines else "no reason given")


def _dtype(header: Any) -> str:
    import SimpleITK as sitk

    return str(sitk.GetPixelIDValueAsString(header.GetPixelID()))


def _spacing_words(header: Any) -> str:
    steps = " x ".join(f"{s:g}" for s in header.GetSpacing()[::-1])
    return f"spacing in the file {steps} mm"
