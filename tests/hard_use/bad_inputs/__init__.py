"""The bad inputs that the documentation lists and the tests try, as one list of data."""

from __future__ import annotations

from hard_use.bad_inputs import (  # noqa: F401  (each fills the list)
    bmodes,
    case_files,
    machines,
    numpy_files,
    outlines,
    recording_files,
    recordings,
    slides,
    tables,
    zarrs,
)
from hard_use.bad_inputs.table import ALL, Bad

__all__ = ["ALL", "Bad"]
