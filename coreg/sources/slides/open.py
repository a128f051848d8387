"""Which reader a slide needs, by what the file says it is."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

from coreg.errors import InputError
from coreg.sources.slides.storage import Bytes, is_remote, local_path

if TYPE_CHECKING:
    from coreg.sources.slides.base import Slide

_TIFF_STARTS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_FLAT_STARTS = (b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff", b"BM")


def open_slide(source: str | os.PathLike[str], pixel_size_um: Any = None) -> Slide:
    """Open a slide for reading.

    Parameters
    ----------
    source : path, or address (``https://``, ``s3://`` …) of a TIFF, an OME-Zarr, a PNG or JPEG;
        on this machine also a scanner's own format and a DICOM file or folder
    pixel_size_um : µm from case.toml, a number or a pair along (row, column); it outranks the file

    Returns
    -------
    A `Slide`; close it, or use it in a ``with`` block. Its `warnings` are for the user.

    Raises
    ------
    InputError where the file is missing, damaged, of no known kind, or nothing says how large its
    pixels are.
    """
    name = os.fspath(source)
    if not is_remote(name) and not local_path(name).exists():
        raise InputError(f"{name} does not exist; correct [slide] path in case.toml.")
    if _is_zarr(name):
        from coreg.sources.slides.ome_zarr import OmeZarrSlide

        return OmeZarrSlide(name, pixel_size_um)
    local = not is_remote(name)
    if local and local_path(name).is_dir():
        from coreg.sources.slides.dicom import DicomSlide

        return DicomSlide(name, pixel_size_um)
    if local:
        from coreg.sources.slides.scanner import ScannerSlide, scanner_of

        if scanner_of(name) is not None:
            return ScannerSlide(name, pixel_size_um)
    start = _first_bytes(name)
    # Before TIFF: a file may begin as one and be DICOM all the same (PS3.10, 7.1).
    if start[128:132] == b"DICM" and local:
        from coreg.sources.slides.dicom import DicomSlide

        return DicomSlide(name, pixel_size_um)
    if start[:4] in _TIFF_STARTS:
        from coreg.sources.slides.tiff import TiffSlide

        return TiffSlide(name, pixel_size_um)
    if start.startswith(_FLAT_STARTS):
        from coreg.sources.slides.flat import FlatSlide

        return FlatSlide(name, pixel_size_um)
    raise InputError(
        f"{name} is no slide of a known kind; give a TIFF, OME-TIFF, OME-Zarr, DICOM, PNG or JPEG."
    )


def _is_zarr(name: str) -> bool:
    if is_remote(name):
        return name.partition("?")[0].rstrip("/").endswith(".zarr")
    path = local_path(name)
    return path.is_dir() and any((path / mark).exists() for mark in (".zgroup", "zarr.json"))


def _first_bytes(name: str) -> bytes:
    storage = Bytes(name)
    try:
        return storage.read(0, 132)
    finally:
        storage.close()
