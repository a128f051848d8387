"""Results of coreg as napari layers and back: pure functions, no window, no Qt.

A layer is the tuple that napari's readers give: (data, keywords, kind). Every layer is in mm along
both axes and carries where it belongs in ``metadata["coreg"]``: frame "plane" or "slide", and role.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from coreg.errors import InputError
from coreg.geometry import ZONES, Frame, Grid, Image, Outline
from coreg_napari.colours import OVERLAP_COLOURS, ZONE_COLOURS, zone_colour

if TYPE_CHECKING:
    from napari.layers import Layer

    from coreg.landmark_pairs import LandmarkPairs
    from coreg.sources.slides import Slide

LayerData = tuple[Any, dict[str, Any], str]
AXES: dict[Frame, tuple[str, str]] = {"plane": ("depth", "lateral"), "slide": ("y", "x")}
UNITS = ("mm", "mm")
# Columns of a Shapes layer that hold what an outline is besides its ring.
COLUMNS = ("zone", "observer", "made_by", "ring", "piece", "extra")


# --- where a layer is ----------------------------------------------------------------------


def world(grid: Grid) -> dict[str, Any]:
    """Keywords that put an array on a grid at its place in mm.

    napari's world origin is the centre of pixel (0, 0), as is ours.
    """
    return {
        "scale": grid.spacing,
        "translate": grid.origin,
        "units": UNITS,
        "axis_labels": AXES[grid.frame],
    }


def vectors_world(frame: Frame) -> dict[str, Any]:
    """Keywords for points and outlines, whose coordinates are mm already."""
    return {"scale": (1.0, 1.0), "units": UNITS, "axis_labels": AXES[frame]}


def tagged(frame: Frame, role: str, **more: Any) -> dict[str, Any]:
    """Metadata by which the panel finds a layer again."""
    return {"coreg": {"frame": frame, "role": role, **more}}


def tag(layer: Layer) -> dict[str, Any]:
    """What `tagged` wrote; {} for a layer that is not ours."""
    return layer.metadata.get("coreg", {})


def in_mm(layer: Layer) -> bool:
    """Whether a layer's last two axes are in mm; one that is not switches units off for all."""
    return [str(unit) for unit in layer.units][-2:] == ["millimeter", "millimeter"]


# --- pixels --------------------------------------------------------------------------------


def image_layer(image: Image, name: str, role: str, **more: Any) -> LayerData:
    """A grey image from its 1st to its 99th percentile, or an RGB image."""
    rgb = image.data.ndim == 3
    kind: dict[str, Any] = {"rgb": rgb}
    if not rgb:
        kind.update(colormap="gray", contrast_limits=percentiles(image.data, 1, 99))
    return (
        image.data,
        {
            "name": name,
            **world(image.grid),
            **kind,
            "metadata": tagged(image.frame, role),
            **more,
        },
        "image",
    )


def slide_layer(slide: Slide, name: str = "section", **more: Any) -> LayerData:
    """A whole slide as lazy levels: only what is shown is read."""
    return (
        slide.multiscale(),
        {
            "name": name,
            **world(slide.levels[0].grid),
            "rgb": True,
            "multiscale": True,
            "metadata": tagged("slide", "section", source=slide.source),
            **more,
        },
        "image",
    )


def change_layer(percent: np.ndarray, grid: Grid, name: str = "change (%)") -> LayerData:
    """A map of relative change: blue is stiffer, brown softer; no change is transparent.

    The scale is fixed at ±100 %: amplitude cannot fall by more, and maps stay comparable.
    """
    return (
        percent,
        {
            "name": name,
            **world(grid),
            "colormap": _change_colormap(),
            "contrast_limits": (-100.0, 100.0),
            "metadata": tagged("plane", "change"),
        },
        "image",
    )


def amplitude_layer(um: np.ndarray, grid: Grid, name: str) -> LayerData:
    """A map of the peak-to-peak amplitude in µm."""
    return (
        um,
        {
            "name": name,
            **world(grid),
            "colormap": "viridis",
            "contrast_limits": (0.0, max(percentiles(um, 1, 99)[1], 1e-6)),
            "visible": False,
            "metadata": tagged("plane", "amplitude"),
        },
        "image",
    )


def error_layer(mm: np.ndarray, grid: Grid, name: str = "alignment error (mm)") -> LayerData:
    """A map of the alignment's expected error in mm."""
    return (
        mm,
        {
            "name": name,
            **world(grid),
            "colormap": "cividis",
            "contrast_limits": (0.0, max(percentiles(mm, 1, 99)[1], 1e-6)),
            "opacity": 0.7,
            "metadata": tagged("plane", "error"),
        },
        "image",
    )


def overlap_layer(predicted: np.ndarray, pathology: np.ndarray, grid: Grid) -> LayerData:
    """Where predicted lesion and pathology agree: 1 both, 2 predicted only, 3 pathology only."""
    labels = np.zeros(grid.shape, dtype=np.uint8)
    labels[predicted & pathology] = 1
    labels[predicted & ~pathology] = 2
    labels[~predicted & pathology] = 3
    colours = ["#00000000", *(OVERLAP_COLOURS[number] for number in (1, 2, 3))]
    # An image and not napari's labels, which take several times as long to show.
    return (
        labels,
        {
            "name": "overlap",
            **world(grid),
            "colormap": {
                "name": "overlap",
                "colors": colours,
                "interpolation": "zero",
                "controls": [0.0, 0.25, 0.5, 0.75, 1.0],
            },
            "contrast_limits": (0, 3),
            "interpolation2d": "nearest",
            "opacity": 0.6,
            "metadata": tagged(grid.frame, "overlap"),
        },
        "image",
    )


def labels_layer(
    labels: np.ndarray,
    grid: Grid,
    name: str,
    role: str,
    colours: dict[int, str] | None = None,
    **more: Any,
) -> LayerData:
    """A label map; by default in the zones' colours and numbers."""
    chosen = colours or {number: ZONE_COLOURS[zone] for zone, number in ZONES.items()}
    return (
        labels,
        {
            "name": name,
            **world(grid),
            "colormap": {None: "#00000000", 0: "#00000000", **chosen},
            "metadata": tagged(grid.frame, role),
            **more,
        },
        "labels",
    )


def trusted(values: np.ndarray, valid: np.ndarray) -> np.ndarray:
    """A map, or maps over time, with NaN where the estimate is not to be trusted."""
    return np.where(valid, values, np.float32(np.nan))


def percentiles(values: np.ndarray, low: float, high: float) -> tuple[float, float]:
    """Two percentiles of the finite values; (0, 1) where there are none, never equal."""
    finite = values[np.isfinite(values)]
    if not finite.size:
        return 0.0, 1.0
    bottom, top = np.percentile(finite, [low, high])
    return float(bottom), float(top if top > bottom else bottom + 1.0)


def _change_colormap() -> Any:
    """coreg's colours of change, the more transparent the smaller the change."""
    from napari.utils import Colormap

    from coreg.figure.style import change_map

    position = np.linspace(0, 1, 256)
    colours = change_map()(position)
    colours[:, 3] = np.clip(2.5 * np.abs(2 * position - 1), 0, 0.85)
    return Colormap(colours, name="coreg-change", nan_color="transparent")


# --- outlines ------------------------------------------------------------------------------


def outline_layer(
    outlines: Sequence[Outline], frame: Frame, name: str, role: str, width: float = 0.1
) -> LayerData:
    """Outlines to edit: one polygon a ring; a hole is a polygon of its own, tied by its piece."""
    rings, table = _rings(outlines)
    return (
        rings,
        {
            "name": name,
            **vectors_world(frame),
            "shape_type": "polygon",
            "edge_width": width,
            "edge_color": [zone_colour(zone) for zone in table["zone"]] or "white",
            "face_color": "transparent",
            "features": table,
            "ndim": 2,
            "metadata": tagged(frame, role),
        },
        "shapes",
    )


def contour_layer(
    outlines: Sequence[Outline], frame: Frame, name: str, role: str, width: float = 0.2
) -> LayerData:
    """Outlines to look at: closed paths, which napari draws quickly however many points."""
    rings, table = _rings(outlines)
    return (
        [np.vstack([ring, ring[:1]]) for ring in rings],
        {
            "name": name,
            **vectors_world(frame),
            "shape_type": "path",
            "edge_width": width,
            "edge_color": [zone_colour(zone) for zone in table["zone"]] or "white",
            "face_color": "transparent",
            "features": table,
            "ndim": 2,
            "metadata": tagged(frame, role),
        },
        "shapes",
    )


def _rings(outlines: Sequence[Outline]) -> tuple[list[np.ndarray], dict[str, np.ndarray]]:
    rings: list[np.ndarray] = []
    table: dict[str, list[Any]] = {column: [] for column in COLUMNS}
    for piece, outline in enumerate(outlines):
        for kind, ring in [("outer", outline.exterior), *(("hole", h) for h in outline.holes)]:
            rings.append(ring)
            row = (outline.zone, outline.observer, outline.made_by, kind, piece)
            extra = json.dumps(outline.extra) if outline.extra else ""
            for column, value in zip(COLUMNS, (*row, extra), strict=True):
                table[column].append(value)
    # As objects, so that a layer without outlines does not take its columns for numbers.
    return rings, {column: np.array(values, dtype=object) for column, values in table.items()}


def layer_outlines(data: Sequence[Any], features: Any, frame: Frame) -> list[Outline]:
    """The outlines that a Shapes layer of `outline_layer` shows, after whatever editing.

    Parameters
    ----------
    data : rings in mm, (n, 2) each
    features : table with the columns `COLUMNS`, one row a ring

    Rings of fewer than 3 points are left out (a shape still being drawn). A hole belongs to the
    outer ring of its piece, or, where it has none, to the smallest outer ring that holds it.
    """
    import shapely

    rows = [dict(zip(COLUMNS, row, strict=True)) for row in _rows(features, len(data))]
    rings = [np.asarray(ring, dtype=np.float64)[:, -2:] for ring in data]
    usable = [i for i, ring in enumerate(rings) if len(np.unique(ring, axis=0)) >= 3]
    outer = [i for i in usable if rows[i]["ring"] != "hole"]
    holes: dict[int, list[np.ndarray]] = {i: [] for i in outer}
    shapes = {i: shapely.make_valid(shapely.Polygon(rings[i])) for i in outer}
    for i in (i for i in usable if rows[i]["ring"] == "hole"):
        owners = [j for j in outer if rows[j]["piece"] == rows[i]["piece"]]
        inside = shapely.make_valid(shapely.Polygon(rings[i])).representative_point()
        around = sorted((j for j in outer if shapes[j].contains(inside)), key=_area(shapes))
        owner = next((j for j in owners if j in around), around[0] if around else None)
        if owner is not None:
            holes[owner].append(rings[i])
    return [
        Outline(
            rings[i],
            frame,
            tuple(holes[i]),
            zone=rows[i]["zone"],
            observer=rows[i]["observer"],
            made_by=rows[i]["made_by"],
            extra=json.loads(rows[i]["extra"]) if rows[i]["extra"] else {},
        )
        for i in outer
    ]


def _area(shapes: dict[int, Any]) -> Any:
    return lambda i: shapes[i].area


def _rows(features: Any, count: int) -> Iterable[tuple[Any, ...]]:
    columns = []
    for column in COLUMNS:
        if column in features:
            columns.append(["" if _missing(v) else v for v in list(features[column])])
        else:
            columns.append(["outer" if column == "ring" else ""] * count)
    if any(len(column) != count for column in columns):
        raise InputError(f"Expected {count} rows beside {count} outlines, got {len(columns[0])}.")
    return zip(*columns, strict=True)


def _missing(value: Any) -> bool:
    return value is None or (isinstance(value, float) and np.isnan(value))


# --- landmarks -----------------------------------------------------------------------------


def landmark_layer(pairs: LandmarkPairs, frame: Frame, size: float = 1.0) -> LayerData:
    """One side of landmark pairs as named points."""
    points = pairs.plane if frame == "plane" else pairs.slide
    return (
        np.array(points),
        {
            "name": "landmarks",
            **vectors_world(frame),
            "features": {"name": list(pairs.names), "observer": list(pairs.observers)},
            "text": {"string": "{name}", "color": "white", "size": 10, "anchor": "upper_left"},
            "size": size,
            "ndim": 2,
            "metadata": tagged(frame, "landmarks"),
        },
        "points",
    )
