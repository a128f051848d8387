"""What the case says about a displacement recording."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, Literal

import numpy as np

from coreg.errors import InputError

Kind = Literal["oscillation", "amplitude-series", "final"]
KINDS: tuple[Kind, ...] = ("oscillation", "amplitude-series", "final")
GEOMETRIES = ("rectilinear", "sector", "curved")
UNITS_UM = {"nm": 1e-3, "um": 1.0, "µm": 1.0, "mm": 1e3, "m": 1e6}
AXIS_UNITS_MM = {"um": 1e-3, "µm": 1e-3, "mm": 1.0, "cm": 10.0, "m": 1e3}
AXIS_NAMES = ("time", "frame", "depth", "lateral")


@dataclass(frozen=True)
class RecordingSpec:
    """The [displacement] table of a case.

    Attributes
    ----------
    path : the file
    kind : "oscillation" (displacement over frames at the modulation frequency), "amplitude-series"
        (peak-to-peak maps over treatment), "final" (one map)
    array : the displacement's name in the file; "" where the file holds one array
    depth, lateral, time : names of arrays with the axes' values; "" to give numbers instead
    depth_spacing, lateral_spacing, time_spacing_s : steps where an axis has no array; None where it
        has one, or where the file itself carries its pixel size
    depth_origin, lateral_origin, time_origin_s : first values
    unit : of the displacement: "um", "mm", "m" or "nm"
    axis_unit : of depth and lateral: "mm", "cm", "um", "m", or "samples" for a depth in samples of
        the echo (`sampling_frequency_hz`, `speed_of_sound_m_s`); lateral then is in mm
    axis_order : e.g. "time,frame,depth,lateral"; "" to infer it from sizes
    frame_rate_hz, modulation_frequency_hz : needed for "oscillation"
    window_s : splits one long oscillation recording into treatment times of this length; None for
        one treatment time
    baseline : name of an array with the baseline: amplitude map or maps, or an oscillation where
        `kind` is "oscillation"
    baseline_path : another file that holds the baseline; None for the same file
    baseline_times : how many of the first treatment times are the baseline, where no array is named
    correlation : name of an array with correlation maps, 0 to 1; "" for none
    geometry : "rectilinear", "sector" (beams from one point) or "curved" (beams from a curved
        probe); in the latter two the depth axis runs along the beams from the probe's surface and
        the lateral axis is the beams' angle
    probe_radius_mm : radius of a curved probe, 0 for a sector from a point
    angle_unit : "degrees" or "radians"
    pixel_mm : pixel size after scan conversion; None for the depth spacing
    """

    path: Path
    kind: Kind = "oscillation"
    array: str = ""
    depth: str = ""
    lateral: str = ""
    time: str = ""
    depth_spacing: float | None = None
    lateral_spacing: float | None = None
    time_spacing_s: float | None = None
    depth_origin: float = 0.0
    lateral_origin: float = 0.0
    time_origin_s: float = 0.0
    unit: str = "um"
    axis_unit: str = "mm"
    sampling_frequency_hz: float | None = None
    speed_of_sound_m_s: float = 1540.0
    axis_order: str = ""
    frame_rate_hz: float | None = None
    modulation_frequency_hz: float | None = None
    window_s: float | None = None
    baseline: str = ""
    baseline_path: Path | None = None
    baseline_times: int = 1
    correlation: str = ""
    geometry: str = "rectilinear"
    probe_radius_mm: float = 0.0
    angle_unit: str = "degrees"
    pixel_mm: float | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "path", Path(self.path))
        if self.baseline_path is not None:
            object.__setattr__(self, "baseline_path", Path(self.baseline_path))
        _one_of("kind", self.kind, KINDS)
        _one_of("unit", self.unit, tuple(UNITS_UM))
        _one_of("axis_unit", self.axis_unit, (*AXIS_UNITS_MM, "samples"))
        _one_of("geometry", self.geometry, GEOMETRIES)
        _one_of("angle_unit", self.angle_unit, ("degrees", "radians"))
        for name in ("depth_spacing", "lateral_spacing", "time_spacing_s", "sampling_frequency_hz"):
            _above_zero(name, getattr(self, name))
        for name in ("frame_rate_hz", "modulation_frequency_hz", "window_s", "pixel_mm"):
            _above_zero(name, getattr(self, name))
        _above_zero("speed_of_sound_m_s", self.speed_of_sound_m_s)
        if self.baseline_times < 1:
            raise InputError(f"Expected baseline_times of 1 or more, got {self.baseline_times}.")
        if self.kind == "oscillation" and (
            self.frame_rate_hz is None or self.modulation_frequency_hz is None
        ):
            raise InputError(
                "An oscillation recording needs frame_rate_hz and modulation_frequency_hz; "
                "add both to [displacement] in case.toml."
            )
        if self.axis_unit == "samples" and self.sampling_frequency_hz is None:
            raise InputError(
                "A depth axis in samples needs sampling_frequency_hz; add it to [displacement] in "
                "case.toml."
            )
        if self.geometry == "curved" and not self.probe_radius_mm > 0:
            raise InputError("A curved geometry needs probe_radius_mm above 0; add it.")
        if self.probe_radius_mm < 0:
            raise InputError(f"Expected probe_radius_mm of 0 or more, got {self.probe_radius_mm}.")
        for part in self.order:
            _one_of("axis_order", part, AXIS_NAMES)
        if len(set(self.order)) != len(self.order):
            raise InputError(f"axis_order names an axis twice: {self.axis_order!r}.")

    @property
    def order(self) -> tuple[str, ...]:
        """The parts of `axis_order`; empty where it is to be inferred."""
        return tuple(part.strip() for part in self.axis_order.split(",") if part.strip())

    @classmethod
    def from_dict(cls, values: Mapping[str, Any], folder: str | Path = ".") -> RecordingSpec:
        """From a table of the case; paths are taken from `folder`. Unknown keys are an error."""
        table = dict(values)
        names = {f.name for f in fields(cls)}
        unknown = sorted(set(table) - names)
        if unknown:
            raise InputError(
                f"Unknown key {unknown[0]!r} in [displacement] of case.toml; known are "
                f"{', '.join(sorted(names))}."
            )
        if "path" not in table:
            raise InputError("[displacement] in case.toml names no file; add path.")
        for key in ("path", "baseline_path"):
            if table.get(key):
                table[key] = Path(folder) / str(table[key])
        return cls(**table)


def _one_of(name: str, value: str, known: tuple[str, ...]) -> None:
    if value not in known:
        raise InputError(f"Unknown {name} {value!r}; choose one of {', '.join(known)}.")


def _above_zero(name: str, value: float | None) -> None:
    if value is not None and not (np.isfinite(value) and value > 0):
        raise InputError(f"Expected {name} above 0, got {value}; correct it in case.toml.")
