"""What a file may ask of this machine: memory, and which other files it may lead to."""

from __future__ import annotations

import re
from pathlib import Path, PureWindowsPath
from typing import Any

from coreg.errors import InputError

# No measurement packs tighter than this; a file that does is made to fill the memory.
_MOST_PACKED = 200
_PACKED_MATTERS_BYTES = 2**30


def require_memory(nbytes: int, what: str) -> None:
    """Raise `InputError` where so many bytes are more than this machine has free now."""
    import psutil

    available = psutil.virtual_memory().available
    if nbytes > available:
        raise InputError(
            f"{what} needs {_shown(nbytes)} of memory, but {_shown(available)} are free; cut it "
            "down or use a machine with more memory."
        )


def require_unpackable(path: Path, nbytes: int, what: str) -> None:
    """As `require_memory` for what a packed file unpacks to; refuse what no measurement packs to.

    Parameters
    ----------
    path : the packed file
    nbytes : size when unpacked, as the file says
    what : the words for a message
    """
    refuse_hollow(path, nbytes, what)
    require_memory(nbytes, what)


def refuse_hollow(path: Path, nbytes: int, what: str) -> None:
    """Raise `InputError` where a file says that it holds far more than its bytes can."""
    packed = max(1, path.stat().st_size)
    if nbytes > _PACKED_MATTERS_BYTES and nbytes > _MOST_PACKED * packed:
        raise InputError(
            f"{what} says that {_shown(packed)} unpack to {_shown(nbytes)}, as no measurement "
            "does; save it again."
        )


def refuse_far(named: str, path: Path) -> None:
    """Raise `InputError` where a file names another one that lies outside its own folder."""
    parts = PureWindowsPath(named)
    if parts.is_absolute() or parts.drive or ".." in parts.parts or named.startswith(("/", "~")):
        raise InputError(
            f"{path.name} takes its data from {named!r}, outside its own folder, where nobody "
            "sees it; put both files in one folder and save it again."
        )


def refuse_far_files(tiff: Any, path: Path) -> None:
    """`refuse_far` for the other files that a multi-file OME-TIFF, not yet looked into, names."""
    if tiff.is_ome:
        for named in re.findall(r"""FileName\s*=\s*["']([^"']*)["']""", tiff.ome_metadata or ""):
            refuse_far(named, path)


def _shown(nbytes: int) -> str:
    for unit, size in (("TB", 1e12), ("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if nbytes >= size:
            return f"{nbytes / size:.3g} {unit}"
    return f"{nbytes} bytes"
