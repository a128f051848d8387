"""npe2 writers: outlines as GeoJSON in mm, zones (a label map) as the outlines of its labels."""

from __future__ import annotations

from typing import Any

from coreg.errors import InputError
from coreg.geometry import ZONES, Frame, Grid, Outline


def write_outlines_file(path: str, data: Any, meta: dict[str, Any]) -> list[str]:
    """Write a Shapes layer to GeoJSON; its zones are those in the layer's features."""
    from coreg.sources.outlines import write_outlines
    from coreg_napari.layers import layer_outlines

    frame = _frame(meta)
    drawn = layer_outlines(data, meta.get("features", {}), frame)
    write_outlines(path, [_mapped(outline, meta) for outline in drawn], frame=frame)
    return [path]


def write_zones_file(path: str, data: Any, meta: dict[str, Any]) -> list[str]:
    """Write a Labels layer in the numbers of `coreg.geometry.ZONES` to GeoJSON."""
    import numpy as np

    from coreg.sources.outlines import write_outlines
    from coreg.zones.edit import from_labels

    labels = np.asarray(data)
    unknown = sorted(set(np.unique(labels).tolist()) - {0, *ZONES.values()})
    if unknown:
        known = ", ".join(f"{number} {zone}" for zone, number in ZONES.items())
        raise InputError(f"The label {unknown[0]} is no zone; use {known}.")
    frame = _frame(meta)
    scale, translate = _scale(meta), _translate(meta)
    grid = Grid(labels.shape, scale, translate, frame)
    write_outlines(
        path,
        from_labels(labels.astype(np.uint8), grid, made_by="painted"),
        frame=frame,
    )
    return [path]


def _frame(meta: dict[str, Any]) -> Frame:
    return meta.get("metadata", {}).get("coreg", {}).get("frame", "slide")


def _scale(meta: dict[str, Any]) -> tuple[float, float]:
    _in_mm(meta)
    scale = meta["scale"]
    return float(scale[-2]), float(scale[-1])


def _translate(meta: dict[str, Any]) -> tuple[float, float]:
    translate = meta["translate"]
    return float(translate[-2]), float(translate[-1])


def _mapped(outline: Outline, meta: dict[str, Any]) -> Outline:
    scale, translate = _scale(meta), _translate(meta)
    return outline.map(lambda points: points * scale + translate, outline.frame)


def _in_mm(meta: dict[str, Any]) -> None:
    units = [str(unit) for unit in meta.get("units") or ()][-2:]
    if units != ["millimeter", "millimeter"]:
        raise InputError(
            f"The layer {meta.get('name', '')!r} is in {' × '.join(units) or 'pixels'}, not in mm; "
            "draw on a layer of the coreg panel, or set the layer's scale and units."
        )
