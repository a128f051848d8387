"""Displacement recordings as laboratories store them, and what is in their files.

`list_arrays` tells what a file holds; `read_recording` reads what a `RecordingSpec` points at.
"""

from __future__ import annotations

from coreg.sources.recordings.arrays import ArrayInfo, list_arrays, load_array
from coreg.sources.recordings.reading import Recording, read_recording
from coreg.sources.recordings.spec import RecordingSpec

__all__ = [
    "ArrayInfo",
    "Recording",
    "RecordingSpec",
    "list_arrays",
    "load_array",
    "read_recording",
]
