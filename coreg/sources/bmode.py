"""B-mode images: DICOM with its calibrated ultrasound regions, arrays, and plain images.

DICOM ultrasound gives its scale in regions of the picture (PS3.3 C.8.5.5, US Region Calibration
module): cm per pixel along x and y, each region with its own. Here x is lateral and y is depth.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from coreg.errors import InputError
from coreg.geometry import Grid, Image
from coreg.sources.dicom_pictures import faults, pixels, read_dataset, reason_of

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

_PLAIN = (".png", ".jpg", ".jpeg", ".bmp", ".gif")
# Codes of the US Region Calibration module, Table C.8-17.
_UNIT_CM = 3
_SPATIAL_2D = 1
_DATA_TISSUE = 1
_CM = 10.0
# More than a probe shows; what Pillow calls a bomb is larger still.
_LARGEST_PX = 100_000_000


@dataclass(frozen=True)
class BMode:
    """A B-mode image in the imaging plane.

    Attributes
    ----------
    image : float32 grey values (depth, lateral), frame "plane"; a calibrated region is cut out
    notes : what was inferred or chosen
    questions : what looks wrong
    """

    image: Image
    notes: tuple[str, ...] = ()
    questions: tuple[str, ...] = ()


@dataclass(frozen=True)
class Calibration:
    """The scale of a DICOM picture or of one region in it.

    Attributes
    ----------
    spacing : mm per pixel along (depth, lateral)
    origin : mm of the picture's pixel (0, 0)
    rows, columns : first and one past the last pixel of the region, cut to the picture
    notes, questions : what was chosen, what looks wrong
    """

    spacing: tuple[float, float]
    origin: tuple[float, float]
    rows: tuple[int, int]
    columns: tuple[int, int]
    notes: tuple[str, ...] = ()
    questions: tuple[str, ...] = ()


def read_bmode(
    path: str | Path,
    *,
    array: str = "",
    pixel_size_mm: tuple[float, float] | None = None,
    origin_mm: tuple[float, float] | None = None,
    frame: int = 0,
    region_at: tuple[int, int] | None = None,
    **axes: Any,
) -> BMode:
    """Read a B-mode image.

    Parameters
    ----------
    path : DICOM, any file that holds arrays, or a plain image
    array : name of the array in a file that holds several
    pixel_size_mm : (depth, lateral); needed where the file does not say, and stands above the file
    origin_mm : (depth, lateral) of the first pixel's centre; stands above the file
    frame : which frame of several
    region_at : (row, column) of a pixel in the calibrated region that is meant; the largest region
        of tissue otherwise
    axes : for arrays: depth, lateral, axis_unit, axis_order, geometry and the like, as in
        `RecordingSpec`

    Raises
    ------
    InputError
        Where the file cannot be read or nothing gives the pixel size.
    """
    path = Path(path)
    if not path.is_file():
        raise InputError(f"There is no file {path}; correct its path in case.toml.")
    if path.suffix.lower() in _PLAIN:
        found = _read_plain(path, pixel_size_mm)
    elif _is_dicom(path):
        found = _read_dicom(path, frame, region_at, pixel_size_mm)
    else:
        found = _read_array(path, array, frame, pixel_size_mm, axes)
    if origin_mm is not None:
        grid = replace(found.image.grid, origin=origin_mm)
        found = replace(found, image=Image(found.image.data, grid))
    return found


def _is_dicom(path: Path) -> bool:
    if path.suffix.lower() in (".dcm", ".dicom"):
        return True
    with path.open("rb") as file:
        return file.read(132)[128:] == b"DICM"


def calibration(dataset: Dataset, region_at: tuple[int, int] | None = None) -> Calibration | None:
    """The scale of a DICOM picture; None where it has none.

    A calibrated region counts if it is two-dimensional with both directions in cm; the largest
    tissue region is taken unless a pixel (row, column) says which. Then Pixel Spacing is tried.

    Raise `InputError` where what the file says of its scale cannot be understood.
    """
    try:
        return _calibration(dataset, region_at)
    except faults() as error:
        raise InputError(
            f"The picture's calibration cannot be understood ({reason_of(error)}); give its pixel "
            "size in mm in case.toml."
        ) from None


def _calibration(dataset: Dataset, region_at: tuple[int, int] | None) -> Calibration | None:
    rows, columns = int(dataset.Rows), int(dataset.Columns)
    usable = [
        r
        for r in dataset.get("SequenceOfUltrasoundRegions") or ()
        if r.get("PhysicalUnitsXDirection") == _UNIT_CM
        and r.get("PhysicalUnitsYDirection") == _UNIT_CM
        and r.get("RegionSpatialFormat") == _SPATIAL_2D
        and float(r.get("PhysicalDeltaX") or 0) != 0
        and float(r.get("PhysicalDeltaY") or 0) != 0
    ]
    if region_at is not None:
        usable = [r for r in usable if _holds(r, region_at)]
    if usable:
        return _region(usable, rows, columns)
    spacing = dataset.get("PixelSpacing") or dataset.get("NominalScannedPixelSpacing")
    if spacing and region_at is None:
        pair = (float(spacing[0]), float(spacing[1]))
        note = f"Pixel size {pair[0]:.4g} x {pair[1]:.4g} mm from the file's Pixel Spacing."
        return Calibration(pair, (0.0, 0.0), (0, rows), (0, columns), (note,))
    return None


def _holds(region: Dataset, at: tuple[int, int]) -> bool:
    return bool(
        region.RegionLocationMinY0 <= at[0] <= region.RegionLocationMaxY1
        and region.RegionLocationMinX0 <= at[1] <= region.RegionLocationMaxX1
    )


def _region(regions: list[Dataset], rows: int, columns: int) -> Calibration:
    def size(region: Dataset) -> tuple[bool, int]:
        area = (region.RegionLocationMaxX1 - region.RegionLocationMinX0) * (
            region.RegionLocationMaxY1 - region.RegionLocationMinY0
        )
        return region.get("RegionDataType") == _DATA_TISSUE, int(area)

    region = max(regions, key=size)
    left, top = int(region.RegionLocationMinX0), int(region.RegionLocationMinY0)
    right, bottom = int(region.RegionLocationMaxX1), int(region.RegionLocationMaxY1)
    spacing = (
        abs(float(region.PhysicalDeltaY)) * _CM,
        abs(float(region.PhysicalDeltaX)) * _CM,
    )
    # The reference pixel counts from the region's corner, its physical value is in the unit (cm).
    reference = (int(region.get("ReferencePixelY0") or 0), int(region.get("ReferencePixelX0") or 0))
    value = (
        float(region.get("ReferencePixelPhysicalValueY") or 0) * _CM,
        float(region.get("ReferencePixelPhysicalValueX") or 0) * _CM,
    )
    origin = (
        value[0] - (top + reference[0]) * spacing[0],
        value[1] - (left + reference[1]) * spacing[1],
    )
    notes = [
        f"Pixel size {spacing[0]:.4g} x {spacing[1]:.4g} mm from the calibrated region at columns "
        f"{left}-{right}, rows {top}-{bottom}."
    ]
    scales = {(float(r.PhysicalDeltaX), float(r.PhysicalDeltaY)) for r in regions}
    if len(scales) > 1:
        notes.append(
            f"The picture has {len(regions)} calibrated regions of different scale; the largest "
            "of tissue was taken."
        )
    questions = []
    # Bounds are inclusive; makers write one past the end often enough that one is let pass.
    if right > columns or bottom > rows:
        questions.append(
            f"The calibrated region reaches column {right} and row {bottom}, but the picture has "
            f"{columns} x {rows} pixels: was it cut or scaled after calibration? If scaled, give "
            "its pixel size."
        )
    if right < left or bottom < top:
        raise InputError(
            f"The calibrated region ends at column {right}, row {bottom}, before its start at "
            f"column {left}, row {top}; give the picture's pixel size."
        )
    if left >= columns or top >= rows:
        raise InputError(
            f"The calibrated region starts at column {left}, row {top}, outside the picture of "
            f"{columns} x {rows} pixels; give its pixel size."
        )
    return Calibration(
        spacing,
        origin,
        (top, min(bottom + 1, rows)),
        (left, min(right + 1, columns)),
        tuple(notes),
        tuple(questions),
    )


def _read_dicom(
    path: Path,
    frame: int,
    region_at: tuple[int, int] | None,
    pixel_size_mm: tuple[float, float] | None,
) -> BMode:
    dataset = read_dataset(path)
    found = calibration(dataset, region_at)
    rows, columns = int(dataset.Rows), int(dataset.Columns)
    if pixel_size_mm is not None:
        notes: tuple[str, ...] = ()
        if found is not None and not np.allclose(found.spacing, pixel_size_mm, rtol=0.01):
            notes = (
                f"The pixel size given, {pixel_size_mm[0]:.4g} x {pixel_size_mm[1]:.4g} mm, stands "
                f"above the file's {found.spacing[0]:.4g} x {found.spacing[1]:.4g} mm.",
            )
        whole = ((0, rows), (0, columns)) if found is None else (found.rows, found.columns)
        found = Calibration(
            (float(pixel_size_mm[0]), float(pixel_size_mm[1])), (0.0, 0.0), *whole, notes
        )
    if found is None:
        raise InputError(
            f"{path.name} has no calibrated region in cm and no pixel spacing"
            f"{'' if region_at is None else f' at row {region_at[0]}, column {region_at[1]}'}; "
            "give its pixel size in mm in case.toml."
        )
    values = pixels(dataset, path)
    frames = int(dataset.get("NumberOfFrames") or 1)
    values, notes = _one_frame(values, frames, frame, path)
    grey = _grey(values)[slice(*found.rows), slice(*found.columns)]
    origin = (
        found.origin[0] + found.rows[0] * found.spacing[0],
        found.origin[1] + found.columns[0] * found.spacing[1],
    )
    grid = Grid((grey.shape[0], grey.shape[1]), found.spacing, origin, "plane")
    return BMode(Image(grey, grid), found.notes + notes, found.questions)


def _one_frame(
    values: np.ndarray, frames: int, frame: int, path: Path
) -> tuple[np.ndarray, tuple[str, ...]]:
    if frames <= 1 and frame == 0:
        return values, ()
    if not 0 <= frame < frames:
        raise InputError(
            f"{path.name} holds {frames} frame(s), so there is no frame {frame} (from 0)."
        )
    return values[frame], (f"Frame {frame} of {frames} was taken.",)


def _grey(values: np.ndarray) -> np.ndarray:
    """Grey values as float32 (rows, columns); colour by luma of ITU-R BT.601, alpha left out."""
    if values.ndim == 2:
        return values.astype(np.float32)
    if values.shape[2] < 3:
        return values[..., 0].astype(np.float32)
    return values[..., :3].astype(np.float32) @ np.array([0.299, 0.587, 0.114], dtype=np.float32)


def _read_plain(path: Path, pixel_size_mm: tuple[float, float] | None) -> BMode:
    from PIL import Image as Picture

    if pixel_size_mm is None:
        raise InputError(
            f"A plain image such as {path.name} has no scale; give its pixel size in mm "
            "(depth, lateral) in case.toml."
        )
    try:
        with warnings.catch_warnings(), Picture.open(path) as picture:
            warnings.simplefilter("error", Picture.DecompressionBombWarning)
            if picture.width * picture.height > _LARGEST_PX:
                raise Picture.DecompressionBombError
            indirect = picture.mode in ("P", "PA", "CMYK", "LA")
            values = np.asarray(picture.convert("RGB") if indirect else picture)
    except Picture.DecompressionBombError:
        raise InputError(
            f"{path.name} says that it has more than {_LARGEST_PX // 10**6} million pixels, as no "
            "B-mode image has; export it again."
        ) from None
    except (OSError, ValueError, SyntaxError, EOFError) as error:
        raise InputError(
            f"{path.name} cannot be read as an image ({reason_of(error)}); export it again."
        ) from None
    grey = _grey(values)
    grid = Grid((grey.shape[0], grey.shape[1]), pixel_size_mm, (0.0, 0.0), "plane")
    return BMode(Image(grey, grid))


def _read_array(
    path: Path,
    array: str,
    frame: int,
    pixel_size_mm: tuple[float, float] | None,
    axes: dict[str, Any],
) -> BMode:
    from coreg.sources.recordings.reading import read_maps
    from coreg.sources.recordings.spec import RecordingSpec

    given = dict(axes)
    if pixel_size_mm is not None:
        given |= {"depth_spacing": pixel_size_mm[0], "lateral_spacing": pixel_size_mm[1]}
    spec = RecordingSpec.from_dict({"path": path, "kind": "final", "array": array, **given})
    recording = read_maps(spec)
    values, notes = recording.data, recording.notes
    plane, more = _one_frame(values, len(values), frame, path)
    plane = np.asarray(plane if len(values) > 1 else values[0], dtype=np.float32)
    # No time is meant here, so what was assumed about it is not worth saying.
    kept = tuple(note for note in notes if not note.startswith("No treatment times"))
    return BMode(Image(plane, recording.grid), kept + more)
