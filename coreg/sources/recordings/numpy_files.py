"""NumPy's .npy and .npz. Pickled objects are listed and refused, never restored."""

from __future__ import annotations

import io
import struct
import zipfile
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.lib import format as npy

from coreg.errors import InputError
from coreg.sources.limits import require_unpackable
from coreg.sources.recordings.arrays import FAULTS, Entry, damaged, missing, refused

_SMALL = 65536


def entries(path: Path) -> list[Entry]:
    """The arrays in the file; a .npy file's one array is named after the file."""
    if path.suffix.lower() == ".npy":
        try:
            with path.open("rb") as file:
                return [_entry(path.stem, file)]
        except FAULTS as error:
            raise damaged(path, error) from None
    found = []
    try:
        with zipfile.ZipFile(path) as archive:
            for member in archive.namelist():
                if member.endswith(".npy"):
                    with archive.open(member) as file:
                        found.append(_entry(member[: -len(".npy")], file))
    except FAULTS as error:
        raise damaged(path, error) from None
    return found


def load(path: Path, name: str) -> Any:
    """One array; mapped from the file where it is stored uncompressed."""
    known = entries(path)
    entry = next((e for e in known if e.name == name), None)
    if entry is None:
        raise missing(path, name, known)
    if entry.dtype == "objects":
        raise refused(path, name)
    try:
        if path.suffix.lower() == ".npy":
            return np.load(path, mmap_mode="r", allow_pickle=False)
        mapped = _map_member(path, f"{name}.npy")
        if mapped is not None:
            return mapped
        require_unpackable(path, _size(entry), f"{name!r} in {path.name}")
        with path.open("rb") as file, np.load(file, allow_pickle=False) as archive:
            return archive[name]
    except FAULTS as error:
        raise damaged(path, error) from None


def _size(entry: Entry) -> int:
    return int(np.prod([float(n) for n in entry.shape])) * np.dtype(entry.dtype).itemsize


def _header(file: IO[bytes]) -> tuple[tuple[int, ...], bool, np.dtype[Any]]:
    version = npy.read_magic(file)
    if version == (1, 0):
        return npy.read_array_header_1_0(file)
    if version == (2, 0):
        return npy.read_array_header_2_0(file)
    raise InputError(f"NumPy format {version} is not known here; save the array again with NumPy.")


def _entry(name: str, file: IO[bytes]) -> Entry:
    shape, fortran, dtype = _header(file)
    if dtype.hasobject:
        return Entry(name, shape, "objects", "Python objects; refused")
    kind = "text" if dtype.kind in "US" else str(dtype)
    count = int(np.prod([float(n) for n in shape]))  # no product that wraps round
    values = None
    if dtype.kind in "biuf" and count <= _SMALL and sum(n > 1 for n in shape) <= 1:
        raw = io.BytesIO(file.read(count * dtype.itemsize)).getvalue()
        if len(raw) == count * dtype.itemsize:
            values = np.frombuffer(raw, dtype).reshape(shape, order="F" if fortran else "C")
    return Entry(name, shape, kind, "", values)


def _map_member(path: Path, member: str) -> np.ndarray | None:
    """Memory-map an uncompressed member of a .npz; None where it is compressed or empty."""
    with zipfile.ZipFile(path) as archive:
        info = archive.getinfo(member)
        if info.compress_type != zipfile.ZIP_STORED:
            return None
        with path.open("rb") as file:
            # The local header may carry other extra fields than the directory: read its lengths.
            file.seek(info.header_offset)
            local = file.read(30)
            name_length, extra_length = struct.unpack("<HH", local[26:30])
            file.seek(info.header_offset + 30 + name_length + extra_length)
            shape, fortran, dtype = _header(file)
            offset = file.tell()
    if not shape or 0 in shape:
        return None
    return np.memmap(path, dtype, "r", offset, shape, "F" if fortran else "C")
