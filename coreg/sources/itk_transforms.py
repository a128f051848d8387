"""Transforms to and from ITK transform files (.tfm text, .h5).

ITK takes points as (x, y): (lateral, depth) here. A `Warp` is written as a composite of an affine
transform and a displacement field on the warp's own grid, and comes back exactly. Other programs
interpolate that field linearly where `Warp` uses cubic splines: they agree at the grid's nodes.
"""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from coreg.errors import InputError
from coreg.geometry import Grid
from coreg.sources.recordings.arrays import FAULTS
from coreg.transforms import Affine, Transform, Warp

_ENDINGS = (".tfm", ".txt", ".h5", ".hdf5")


def write_itk_transform(path: str | Path, transform: Transform, grid: Grid | None = None) -> None:
    """Write a transform atomically; plane mm to slide mm, in ITK's order of coordinates.

    Parameters
    ----------
    grid : plane grid on which maps other than `Affine` and `Warp` are sampled; not needed for those
    """
    import SimpleITK as sitk

    path = Path(path)
    if path.suffix.lower() not in _ENDINGS:
        raise InputError(
            f"{path.name} has no ending of an ITK transform file; use {', '.join(_ENDINGS)}."
        )
    written = _to_itk(transform, grid)
    temporary = path.with_name(f".{path.stem}.{os.getpid()}{path.suffix}")
    try:
        sitk.WriteTransform(written, str(temporary))
        os.replace(temporary, path)
    except (RuntimeError, OSError) as error:
        temporary.unlink(missing_ok=True)
        raise InputError(
            f"{path.name} could not be written to {path.parent}; free some space or "
            "choose a folder you may write to."
        ) from error


def read_itk_transform(path: str | Path) -> Affine | Warp:
    """Read a linear transform of any kind, or one with a displacement field.

    Raises `InputError` for a file that is no ITK transform, has another dimension or other parts.
    """
    import SimpleITK as sitk

    path = Path(path)
    if not path.is_file():
        raise InputError(f"The transform {path.name} is not there; check the path.")
    try:
        with _as_text(path) as text:
            read = sitk.ReadTransform(str(text))
    except FAULTS as error:
        raise InputError(
            f"{path.name} cannot be read as an ITK transform; export it again as .tfm or .h5."
        ) from error
    if read.GetDimension() != 2:
        raise InputError(
            f"{path.name} holds a transform of {read.GetDimension()} dimensions; expected 2."
        )
    parts = _parts(read)
    fields = [part for part in parts if part.GetName() == "DisplacementFieldTransform"]
    linear = [part for part in parts if part.IsLinear()]
    if len(fields) + len(linear) != len(parts) or len(fields) > 1:
        names = ", ".join(part.GetName() for part in parts)
        raise InputError(
            f"{path.name} holds {names}; expected affine parts and at most one displacement field."
        )
    if not fields:
        return _affine(linear)
    if parts[-1].GetName() != "DisplacementFieldTransform":
        raise InputError(
            f"{path.name} applies its displacement field after an affine part; expected it first."
        )
    return _warp(sitk.DisplacementFieldTransform(fields[0]), _affine(linear))


@contextmanager
def _as_text(path: Path) -> Iterator[Path]:
    """The file itself, or for HDF5 the same transform as a text file for a while.

    ITK's reader of HDF5 does not check what it finds and takes the program down with it where a
    file is damaged; its reader of text raises.
    """
    if path.suffix.lower() not in (".h5", ".hdf5"):
        yield path
        return
    import h5py

    lines = ["#Insight Transform File V1.0"]
    with h5py.File(path, "r") as file:
        group = file["TransformGroup"]
        for number in sorted(group, key=int):
            part = group[number]
            kind = np.ravel(part["TransformType"][()])[0]
            kind = kind.decode("ascii") if isinstance(kind, bytes) else str(kind)
            if not re.fullmatch(r"\w+", kind):
                raise ValueError("no kind of transform")
            lines += [f"#Transform {number}", f"Transform: {kind}"]
            for name in ("Parameters", "FixedParameters"):
                if f"Transform{name}" in part:
                    values = np.ravel(part[f"Transform{name}"][()]).astype(np.float64)
                    lines.append(f"{name}: {' '.join(map(repr, values.tolist()))}")
    with tempfile.TemporaryDirectory() as folder:
        text = Path(folder) / "transform.tfm"
        text.write_text("\n".join(lines) + "\n", encoding="ascii")
        yield text


def as_warp(transform: Transform, grid: Grid) -> Warp:
    """Any transform as a `Warp`: its bend sampled on a plane grid, constant beyond."""
    if isinstance(transform, Warp):
        return transform
    points = grid.centres()
    moved = transform.to_slide(points)
    # The nearest affine map leaves the least to the field, whose interpolation is not exact.
    centred = points - points.mean(axis=0)
    matrix = np.linalg.lstsq(centred, moved - moved.mean(axis=0), rcond=None)[0].T
    affine = Affine(matrix, moved.mean(axis=0) - matrix @ points.mean(axis=0))
    bend = affine.to_plane(moved) - points
    return Warp(affine, grid, bend.reshape(*grid.shape, 2))


def _to_itk(transform: Transform, grid: Grid | None) -> Any:
    import SimpleITK as sitk

    if isinstance(transform, Affine):
        return _affine_to_itk(transform)
    if not isinstance(transform, Warp):
        if grid is None:
            raise InputError(
                f"A transform of kind {transform.kind!r} has no ITK form of its own; "
                "give a plane grid to sample it on."
            )
        transform = as_warp(transform, grid)
    field = sitk.GetImageFromArray(
        np.ascontiguousarray(transform.displacement[..., ::-1]), isVector=True
    )
    field.SetSpacing(transform.grid.spacing[::-1])
    field.SetOrigin(transform.grid.origin[::-1])
    composite = sitk.CompositeTransform(2)
    composite.AddTransform(_affine_to_itk(transform.affine))
    # What was added last is applied first.
    composite.AddTransform(sitk.DisplacementFieldTransform(field))
    return composite


def _affine_to_itk(affine: Affine) -> Any:
    import SimpleITK as sitk

    made = sitk.AffineTransform(2)
    made.SetMatrix(affine.matrix[::-1, ::-1].ravel().tolist())
    made.SetTranslation(affine.offset[::-1].tolist())
    return made


def _parts(transform: Any) -> list[Any]:
    import SimpleITK as sitk

    if transform.GetName() != "CompositeTransform":
        return [transform.Downcast()]
    composite = sitk.CompositeTransform(transform)
    parts: list[Any] = []
    for i in range(composite.GetNumberOfTransforms()):
        parts.extend(_parts(composite.GetNthTransform(i)))
    return parts


def _affine(parts: list[Any]) -> Affine:
    """Linear parts in the order of a composite (the last applied first) as one affine map."""
    if len(parts) == 1 and parts[0].GetName() == "AffineTransform":
        centre = np.array(parts[0].GetCenter())
        if not centre.any():  # the stored numbers themselves, without rounding
            matrix = np.array(parts[0].GetMatrix()).reshape(2, 2)
            return Affine(matrix[::-1, ::-1], np.array(parts[0].GetTranslation())[::-1])
    matrix, offset = np.eye(2), np.zeros(2)
    for part in parts[::-1]:
        origin = np.array(part.TransformPoint((0.0, 0.0)))
        columns = [np.array(part.TransformPoint(e)) - origin for e in ((1.0, 0.0), (0.0, 1.0))]
        step = np.stack(columns, axis=1)
        matrix, offset = step @ matrix, step @ offset + origin
    return Affine(matrix[::-1, ::-1], offset[::-1])


def _warp(transform: Any, affine: Affine) -> Warp:
    import SimpleITK as sitk

    field = transform.GetDisplacementField()
    if not np.allclose(field.GetDirection(), np.eye(2).ravel()):
        raise InputError(
            "The displacement field lies on a turned grid; export it on one along the axes."
        )
    values = sitk.GetArrayFromImage(field)[..., ::-1].astype(np.float64)
    grid = Grid(values.shape[:2], field.GetSpacing()[::-1], field.GetOrigin()[::-1], "plane")
    return Warp(affine, grid, values)
