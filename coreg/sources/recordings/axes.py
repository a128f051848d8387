"""Which axis of an array is which, and where its samples lie."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from coreg.errors import InputError
from coreg.sources.recordings.arrays import load_array
from coreg.sources.recordings.spec import AXIS_UNITS_MM, RecordingSpec

# The order that remains to be assumed where sizes do not tell, by the software's habit.
_HABIT = ("time", "frame", "depth", "lateral")
_MATLAB_HABIT = ("depth", "lateral", "frame", "time")


def wanted_axes(spec: RecordingSpec, dimensions: int) -> tuple[str, ...]:
    """The axes that an array of so many dimensions (longer than 1) should have."""
    if dimensions == 2 and spec.kind != "oscillation":
        return ("depth", "lateral")
    if dimensions == 3:
        return ("frame" if spec.kind == "oscillation" else "time", "depth", "lateral")
    if dimensions == 4 and spec.kind == "oscillation":
        return ("time", "frame", "depth", "lateral")
    raise InputError(
        f"Expected {'3 or 4' if spec.kind == 'oscillation' else '2 or 3'} axes in {spec.array!r} "
        f"of {spec.path.name} for kind {spec.kind!r}, got {dimensions}; point array at another "
        "one, or correct kind."
    )


def axis_values(spec: RecordingSpec, name: str) -> np.ndarray | None:
    """The values of a named axis as in the file, shape (n,), or None where no array is named."""
    array = getattr(spec, name)
    if not array:
        return None
    found = load_array(spec.path, array)
    if np.dtype(found.dtype).kind not in "biuf":
        raise InputError(
            f"The {name} axis {array!r} in {spec.path.name} holds {found.dtype}, not real numbers; "
            f"correct [displacement] {name} in case.toml."
        )
    if sum(n > 1 for n in found.shape) > 1:
        raise InputError(
            f"The {name} axis {array!r} in {spec.path.name} has shape {tuple(found.shape)}; an "
            f"axis is a list of numbers: correct [displacement] {name} in case.toml."
        )
    values = np.asarray(found, dtype=np.float64).ravel()
    if values.size == 0 or not np.isfinite(values).all():
        raise InputError(
            f"The {name} axis {array!r} in {spec.path.name} is empty or not finite; "
            "correct its numbers."
        )
    return values


def order_axes(
    spec: RecordingSpec, shape: tuple[int, ...], lengths: dict[str, int], *, what: str = ""
) -> tuple[dict[str, int], tuple[str, ...]]:
    """Which axis of the array is which.

    Parameters
    ----------
    shape : the array's shape, axes of length 1 included
    lengths : known lengths by axis name

    Returns
    -------
    axes : array axis by name, of those present
    notes : what was inferred, in words
    """
    what = what or spec.array or spec.path.name
    if spec.order:
        return _stated(spec, shape, lengths, what), ()
    long = [i for i, n in enumerate(shape) if n > 1]
    # Known axes of length 1 are real axes: put them back where there are too few.
    needed = 3 if spec.kind == "oscillation" else 2
    if len(long) < needed:
        singles = [i for i, n in enumerate(shape) if n == 1]
        long = sorted(long + singles[: needed - len(long)])
    names = list(wanted_axes(spec, len(long)))
    axes: dict[str, int] = {}
    free = list(long)
    known = [n for n in names if n in lengths]
    for name in known:
        same = [i for i in free if shape[i] == lengths[name]]
        rivals = [n for n in known if n not in axes and lengths[n] == lengths[name]]
        if not same:
            raise InputError(
                f"No axis of {what} {shape} has the {lengths[name]} samples of the {name} axis; "
                "correct the names in [displacement] of case.toml."
            )
        if len(same) == 1 and len(rivals) == 1:
            axes[name] = same[0]
            free.remove(same[0])
    left = [n for n in names if n not in axes]
    how = "from the lengths of its axes"
    if len(left) == 1:
        axes[left[0]] = free[0]
    elif left:
        matlab = spec.path.suffix.lower() == ".mat"
        habit = _MATLAB_HABIT if matlab else _HABIT
        for name, i in zip([n for n in habit if n in left], free, strict=True):
            axes[name] = i
        # Lengths that are known must still fit what habit says.
        for name in left:
            if name in lengths and shape[axes[name]] != lengths[name]:
                raise InputError(
                    f"The axes of {what} {shape} cannot be told apart; state axis_order in "
                    "[displacement] of case.toml."
                )
        how = "by the usual order of " + ("MATLAB" if matlab else "NumPy") + " files; check it"
    order = ",".join(sorted(axes, key=lambda n: axes[n]))
    return axes, (f"Axis order of {what} {shape} taken as {order}, {how}.",)


def _stated(
    spec: RecordingSpec, shape: tuple[int, ...], lengths: dict[str, int], what: str
) -> dict[str, int]:
    places = list(range(len(shape)))
    order = spec.order
    if len(order) < len(shape):
        places = [i for i in places if shape[i] > 1]
    if len(order) > len(places) or len(places) > len(order):
        # A baseline or correlation may lack the axes of time and frames.
        shorter = [n for n in order if n in ("depth", "lateral")]
        with_frames = [n for n in order if n != "time"]
        without_frames = [n for n in order if n != "frame"]
        options = [o for o in (with_frames, without_frames, shorter) if len(o) == len(places)]
        if not options:
            raise InputError(
                f"axis_order {spec.axis_order!r} has {len(order)} axes, but {what} has shape "
                f"{shape}; correct it in case.toml."
            )
        order = tuple(options[0])
    axes = dict(zip(order, places, strict=True))
    for name in ("depth", "lateral"):
        if name not in axes:
            raise InputError(f"axis_order {spec.axis_order!r} lacks {name}; add it in case.toml.")
    for name, i in axes.items():
        if name in lengths and shape[i] != lengths[name]:
            raise InputError(
                f"axis_order says that {what} {shape} has {shape[i]} samples along {name}, but its "
                f"axis has {lengths[name]}; correct either in case.toml."
            )
    return axes


def even_axis(values: np.ndarray, name: str, where: Path) -> tuple[float, float, bool]:
    """First value, step and whether the axis runs backwards; `InputError` where it is uneven."""
    if len(values) == 1:
        raise InputError(
            f"The {name} axis in {where.name} has one sample, so no step; give {name}_spacing."
        )
    steps = np.diff(values)
    step = float((values[-1] - values[0]) / (len(values) - 1))
    if step == 0 or np.abs(steps - step).max() > 0.02 * abs(step):
        raise InputError(
            f"The {name} axis in {where.name} is uneven (steps from {steps.min():g} to "
            f"{steps.max():g}); resample the maps to an even grid first."
        )
    if step < 0:
        return float(values[-1]), -step, True
    return float(values[0]), step, False


def axis_factor(spec: RecordingSpec, name: str) -> float:
    """From the axis' unit to mm (radians for the angle of a sector)."""
    if name == "lateral" and spec.geometry != "rectilinear":
        return float(np.pi / 180) if spec.angle_unit == "degrees" else 1.0
    if spec.axis_unit == "samples":
        if name == "lateral":
            return 1.0
        assert spec.sampling_frequency_hz is not None
        # There and back: half the speed of sound.
        return 1e3 * spec.speed_of_sound_m_s / (2 * spec.sampling_frequency_hz)
    return AXIS_UNITS_MM[spec.axis_unit]


def plane_axis(
    spec: RecordingSpec, name: str, values: np.ndarray | None, own: dict[str, Any] | None
) -> tuple[float, float, bool, tuple[str, ...]]:
    """Origin and step in mm (radians for angles), whether to flip, and notes.

    `own` is the pixel size that the file itself carries: {"depth": (origin, step) in mm, ...}.
    """
    factor = axis_factor(spec, name)
    if values is not None:
        origin, step, flip = even_axis(values, name, spec.path)
        notes = (f"The {name} axis runs backwards and was turned round.",) if flip else ()
        return origin * factor, step * factor, flip, notes
    spacing = getattr(spec, f"{name}_spacing")
    if spacing is not None:
        return getattr(spec, f"{name}_origin") * factor, spacing * factor, False, ()
    if own and name in own:
        origin, step = own[name]
        note = f"The {name} pixel size, {step:g} mm, was taken from {spec.path.name} itself."
        return origin, step, False, (note,)
    if name == "depth" and spec.axis_unit == "samples":
        return spec.depth_origin * factor, factor, False, ()
    raise InputError(
        f"Nothing says where the {name} samples of {spec.path.name} lie; give {name} (an array's "
        f"name) or {name}_spacing in [displacement] of case.toml."
    )
