"""What arrays a file holds, with shapes and likely roles, and loading one by name."""

from __future__ import annotations

import re
import struct
import zipfile
import zlib
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from tokenize import TokenError
from typing import Any

import numpy as np

from coreg.errors import InputError, in_one_line

# A module per kind of file; each has `entries(path)` and `load(path, name)`.
_MODULES = {
    ".npy": "numpy_files",
    ".npz": "numpy_files",
    ".mat": "matlab",
    ".h5": "hdf5",
    ".hdf5": "hdf5",
    ".hdf": "hdf5",
    ".nrrd": "itk_images",
    ".nhdr": "itk_images",
    ".mha": "itk_images",
    ".mhd": "itk_images",
    ".nii": "itk_images",
    ".nii.gz": "itk_images",
    ".tif": "tiff_stacks",
    ".tiff": "tiff_stacks",
    ".dcm": "dicom_arrays",
    ".dicom": "dicom_arrays",
}
SUFFIXES = tuple(_MODULES)
# What is said of errors that come without words.
_NAMELESS: dict[type[Exception], str] = {MemoryError: "more memory is asked for than there is"}
# What the libraries raise for files that break their format.
FAULTS = (
    ValueError,
    TypeError,
    AttributeError,
    AssertionError,
    LookupError,
    RuntimeError,
    ArithmeticError,
    OSError,
    EOFError,
    SyntaxError,
    MemoryError,  # a header that lies about its size
    TokenError,  # NumPy's header is a Python literal
    struct.error,
    zlib.error,
    zipfile.BadZipFile,
)


@dataclass(frozen=True)
class Entry:
    """One array as a format module finds it: name, shape, type, and a remark."""

    name: str
    shape: tuple[int, ...]
    dtype: str
    remark: str = ""
    # A small array's values, for a better guess of its role; None where it was not read.
    values: np.ndarray | None = None


@dataclass(frozen=True)
class ArrayInfo:
    """One array in a file.

    Attributes
    ----------
    name : what to write in case.toml
    shape : as the file's own software shows it
    dtype : e.g. "float32", "text", "objects"
    role : what it may be, in words; a guess from shape and name
    readable : False for objects that only running code could restore; they are refused
    """

    name: str
    shape: tuple[int, ...]
    dtype: str
    role: str
    readable: bool = True


def file_module(path: Path) -> Any:
    """The format module for a file; `InputError` where it is missing or of no known kind."""
    path = Path(path)
    if not path.is_file():
        raise InputError(f"There is no file {path}; correct its path in case.toml.")
    name = path.name.lower()
    suffix = ".nii.gz" if name.endswith(".nii.gz") else path.suffix.lower()
    module = _MODULES.get(suffix)
    if module is None:
        try:
            with path.open("rb") as file:
                start = file.read(132)
        except OSError as error:
            raise damaged(path, error) from None
        if start[128:132] == b"DICM":
            module = "dicom_arrays"
        elif start[:8] == b"\x89HDF\r\n\x1a\n":
            module = "hdf5"
        else:
            raise InputError(
                f"{path.name} is of no kind that can be read here; save it as one of "
                f"{', '.join(SUFFIXES)}."
            )
    return import_module(f"coreg.sources.recordings.{module}")


def list_arrays(path: str | Path) -> list[ArrayInfo]:
    """What is in a file, largest arrays first.

    Large arrays are not read, only their shape. Objects that would need to run code are listed as
    not readable.
    """
    path = Path(path)
    entries: list[Entry] = file_module(path).entries(path)
    infos = [
        ArrayInfo(e.name, e.shape, e.dtype, _role(e), readable=e.dtype != "objects")
        for e in entries
    ]
    return sorted(infos, key=lambda info: (-_size(info.shape), info.name))


def load_array(path: str | Path, name: str = "") -> Any:
    """One array by name, as an ndarray or something that slices into one.

    Parameters
    ----------
    path : the file
    name : as `list_arrays` shows it; may be "" where the file holds one readable array of numbers

    Returns
    -------
    ndarray, memory-mapped array, or an object with `shape`, `dtype` and slicing for data that stay
    in the file. Axes are in the order that the file's own software shows.
    """
    path = Path(path)
    module = file_module(path)
    if not name:
        name = _only_name(path, module.entries(path))
    return module.load(path, name)


def missing(path: Path, name: str, entries: list[Entry]) -> InputError:
    """The error for a name that the file does not hold."""
    names = [e.name for e in entries]
    shown = ", ".join(names[:12]) + (", …" if len(names) > 12 else "")
    return InputError(
        f"{path.name} holds no array {name!r}; it holds {shown or 'nothing'}; "
        "correct the name in case.toml."
    )


def refused(path: Path, name: str) -> InputError:
    """The error for data that only running code could restore."""
    return InputError(
        f"{name!r} in {path.name} holds Python objects, which are never run here; save it again as "
        "a plain array of numbers."
    )


def damaged(path: Path, error: Exception) -> InputError:
    """The error for a file whose content cannot be read."""
    detail = in_one_line(str(error).strip().partition("\n")[0], 200).rstrip(".")
    detail = detail or _NAMELESS.get(type(error), type(error).__name__)
    return InputError(
        f"{path.name} cannot be read as {path.suffix or 'data'} ({detail}); it may be damaged or "
        "incomplete: save or copy it again."
    )


def _only_name(path: Path, entries: list[Entry]) -> str:
    numbers = [e for e in entries if e.dtype not in ("objects", "text")]
    maps = [e for e in numbers if sum(n > 1 for n in e.shape) >= 2]
    if len(maps) == 1:
        return maps[0].name
    if not maps and entries and all(e.dtype == "objects" for e in entries):
        raise refused(path, entries[0].name)
    found = ", ".join(f"{e.name} {e.shape}" for e in maps[:12]) or "none"
    raise InputError(
        f"{path.name} holds {len(maps)} arrays that could be meant ({found}); "
        "name one as array in case.toml."
    )


def _size(shape: tuple[int, ...]) -> int:
    return int(np.prod(shape, dtype=np.int64)) if shape else 1


_NAMED_ROLES = (
    (r"corr|coher|ncc|rho", "correlation map"),
    (r"b_?mode|brightness|envelope|grey|gray", "B-mode"),
    (r"base|before|pre_?treat|reference", "baseline"),
)
_NAMED_AXES = (
    (r"depth|axial|^z|^r$|range", "depth axis"),
    (r"lat|^x|width|angle|theta|beam", "lateral axis"),
    (r"time|^t$|^t_|treat", "time axis"),
)


def _role(entry: Entry) -> str:
    """A guess in words from shape and name."""
    if entry.dtype == "objects":
        return entry.remark or "objects; refused"
    if entry.dtype == "text":
        return "text"
    name = re.split(r"[./]", entry.name)[-1].lower()
    long = [n for n in entry.shape if n > 1]
    if not long:
        value = "" if entry.values is None else f" = {float(np.ravel(entry.values)[0]):g}"
        return f"a number{value}"
    if len(long) == 1:
        role = next((r for pattern, r in _NAMED_AXES if re.search(pattern, name)), "axis or trace")
        return role + _steps(entry.values)
    role = {
        2: "one map, or B-mode",
        3: "maps over time, or one recording (frames and a plane)",
        4: "oscillation at several treatment times",
    }.get(len(long), "more axes than a recording has")
    named = next((r for pattern, r in _NAMED_ROLES if re.search(pattern, name)), "")
    role = f"{named}: {role}" if named else role
    return f"{role}; {entry.remark}" if entry.remark else role


def _steps(values: np.ndarray | None) -> str:
    """How an axis runs, e.g. ", 0 to 39.9 in steps of 0.1"."""
    if values is None:
        return ""
    axis = np.ravel(np.asarray(values, dtype=np.float64))
    if axis.size < 2 or not np.isfinite(axis).all():
        return ""
    steps = np.diff(axis)
    mean = float(steps.mean())
    if mean == 0 or np.abs(steps - mean).max() > 0.01 * abs(mean):
        return f", {axis[0]:g} to {axis[-1]:g}, uneven"
    return f", {axis[0]:g} to {axis[-1]:g} in steps of {mean:g}"
