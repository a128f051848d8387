"""npe2 readers: case folders, slides, recordings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from coreg.errors import InputError

if TYPE_CHECKING:
    from coreg.case import Case
    from coreg.sources.recordings import RecordingSpec
    from coreg_napari.layers import LayerData

Reader = Callable[[Any], "list[LayerData]"]


def get_case_reader(path: str | Sequence[str]) -> Reader | None:
    """A reader where `path` is a case folder or its case.toml."""
    from coreg.case import CASE_FILE

    if not isinstance(path, str):
        return None
    place = Path(path)
    if place.name == CASE_FILE and place.is_file():
        return lambda given: read_case(Path(given).parent)
    return read_case if (place / CASE_FILE).is_file() else None


def get_slide_reader(path: str | Sequence[str]) -> Reader | None:
    """A reader for one whole slide."""
    return read_slide if isinstance(path, str) else None


def get_recording_reader(path: str | Sequence[str]) -> Reader | None:
    """A reader for one displacement recording."""
    return read_recording_file if isinstance(path, str) else None


def read_slide(path: str) -> list[LayerData]:
    """A slide as a lazy multiscale layer in mm; the slide stays open while the layer lives."""
    from coreg.sources.slides import open_slide
    from coreg_napari.layers import slide_layer

    return [slide_layer(open_slide(path), Path(path).stem)]


def read_case(folder: str | Path) -> list[LayerData]:
    """All that a case can show: plane first, then the section, hidden since it lies elsewhere."""
    from coreg.case import open_case

    case = open_case(folder)
    plane, troubles = plane_layers(case)
    layers = [*plane, *section_layers(case)]
    if not plane and troubles:
        raise InputError(troubles[0])
    if any(keywords["metadata"]["coreg"]["frame"] == "plane" for _, keywords, _ in layers):
        for _, keywords, _ in layers:
            if keywords["metadata"]["coreg"]["frame"] == "slide":
                keywords["visible"] = False
    if not layers:
        raise InputError(
            f"{case.folder} names neither slide nor displacement; write in case.toml where they "
            "are."
        )
    return layers


def plane_layers(case: Case) -> tuple[list[LayerData], list[str]]:
    """B-mode, maps, predicted lesion and pathology on the imaging plane, as far as they exist.

    Returns
    -------
    layers, and a sentence for each file that cannot be read: the others are shown all the same
    """
    from coreg.sources.maps import load_maps
    from coreg.sources.outlines import read_outlines
    from coreg.steps.bmode import case_bmode
    from coreg_napari import layers as make

    found: list[LayerData] = []
    troubles: list[str] = []
    try:
        bmode = case_bmode(case)
    except InputError as error:
        bmode = None
        troubles.append(str(error))
    if bmode is not None:
        found.append(make.image_layer(bmode.image, "B-mode", "bmode"))
    predict, agree = case.result("predict"), case.result("agree")
    if predict is not None:
        grid, maps = load_maps(predict.file("change.npz"))
        valid = maps["valid"].astype(bool)
        for key, name in (("baseline_um", "baseline (µm)"), ("final_um", "final (µm)")):
            found.append(make.amplitude_layer(make.trusted(maps[key], valid), grid, name))
        found.append(make.change_layer(make.trusted(maps["change_percent"], valid), grid))
    if agree is not None:
        mapped = read_outlines(agree.file("pathology.geojson"))
        found.append(make.contour_layer(mapped, "plane", "pathology on the plane", "pathology"))
    if predict is not None:
        predicted = read_outlines(predict.file("predicted.geojson"))
        found.append(make.contour_layer(predicted, "plane", "predicted lesion", "predicted"))
    return found, troubles


def section_layers(case: Case) -> list[LayerData]:
    """The slide and all observers' outlines, as far as they exist."""
    from coreg.sources.outlines import read_outlines
    from coreg.steps.slides import open_case_slide
    from coreg_napari import layers as make

    found: list[LayerData] = []
    if case.locate("slide") is not None:
        found.append(make.slide_layer(open_case_slide(case)))
    folder = case.locate("outlines")
    if isinstance(folder, Path) and folder.is_dir():
        for observer, drawn in _by_observer(read_outlines(folder)).items():
            name = f"outlines of {observer}" if observer else "outlines"
            found.append(make.contour_layer(drawn, "slide", name, "drawn"))
    return found


def _by_observer(outlines: list[Any]) -> dict[str, list[Any]]:
    names = sorted({outline.observer for outline in outlines})
    return {name: [o for o in outlines if o.observer == name] for name in names}


def read_recording_file(path: str) -> list[LayerData]:
    """A recording's maps; one named by the case folder that it lies in is read as stated there."""
    import numpy as np

    from coreg.displacement import fit_oscillation
    from coreg.sources.recordings import read_recording
    from coreg_napari import layers as make

    recording = read_recording(_spec(Path(path)))
    rate, frequency = recording.frame_rate_hz, recording.modulation_frequency_hz
    if rate is not None and frequency is not None:
        amplitude = fit_oscillation(recording.data, rate, frequency).amplitude
    else:
        amplitude = np.asarray(recording.data)
    last = amplitude[-1]
    made = [make.amplitude_layer(last, recording.grid, f"{Path(path).stem}: amplitude (µm)")]
    made[0][1]["visible"] = True
    return made


def _spec(path: Path) -> RecordingSpec:
    from coreg.case import CASE_FILE, open_case
    from coreg.sources.recordings import RecordingSpec, list_arrays
    from coreg.steps.predict import recording_spec

    for folder in list(path.parents)[:3]:
        if (folder / CASE_FILE).is_file():
            case = open_case(folder)
            named = case.locate("displacement")
            if isinstance(named, Path) and named.resolve() == path.resolve():
                return recording_spec(case)
    arrays = [array for array in list_arrays(path) if array.readable]
    maps = [array for array in arrays if len(array.shape) in (2, 3, 4) and min(array.shape) > 1]
    if not maps:
        raise InputError(f"{path.name} holds no map of displacement; choose another file.")
    largest = max(maps, key=lambda array: int(_size(array.shape)))
    if len(largest.shape) == 4:
        raise InputError(
            f"{path.name} holds an oscillation ({largest.name!r}, 4 axes), which needs its frame "
            "rate and modulation frequency; make a case for it and open that."
        )
    depth, lateral = (
        next((a.name for a in arrays if a.name.lower().startswith(axis)), "")
        for axis in ("depth", "lateral")
    )
    kind: Any = "final" if len(largest.shape) == 2 else "amplitude-series"
    return RecordingSpec(path, kind, largest.name, depth, lateral)


def _size(shape: tuple[int, ...]) -> int:
    import math

    return math.prod(shape)
