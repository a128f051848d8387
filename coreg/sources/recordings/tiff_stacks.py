"""TIFF stacks: each series of the file is an array."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from coreg.sources.limits import refuse_far_files, require_unpackable
from coreg.sources.recordings.arrays import FAULTS, Entry, damaged, missing

# What one unit of the resolution tag is in mm: inch and cm of TIFF 6.0.
_RESOLUTION_MM = {2: 25.4, 3: 10.0}


def entries(path: Path) -> list[Entry]:
    """All series, named "series 0" and on; a remark gives tifffile's letters for the axes."""
    import tifffile

    try:
        with _heeding_its_log(), tifffile.TiffFile(path) as file:
            refuse_far_files(file, path)
            return [
                Entry(f"series {i}", tuple(s.shape), str(s.dtype), f"axes {s.axes}")
                for i, s in enumerate(file.series)
            ]
    except (*FAULTS, tifffile.TiffFileError) as error:
        raise damaged(path, error) from None


def load(path: Path, name: str) -> Any:
    """One series; mapped from the file where it is stored uncompressed and in one piece."""
    import tifffile

    try:
        with _heeding_its_log(), tifffile.TiffFile(path) as file:
            refuse_far_files(file, path)
            names = [f"series {i}" for i in range(len(file.series))]
            if name not in names:
                raise missing(path, name, entries(path))
            series = file.series[names.index(name)]
            if series.dataoffset is not None:
                return tifffile.memmap(path, series=names.index(name), mode="r")
            require_unpackable(path, series.nbytes, f"{name!r} in {path.name}")
            return series.asarray()
    except (*FAULTS, tifffile.TiffFileError) as error:
        raise damaged(path, error) from None


@contextmanager
def _heeding_its_log() -> Iterator[None]:
    """Raise `ValueError` for what tifffile only logs: a page out of reach is frames lost."""
    said: list[str] = []

    class Listener(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            said.append(record.getMessage())

    listener = Listener(logging.ERROR)
    logger = logging.getLogger("tifffile")
    logger.addHandler(listener)
    try:
        yield
    finally:
        logger.removeHandler(listener)
    if said:
        raise ValueError(said[0].rpartition("> ")[2])


def pixel_size(path: Path) -> dict[str, tuple[float, float]] | None:
    """(origin, step) in mm from the resolution tags; None where they give no length."""
    import tifffile

    try:
        return _resolution(path)
    except (*FAULTS, tifffile.TiffFileError) as error:
        raise damaged(path, error) from None


def _resolution(path: Path) -> dict[str, tuple[float, float]] | None:
    import tifffile

    with tifffile.TiffFile(path) as file:
        tags = file.pages.first.tags
        unit = tags["ResolutionUnit"].value if "ResolutionUnit" in tags else 2
        if "XResolution" not in tags or "YResolution" not in tags:
            return None
        x, y = tags["XResolution"].value, tags["YResolution"].value
        mm = _RESOLUTION_MM.get(int(unit))
        if mm is None or 0 in x or 0 in y:
            return None
        steps = [mm * float(np.divide(d, n)) for n, d in (y, x)]
        return {"depth": (0.0, steps[0]), "lateral": (0.0, steps[1])}
