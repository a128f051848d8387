"""A displacement recording from its file: in µm, in our axis order, on a grid in plane mm."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from coreg.errors import InputError
from coreg.geometry import Grid
from coreg.sources.recordings import axes as ax
from coreg.sources.recordings.arrays import file_module, load_array
from coreg.sources.recordings.lazy import LazyArray, whole_key
from coreg.sources.recordings.questions import ask
from coreg.sources.recordings.spec import UNITS_UM, Kind, RecordingSpec

# Larger recordings stay in their file and are read in blocks.
KEEP_BYTES = 512 * 2**20


@dataclass(frozen=True)
class Recording:
    """A recording on a grid.

    Attributes
    ----------
    kind : as in `RecordingSpec`
    grid : frame "plane", mm
    data : float32 µm; (times, frames, depth, lateral) for an oscillation, else peak-to-peak
        amplitude (times, depth, lateral). An ndarray, or a `LazyArray` where it is large.
    times_s : (times,) float64, treatment times
    frame_rate_hz, modulation_frequency_hz : None where `kind` is not "oscillation"
    baseline : baseline array of its own: (frames, depth, lateral) oscillation, or (maps, depth,
        lateral) amplitude; None where the first `baseline_times` treatment times are the baseline
    baseline_times : how many of the first treatment times are the baseline; 0 where `baseline` is
        given, or where there is one map alone
    correlation : float32, as the file has it: (depth, lateral) or (times, depth, lateral); None
    notes : what was inferred or changed, one sentence each
    questions : what looks wrong by its magnitude, one sentence each
    """

    kind: Kind
    grid: Grid
    data: Any
    times_s: np.ndarray
    frame_rate_hz: float | None = None
    modulation_frequency_hz: float | None = None
    baseline: Any = None
    baseline_times: int = 0
    correlation: np.ndarray | None = None
    notes: tuple[str, ...] = ()
    questions: tuple[str, ...] = ()


def read_recording(spec: RecordingSpec) -> Recording:
    """Read what the spec points at.

    Raises
    ------
    InputError
        Where a file or an array is missing, the axes do not fit, or nothing gives the pixel size.
    """
    recording = read_maps(spec)
    return replace(recording, questions=ask(recording))


def require_signal(recording: Recording, name: str) -> None:
    """Raise `InputError` where a recording holds no finite number, or one number everywhere.

    A recording that stays in its file is not read for this.
    """
    data = recording.data
    if not isinstance(data, np.ndarray):
        return
    first = data.flat[0]
    if np.isfinite(first) and (data.flat[-1] != first or not (data == first).all()):
        return
    finite = data[np.isfinite(data)]
    if finite.size == 0 or (finite == finite[0]).all():
        held = "no finite number" if finite.size == 0 else f"the number {finite[0]:g} alone"
        raise InputError(f"{name!r} holds {held}; point at another array.")


def read_maps(spec: RecordingSpec) -> Recording:
    """As `read_recording`, without asking about magnitudes; for maps other than displacement."""
    source = load_array(spec.path, spec.array)
    _numbers(source, spec.array or spec.path.name)
    values = {name: ax.axis_values(spec, name) for name in ("depth", "lateral", "time")}
    lengths = {name: len(v) for name, v in values.items() if v is not None}
    if spec.window_s is not None:
        lengths.pop("time", None)
    places, notes = ax.order_axes(spec, tuple(source.shape), lengths)
    own = getattr(file_module(spec.path), "pixel_size", lambda _path: None)(spec.path)
    depth0, depth_step, flip_depth, more = ax.plane_axis(spec, "depth", values["depth"], own)
    lateral0, lateral_step, flip_lateral, still = ax.plane_axis(
        spec, "lateral", values["lateral"], own
    )
    notes += more + still
    flips = (flip_depth, flip_lateral)
    data = _array(spec, source, places, flips, frames=spec.kind == "oscillation")
    recording = Recording(
        spec.kind,
        Grid(data.shape[-2:], (depth_step, lateral_step), (depth0, lateral0), "plane"),
        data,
        np.zeros(0),
        notes=notes,
    )
    recording = _with_others(recording, spec, flips)
    recording = _with_times(recording, spec, values["time"])
    if spec.geometry != "rectilinear":
        recording = _converted(recording, spec)
    return recording


def _numbers(array: Any, name: str) -> None:
    if np.dtype(array.dtype).kind not in "biuf":
        raise InputError(f"{name!r} holds {array.dtype}, not real numbers; point at another array.")
    if 0 in array.shape:
        raise InputError(f"{name!r} is empty (shape {tuple(array.shape)}); point at another array.")


def _array(
    spec: RecordingSpec,
    source: Any,
    places: dict[str, int],
    flips: tuple[bool, bool],
    *,
    frames: bool,
) -> Any:
    """The array in µm and our order; lazy where it is large and runs forwards."""
    names = ("time", "frame", "depth", "lateral") if frames else ("time", "depth", "lateral")
    view = LazyArray(source, tuple(places.get(name) for name in names), UNITS_UM[spec.unit])
    if view.nbytes > KEEP_BYTES and not any(flips) and spec.geometry == "rectilinear":
        return view
    data = np.asarray(view)
    return _flipped(data, flips)


def _flipped(data: np.ndarray, flips: tuple[bool, bool]) -> np.ndarray:
    rows = slice(None, None, -1) if flips[0] else slice(None)
    columns = slice(None, None, -1) if flips[1] else slice(None)
    return np.ascontiguousarray(data[..., rows, columns]) if any(flips) else data


def _with_others(recording: Recording, spec: RecordingSpec, flips: tuple[bool, bool]) -> Recording:
    """Add the baseline and the correlation maps."""
    notes = recording.notes
    baseline = correlation = None
    depth, lateral = recording.grid.shape
    lengths = {"depth": depth, "lateral": lateral}
    if spec.baseline or spec.baseline_path is not None:
        path = spec.baseline_path or spec.path
        other = replace(spec, path=path, array=spec.baseline)
        source = load_array(path, spec.baseline)
        name = spec.baseline or path.name
        _numbers(source, name)
        long = sum(n > 1 for n in source.shape)
        oscillates = spec.kind == "oscillation" and long >= 3
        kind: Kind = "oscillation" if oscillates else "amplitude-series"
        other = replace(other, kind=kind) if kind != spec.kind else other
        places, more = ax.order_axes(other, tuple(source.shape), lengths, what=name)
        baseline = np.asarray(_array(other, source, places, flips, frames=oscillates))
        if oscillates:
            baseline = baseline[0] if len(baseline) == 1 else baseline
        notes += more
    if spec.correlation:
        source = load_array(spec.path, spec.correlation)
        _numbers(source, spec.correlation)
        other = replace(spec, kind="amplitude-series", array=spec.correlation, unit="um")
        if spec.kind == "oscillation" and sum(n > 1 for n in source.shape) == 4:
            raise InputError(
                f"{spec.correlation!r} has shape {tuple(source.shape)}; expected one correlation "
                "map for each treatment time at most: average it over frames first."
            )
        places, more = ax.order_axes(other, tuple(source.shape), lengths, what=spec.correlation)
        correlation = np.asarray(_array(other, source, places, flips, frames=False))
        notes += more
    return replace(recording, baseline=baseline, correlation=correlation, notes=notes)


def _with_times(recording: Recording, spec: RecordingSpec, values: np.ndarray | None) -> Recording:
    """Add treatment times, splitting one long recording where asked."""
    data, notes = recording.data, recording.notes
    if spec.kind == "oscillation":
        recording = replace(
            recording,
            frame_rate_hz=spec.frame_rate_hz,
            modulation_frequency_hz=spec.modulation_frequency_hz,
        )
        if spec.window_s is not None:
            assert spec.frame_rate_hz is not None
            data, note = _split(data, spec.window_s, spec.frame_rate_hz)
            notes += (note,)
            times = spec.time_origin_s + (np.arange(len(data)) + 0.5) * spec.window_s
            values = None
        else:
            times = spec.time_origin_s + np.arange(len(data)) * (spec.time_spacing_s or 1.0)
    else:
        times = spec.time_origin_s + np.arange(len(data)) * (spec.time_spacing_s or 1.0)
    count = len(data)
    if values is not None:
        if len(values) != count:
            raise InputError(
                f"The time axis {spec.time!r} has {len(values)} values for {count} treatment times."
            )
        if count > 1 and (np.diff(values) <= 0).any():
            raise InputError(f"The time axis {spec.time!r} does not increase; sort or correct it.")
        times = values
    elif count > 1 and spec.time_spacing_s is None and spec.window_s is None:
        notes += ("No treatment times are given; they were numbered 0, 1, 2, … s.",)
    if recording.baseline is not None or count == 1:
        first = 0
    else:
        first = min(spec.baseline_times, count - 1)
    return replace(recording, data=data, times_s=times, baseline_times=first, notes=notes)


def _split(data: Any, window_s: float, frame_rate_hz: float) -> tuple[Any, str]:
    if data.shape[0] != 1:
        raise InputError("window_s splits one long recording, but this one has treatment times.")
    frames = data.shape[1]
    length = round(window_s * frame_rate_hz)
    count = frames // length if length else 0
    if count < 1:
        raise InputError(
            f"window_s of {window_s:g} s is longer than the recording "
            f"({frames / frame_rate_hz:g} s), or shorter than a frame; correct it."
        )
    note = f"The recording was split into {count} treatment times of {length} frames"
    rest = frames - count * length
    note += f"; the last {rest} frames were left out." if rest else "."
    if isinstance(data, LazyArray):
        return _Windows(data, count, length), note
    whole = data[0, : count * length]
    return whole.reshape(count, length, *whole.shape[1:]), note


class _Windows:
    """A long stored recording seen as (windows, frames, depth, lateral)."""

    def __init__(self, data: LazyArray, count: int, length: int) -> None:
        self._data = data
        self._length = length
        self.shape = (count, length, *data.shape[2:])
        self.dtype = data.dtype
        self.ndim = 4

    def __len__(self) -> int:
        return self.shape[0]

    def __getitem__(self, key: Any) -> np.ndarray:
        keys = whole_key(key, 4)
        if isinstance(keys[0], slice):
            windows = range(*keys[0].indices(self.shape[0]))
            return np.stack([self[(w, *keys[1:])] for w in windows])
        window = range(self.shape[0])[int(keys[0])]
        start, stop, _ = (
            keys[1].indices(self._length)
            if isinstance(keys[1], slice)
            else (keys[1], keys[1] + 1, 1)
        )
        first = window * self._length
        block = self._data[0, slice(first + start, first + stop), keys[2], keys[3]]
        return block if isinstance(keys[1], slice) else block[0]


def _converted(recording: Recording, spec: RecordingSpec) -> Recording:
    """Sector or curved geometry onto square pixels."""
    from coreg.sources.scan_conversion import ScanConversion

    polar = recording.grid
    conversion = ScanConversion.for_beams(
        depths_mm=polar.rows,
        angles_rad=polar.columns,
        probe_radius_mm=spec.probe_radius_mm,
        pixel_mm=spec.pixel_mm,
    )
    baseline, correlation = recording.baseline, recording.correlation
    note = (
        f"Beams from {np.degrees(polar.columns[0]):.1f}° to {np.degrees(polar.columns[-1]):.1f}° "
        f"were scan-converted to pixels of {conversion.grid.spacing[0]:.3g} mm."
    )
    return replace(
        recording,
        grid=conversion.grid,
        data=conversion.apply(np.asarray(recording.data)),
        baseline=None if baseline is None else conversion.apply(baseline),
        correlation=None if correlation is None else conversion.apply(correlation),
        notes=(*recording.notes, note),
    )
