"""A simulated case as the files that a user would bring, with the truth beside them."""

from __future__ import annotations

import io
import json
import os
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from coreg.errors import InputError
from coreg.geometry import ZONES, Grid

if TYPE_CHECKING:
    from coreg.demo.simulated import Simulated

RECORDING_FORMATS = ("npz", "mat", "mat73")
# The earliest date that a zip archive can hold: the bytes must not depend on the clock.
ZIP_DATE = (1980, 1, 1, 0, 0, 0)
MAT_HEADER = b"MATLAB 5.0 MAT-file, made by coreg's generator of invented cases"


def write_case(
    simulated: Simulated,
    folder: str | os.PathLike[str],
    *,
    slide_um_per_px: float = 4.0,
    recording_format: str = "npz",
    observers: int = 2,
    compression: str = "jpeg",
    progress: Callable[[float, str], None] | None = None,
) -> dict[str, dict[str, Any]]:
    """Write one case's files; the same scenario gives the same bytes.

    Written are ``slide.ome.tif``, ``recording.npz`` (or ``.mat``), ``bmode.npz``,
    ``landmarks.csv``, ``outlines/observer-N.geojson`` and ``truth/``. ``case.toml`` is not: that is
    `coreg.case`'s.

    Parameters
    ----------
    folder : made where absent; files of the same names are replaced
    slide_um_per_px : pixel size of the slide's finest level in µm
    recording_format : "npz", "mat" (version 5) or "mat73" (version 7.3, which is HDF5)
    observers : how many draw outlines; the first also places the landmarks
    compression : of the slide's tiles, "jpeg" or "deflate"
    progress : called with a fraction 0–1 and a text; may raise `coreg.errors.Cancelled`

    Returns
    -------
    dict: what `coreg.case.new_case` needs to make the case's text file

    Raises
    ------
    InputError : an unknown format, a pixel size of 0 or less, a folder that cannot be made
    """
    from coreg.demo.slide_file import COMPRESSIONS, write_slide
    from coreg.sources.landmarks import write_landmarks
    from coreg.sources.outlines import write_outlines

    if recording_format not in RECORDING_FORMATS:
        raise InputError(
            f"Expected recording_format to be one of {', '.join(RECORDING_FORMATS)}, "
            f"got {recording_format!r}."
        )
    if compression not in COMPRESSIONS:
        raise InputError(f"Expected compression 'jpeg' or 'deflate', got {compression!r}.")
    if not slide_um_per_px > 0 or observers < 1:
        raise InputError(
            "Expected a slide pixel above 0 µm and at least one observer, got "
            f"{slide_um_per_px} and {observers}."
        )
    folder = Path(folder)
    try:
        (folder / "outlines").mkdir(parents=True, exist_ok=True)
        (folder / "truth").mkdir(exist_ok=True)
    except OSError as error:
        raise InputError(f"Cannot make the folder {folder}: {error.strerror}.") from error

    def tell(fraction: float, text: str) -> None:
        if progress is not None:
            progress(fraction, text)

    tell(0.0, "writing the recording")
    scenario = simulated.scenario
    recording = "recording.npz" if recording_format == "npz" else "recording.mat"
    write_arrays(folder / recording, recording_arrays(simulated), recording_format)
    tell(0.1, "writing the B-mode")
    bmode = simulated.bmode
    arrays = {
        "bmode_db": bmode.data,
        "depth_mm": bmode.grid.rows,
        "lateral_mm": bmode.grid.columns,
    }
    write_arrays(folder / "bmode.npz", arrays, "npz")
    write_landmarks(folder / "landmarks.csv", simulated.landmarks(1))
    for observer in range(1, observers + 1):
        drawn = folder / "outlines" / f"observer-{observer}.geojson"
        write_outlines(drawn, simulated.outlines(observer))
    tell(0.15, "writing the truth")
    _write_truth(simulated, folder / "truth")
    grid = simulated.zones_slide_grid.with_spacing(slide_um_per_px / 1000.0)
    write_slide(
        folder / "slide.ome.tif",
        simulated.renderer,
        grid,
        compression=compression,
        progress=lambda fraction, text: tell(0.2 + 0.8 * fraction, text),
    )
    tell(1.0, "case written")
    return {
        "case": {
            "name": f"demo {scenario.seed}",
            "animal": f"invented rabbit {scenario.seed}",
            "note": "Every number is invented by the generator; see truth/.",
        },
        "slide": {"path": "slide.ome.tif", "stain": "H&E"},
        "displacement": {
            "path": recording,
            "array": "displacement",
            "axis_order": "time,frame,depth,lateral",
            "depth": "depth_mm",
            "lateral": "lateral_mm",
            "time": "time_s",
            "correlation": "correlation",
            "unit": "um",
            "frame_rate_hz": scenario.frame_rate_hz,
            "modulation_frequency_hz": scenario.modulation_frequency_hz,
        },
        "bmode": {
            "path": "bmode.npz",
            "array": "bmode_db",
            "depth": "depth_mm",
            "lateral": "lateral_mm",
        },
        "landmarks": {"path": "landmarks.csv", "error_mm": scenario.landmark_error_mm},
        "outlines": {"folder": "outlines", "error_mm": scenario.outline_error_mm},
        "predict": {"focus_mm": list(scenario.focus_mm)},
        "agree": {"point_spread_mm": list(scenario.tracking_fwhm_mm)},
    }


def recording_arrays(simulated: Simulated) -> dict[str, np.ndarray]:
    """The recording under the names that the files give it; µm, mm, s, Hz."""
    scenario = simulated.scenario
    return {
        "displacement": _stored(simulated.displacement),
        "depth_mm": simulated.plane.rows,
        "lateral_mm": simulated.plane.columns,
        "time_s": simulated.treatment_times_s,
        "frame_rate_hz": np.array(scenario.frame_rate_hz),
        "modulation_frequency_hz": np.array(scenario.modulation_frequency_hz),
        "correlation": simulated.correlation,
    }


def _stored(displacement: np.ndarray) -> np.ndarray:
    """Rounded to 1/64 µm, well below the noise, as a scanner stores it; packs to half the size."""
    return np.ldexp(np.rint(np.ldexp(displacement, 6)), -6)


def write_arrays(path: Path, arrays: dict[str, np.ndarray], kind: str) -> None:
    """Write arrays as "npz", "mat" or "mat73", atomically and with the same bytes every time."""
    part = path.with_name(path.name + ".part")
    try:
        if kind == "npz":
            _write_npz(part, arrays)
        elif kind == "mat":
            _write_mat(part, arrays)
        else:
            _write_mat73(part, arrays)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _write_npz(path: Path, arrays: dict[str, np.ndarray]) -> None:
    # numpy.savez stamps each member with the time of writing.
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        for name, array in arrays.items():
            info = zipfile.ZipInfo(f"{name}.npy", ZIP_DATE)
            info.compress_type = zipfile.ZIP_DEFLATED
            with archive.open(info, "w", force_zip64=True) as member:
                np.lib.format.write_array(member, np.ascontiguousarray(array), allow_pickle=False)


def _write_mat(path: Path, arrays: dict[str, np.ndarray]) -> None:
    from scipy.io import savemat

    buffer = io.BytesIO()
    savemat(buffer, arrays, do_compression=True)
    content = bytearray(buffer.getvalue())
    # The first 116 bytes are free text, in which scipy writes the platform and the time.
    content[:116] = MAT_HEADER.ljust(116)
    path.write_bytes(content)


def _write_mat73(path: Path, arrays: dict[str, np.ndarray]) -> None:
    """MATLAB 7.3: HDF5 behind a header of 512 bytes, axes in reverse order."""
    import h5py

    with h5py.File(path, "w", userblock_size=512, track_order=False) as file:
        for name, array in arrays.items():
            values = np.atleast_2d(np.asarray(array)).T
            options = {"compression": "gzip", "shuffle": True} if values.size > 64 else {}
            data = file.create_dataset(name, data=values, track_times=False, **options)
            kind = {"float32": "single", "float64": "double"}[str(values.dtype)]
            data.attrs["MATLAB_class"] = np.bytes_(kind)
    header = MAT_HEADER.replace(b"5.0", b"7.3").ljust(116) + bytes(8) + b"\x00\x02IM"
    with open(path, "r+b") as file:
        file.write(header)


def _write_truth(simulated: Simulated, folder: Path) -> None:
    from coreg.results import to_json, write_text

    def grid_arrays(name: str, grid: Grid) -> dict[str, np.ndarray]:
        return {f"{name}_row_mm": grid.rows, f"{name}_column_mm": grid.columns}

    arrays = {
        "zones_plane": simulated.zones_plane,
        **grid_arrays("zones_plane", simulated.zones_plane_grid),
        "zones_slide": simulated.zones_slide,
        **grid_arrays("zones_slide", simulated.zones_slide_grid),
        "pathology_on_plane": simulated.pathology_on_plane(),
        "amplitude_um": simulated.amplitude_truth,
        "change_percent": simulated.change_truth,
    }
    write_arrays(folder / "zones.npz", arrays, "npz")
    write_text(folder / "transform.json", json.dumps(simulated.truth.to_dict(), indent=1) + "\n")
    landmarks = simulated.true_landmarks()
    values = {
        "note": "Every number is invented by the generator.",
        "zones": ZONES,
        "scenario": simulated.scenario.to_dict(),
        "treatment_times_s": simulated.treatment_times_s.tolist(),
        "agreement": simulated.truth_agreement(),
        "stain_optical_density": simulated.renderer.matrix.tolist(),
        "landmarks": [
            {"name": name, "plane_mm": plane.tolist(), "slide_mm": slide.tolist()}
            for name, plane, slide in zip(
                landmarks.names, landmarks.plane, landmarks.slide, strict=True
            )
        ],
    }
    write_text(folder / "truth.json", to_json(values))
