"""The pixel data of a DICOM file as an array of displacement or amplitude."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from coreg.sources import bmode
from coreg.sources.dicom_pictures import pixels, read_dataset
from coreg.sources.recordings.arrays import Entry, missing

_NAME = "pixels"


def entries(path: Path) -> list[Entry]:
    """The pixel data, named "pixels"."""
    dataset = read_dataset(path)
    shape = (int(dataset.Rows), int(dataset.Columns))
    frames = int(dataset.get("NumberOfFrames") or 1)
    samples = int(dataset.get("SamplesPerPixel") or 1)
    full = ((frames,) if frames > 1 else ()) + shape + ((samples,) if samples > 1 else ())
    return [Entry(_NAME, full, "pixels", f"modality {dataset.get('Modality') or 'unknown'}")]


def load(path: Path, name: str) -> np.ndarray:
    """The stored values with the file's rescale slope and intercept applied."""
    if name != _NAME:
        raise missing(path, name, entries(path))
    dataset = read_dataset(path)
    values = pixels(dataset, path)
    slope, intercept = dataset.get("RescaleSlope"), dataset.get("RescaleIntercept")
    if slope is None and intercept is None:
        return values
    scale = float(1 if slope is None else slope)
    return values.astype(np.float32) * scale + float(intercept or 0)


def pixel_size(path: Path) -> dict[str, tuple[float, float]] | None:
    """(origin, step) in mm from the calibrated region or the pixel spacing."""
    dataset = read_dataset(path)
    calibration = bmode.calibration(dataset)
    if calibration is None:
        return None
    (depth0, lateral0), (depth, lateral) = calibration.origin, calibration.spacing
    return {"depth": (depth0, depth), "lateral": (lateral0, lateral)}
