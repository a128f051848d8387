"""Displacement recordings."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
from hard_use.bad_inputs.table import Arguments, bad, setting
from hard_use.small_case import SHAPE, displacement, write_recording

PART = "Displacement recording"


def use(case: Path, name: str, **values: str) -> Path:
    """Make the case name another recording; its axes by spacing."""
    plain = {"array": "", "depth": "", "lateral": "", "time": ""}
    spacing = {"depth_spacing": "0.4", "lateral_spacing": "0.4", "time_spacing_s": "10.0"}
    setting(case, "displacement", path=json.dumps(name), **{**plain, **spacing, **values})
    return case / name


@bad(PART, "none named", ": [displacement] path is not given; write there which file it is.")
def none_named(case: Path) -> Arguments:
    setting(case, "displacement", path="")
    return "predict", case


@bad(PART, "the file is not there", "is not there; correct [displacement] path in")
def not_there(case: Path) -> Arguments:
    use(case, "missing.npz")
    return "predict", case


@bad(PART, "a folder in place of the file", "There is no file … ; correct its path in case.toml.")
def folder(case: Path) -> Arguments:
    use(case, "outlines")
    return "predict", case


@bad(
    PART,
    "an ending that no reader has",
    (
        "recording.xyz is of no kind that can be read here; save it as one of .npy, .npz, "
        ".mat, .h5, .hdf5, .hdf, .nrrd, .nhdr, .mha, .mhd, .nii, .nii.gz, .tif, .tiff, "
        ".dcm, .dicom."
    ),
)
def unknown_kind(case: Path) -> Arguments:
    use(case, "recording.xyz").write_bytes(b"1 2 3")
    return "predict", case


@bad(
    PART,
    "an array that the file does not hold",
    (
        "recording.npz holds no array 'velocity'; it holds displacement, depth_mm, "
        "lateral_mm, time_s; correct the name in case.toml."
    ),
)
def no_such_array(case: Path) -> Arguments:
    setting(case, "displacement", array='"velocity"')
    return "predict", case


@bad(
    PART,
    "complex numbers",
    "'displacement' holds complex64, not real numbers; point at another array.",
)
def complex_numbers(case: Path) -> Arguments:
    write_recording(case / "recording.npz", displacement().astype(np.complex64))
    return "predict", case


@bad(
    PART,
    "text in place of numbers",
    (
        "recording.npz cannot be read as .npz … ; it may be damaged or incomplete: save or "
        "copy it again."
    ),
)
def text_array(case: Path) -> Arguments:
    write_recording(case / "recording.npz", np.full((4, 16, *SHAPE), "x"))
    return "predict", case


@bad(
    PART,
    "records with named fields",
    (
        "recording.npz cannot be read as .npz … ; it may be damaged or incomplete: save or "
        "copy it again."
    ),
)
def records(case: Path) -> Arguments:
    kind = np.dtype([("a", "f4"), ("b", "f4")])
    write_recording(case / "recording.npz", np.zeros((4, 16, *SHAPE), dtype=kind))
    return "predict", case


@bad(PART, "an empty array", "'displacement' is empty … ; point at another array.")
def empty_array(case: Path) -> Arguments:
    write_recording(case / "recording.npz", np.zeros((0, 16, *SHAPE), dtype=np.float32))
    return "predict", case


@bad(
    PART,
    "an array of one dimension",
    (
        "Expected 3 or 4 axes in 'displacement' of recording.npz for kind 'oscillation', "
        "got 1; point array at another one, or correct kind."
    ),
)
def one_dimension(case: Path) -> Arguments:
    write_recording(case / "recording.npz", np.zeros(1000, dtype=np.float32))
    setting(case, "displacement", axis_order="")
    return "predict", case


@bad(
    PART,
    "an array of six dimensions",
    (
        "Expected 3 or 4 axes in 'displacement' of recording.npz for kind 'oscillation', "
        "got 6; point array at another one, or correct kind."
    ),
)
def six_dimensions(case: Path) -> Arguments:
    write_recording(case / "recording.npz", np.zeros((2, 2, 2, 2, 2, 2), dtype=np.float32))
    setting(case, "displacement", axis_order="")
    return "predict", case


@bad(
    PART,
    "a map of one pixel",
    "The depth axis in recording.npz has one sample, so no step; give depth_spacing.",
)
def one_pixel(case: Path) -> Arguments:
    data = np.ones((4, 16, 1, 1), dtype=np.float32)
    write_recording(case / "recording.npz", data, depth_mm=np.zeros(1), lateral_mm=np.zeros(1))
    return "predict", case


@bad(PART, "nothing but NaN", "'displacement' holds no finite number; point at another array.")
def all_nan(case: Path) -> Arguments:
    write_recording(case / "recording.npz", np.full((4, 16, *SHAPE), np.nan, dtype=np.float32))
    return "predict", case


@bad(PART, "nothing but infinity", "'displacement' holds no finite number; point at another array.")
def all_infinite(case: Path) -> Arguments:
    write_recording(case / "recording.npz", np.full((4, 16, *SHAPE), np.inf, dtype=np.float32))
    return "predict", case


@bad(
    PART,
    "one number everywhere",
    "'displacement' holds the number 3 alone; point at another array.",
)
def constant(case: Path) -> Arguments:
    write_recording(case / "recording.npz", np.full((4, 16, *SHAPE), 3, dtype=np.float32))
    return "predict", case


@bad(
    PART,
    "zeros everywhere, as amplitude maps",
    "'displacement' holds the number 0 alone; point at another array.",
)
def zero_amplitude(case: Path) -> Arguments:
    write_recording(case / "recording.npz", np.zeros((4, *SHAPE), dtype=np.float32))
    setting(case, "displacement", kind='"amplitude-series"', axis_order='"time,depth,lateral"')
    return "predict", case


@bad(
    PART,
    "depth and lateral swapped",
    (
        "axis_order says that displacement … has 20 samples along depth, but its axis has "
        "28; correct either in case.toml."
    ),
)
def swapped_axes(case: Path) -> Arguments:
    write_recording(case / "recording.npz", displacement().transpose(0, 1, 3, 2))
    return "predict", case


@bad(
    PART,
    "an axis longer than the maps",
    (
        "axis_order says that displacement … has 28 samples along depth, but its axis has "
        "99; correct either in case.toml."
    ),
)
def long_axis(case: Path) -> Arguments:
    write_recording(case / "recording.npz", depth_mm=np.arange(99.0))
    return "predict", case


@bad(
    PART,
    "an axis with NaN in it",
    ("The depth axis 'depth_mm' in recording.npz is empty or not finite; correct its numbers."),
)
def nan_axis(case: Path) -> Arguments:
    depth = np.arange(SHAPE[0]) * 0.4
    depth[3] = np.nan
    write_recording(case / "recording.npz", depth_mm=depth)
    return "predict", case


@bad(
    PART,
    "an axis of complex numbers",
    (
        "The depth axis 'depth_mm' in recording.npz holds complex128, not real numbers; "
        "correct [displacement] depth in case.toml."
    ),
)
def complex_axis(case: Path) -> Arguments:
    write_recording(case / "recording.npz", depth_mm=np.arange(SHAPE[0]) * 1j)
    return "predict", case


@bad(
    PART,
    "an axis of words",
    (
        "recording.npz cannot be read as .npz … ; it may be damaged or incomplete: save or "
        "copy it again."
    ),
)
def axis_of_words(case: Path) -> Arguments:
    write_recording(case / "recording.npz", depth_mm=np.array([f"d{k}" for k in range(SHAPE[0])]))
    return "predict", case


@bad(
    PART,
    "an axis that stands still",
    ("The depth axis in recording.npz is uneven … ; resample the maps to an even grid first."),
)
def still_axis(case: Path) -> Arguments:
    write_recording(case / "recording.npz", depth_mm=np.full(SHAPE[0], 3.0))
    return "predict", case


@bad(
    PART,
    "an uneven axis",
    ("The depth axis in recording.npz is uneven … ; resample the maps to an even grid first."),
)
def uneven_axis(case: Path) -> Arguments:
    write_recording(case / "recording.npz", depth_mm=np.arange(SHAPE[0]) ** 2.0)
    return "predict", case


@bad(
    PART,
    "times that run backwards",
    "The time axis 'time_s' does not increase; sort or correct it.",
)
def backward_times(case: Path) -> Arguments:
    write_recording(case / "recording.npz", time_s=np.arange(4)[::-1] * 1.0)
    return "predict", case


@bad(PART, "a pixel size of 0", ": [displacement] depth_spacing should be above 0, got 0.")
def zero_spacing(case: Path) -> Arguments:
    setting(case, "displacement", depth="", depth_spacing="0.0")
    return "predict", case


@bad(
    PART,
    "nothing that says how large the pixels are",
    (
        "Nothing says where the depth samples of recording.npz lie; give depth … or "
        "depth_spacing in [displacement] of case.toml."
    ),
)
def no_spacing(case: Path) -> Arguments:
    setting(case, "displacement", depth="")
    return "predict", case


@bad(
    PART,
    "no modulation frequency",
    (
        "An oscillation recording needs frame_rate_hz and modulation_frequency_hz; add both "
        "to [displacement] in case.toml."
    ),
)
def no_frequency(case: Path) -> Arguments:
    setting(case, "displacement", modulation_frequency_hz="")
    return "predict", case


@bad(
    PART,
    "an axis order with a word that is no axis",
    "Unknown axis_order 'width'; choose one of time, frame, depth, lateral.",
)
def unknown_axis(case: Path) -> Arguments:
    setting(case, "displacement", axis_order='"time,frame,depth,width"')
    return "predict", case


@bad(
    PART,
    "one map without a baseline",
    "'displacement' holds the number 1 alone; point at another array.",
)
def no_baseline(case: Path) -> Arguments:
    write_recording(case / "recording.npz", np.ones(SHAPE, dtype=np.float32))
    setting(case, "displacement", kind='"final"', axis_order="", time="")
    return "predict", case


@bad(
    PART,
    "a baseline of another shape",
    (
        "axis_order says that before … has 5 samples along depth, but its axis has 28; "
        "correct either in case.toml."
    ),
)
def other_baseline(case: Path) -> Arguments:
    write_recording(case / "recording.npz", before=np.ones((16, 5, 5), dtype=np.float32))
    setting(case, "displacement", baseline='"before"')
    return "predict", case


@bad(
    PART,
    "a focus that lies outside the map, with a rule that grows from it",
    (
        "The focus at depth 500, lateral 500 mm lies off the recording's plane (depth -0.2 "
        "to 11 mm, lateral -0.2 to 7.8 mm); correct [predict] focus_mm in"
    ),
)
def focus_outside(case: Path) -> Arguments:
    setting(case, "predict", focus_mm="[500.0, 500.0]", rule='"growing"')
    return "predict", case
