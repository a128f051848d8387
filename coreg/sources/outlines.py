"""Outlines of zones as GeoJSON files in the case folder.

The structure is that of RFC 7946: a FeatureCollection of Polygon and MultiPolygon features. The
coordinates are millimetres in the order [x, y] (column, row), not degrees; y points down on a
slide. Each feature carries the properties ``zone``, ``observer`` and ``made_by``; further
properties are kept in `Outline.extra`. The member ``frame`` beside ``features`` says which plane
the millimetres belong to and is "slide" where absent.
"""

from __future__ import annotations

import difflib
import json
import os
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from coreg.errors import InputError, in_one_line
from coreg.geometry import ZONES, Frame, Outline, same_frame
from coreg.results import write_text

if TYPE_CHECKING:
    from shapely.geometry import Polygon

# What an outline file may hold in each frame.
ZONES_IN_FILES: dict[str, tuple[str, ...]] = {
    "slide": (*ZONES, "tissue"),
    "plane": (*ZONES, "tissue", "predicted lesion"),
}
# Nothing on a slide lies as far as 100 m from its corner.
FARTHEST_MM = 1e5
_OWN_PROPERTIES = ("zone", "observer", "made_by")


def read_outlines(path: str | os.PathLike[str]) -> list[Outline]:
    """Read one GeoJSON file, or every ``*.geojson`` file of a folder in the order of their names.

    A MultiPolygon becomes one `Outline` a piece. Rings may run either way. A ring that crosses
    itself is split where it crosses, all that it winds around is kept, and ``extra["mended"]``
    says so in a sentence.

    Parameters
    ----------
    path : a file or a folder; a folder without outlines gives an empty list

    Returns
    -------
    list of `Outline`, mm, in the frame that the file names ("slide" where it names none)

    Raises
    ------
    InputError
        One sentence that names the file and the feature (counted from 1): unreadable file, wrong
        JSON, unknown zone, an open ring, fewer than 4 positions, a coordinate that is not a
        finite number, a ring without area.
    """
    path = Path(path)
    if not path.is_dir():
        return _read_file(path)
    outlines: list[Outline] = []
    for file in sorted(path.glob("*.geojson")):
        outlines.extend(_read_file(file))
    return outlines


def write_outlines(
    path: str | os.PathLike[str], outlines: Iterable[Outline], *, frame: Frame = "slide"
) -> None:
    """Write outlines to one GeoJSON file, whole or not at all.

    Exterior rings are written anticlockwise and holes clockwise, as RFC 7946 asks, with the
    orientation reckoned on [x, y] as numbers. An outline that crosses itself is written as the
    pieces that it encloses.

    Parameters
    ----------
    path : the file; its folder must exist
    outlines : any number, all in one frame; none gives an empty collection
    frame : the frame of an empty collection; otherwise that of the outlines is written

    Raises
    ------
    FrameError : outlines of both frames
    InputError : a zone that files do not hold, an outline without area, a file that cannot be
        written
    """
    path = Path(path)
    outlines = list(outlines)
    if outlines:
        frame = same_frame(*outlines)
    features: list[dict[str, Any]] = []
    for number, outline in enumerate(outlines, start=1):
        where = f"outline {number} of those for {path.name}"
        _check_zone(outline.zone, frame, where)
        features.extend(_feature(piece) for piece in _whole(outline, where))
    collection = {"type": "FeatureCollection", "frame": frame, "unit": "mm", "features": features}
    text = json.dumps(collection, ensure_ascii=False, allow_nan=False, indent=1)
    write_text(path, text + "\n")


def _read_file(path: Path) -> list[Outline]:
    try:
        document = json.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise InputError(
            f"Cannot read outlines from {path}: {error.strerror or error}; check the path."
        ) from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path} is not text in UTF-8; save it as GeoJSON again.") from error
    except json.JSONDecodeError as error:
        raise InputError(
            f"{path} is not valid JSON at line {error.lineno}, column {error.colno} "
            f"({error.msg}); save it as GeoJSON again."
        ) from error
    except ValueError as error:  # a whole number of thousands of digits
        raise InputError(
            f"{path} holds a number that is too long; save it as GeoJSON again."
        ) from error
    except RecursionError as error:
        raise InputError(f"{path} is nested too deeply for GeoJSON; save it again.") from error
    kind = document.get("type") if isinstance(document, dict) else None
    if kind == "FeatureCollection" and isinstance(document.get("features"), list):
        features = document["features"]
    elif kind == "Feature":
        features = [document]
    else:
        raise InputError(
            f"{path} is JSON but not a GeoJSON FeatureCollection with a list of features; "
            "save the outlines as a FeatureCollection."
        )
    frame = document.get("frame", "slide")
    if not isinstance(frame, str) or frame not in ZONES_IN_FILES:
        raise InputError(f"{path} names the frame {frame!r}; write 'slide' or 'plane'.")
    if document.get("unit", "mm") != "mm":
        raise InputError(
            f"{path} gives coordinates in {document['unit']!r}; outlines are in mm, "
            "so convert them."
        )
    outlines: list[Outline] = []
    for number, feature in enumerate(features, start=1):
        outlines.extend(_read_feature(feature, frame, f"feature {number} of {path}"))
    return outlines


def _read_feature(feature: Any, frame: Any, where: str) -> Iterator[Outline]:
    if not isinstance(feature, dict) or feature.get("type") != "Feature":
        raise InputError(f"Expected a GeoJSON Feature as {where}; save the outlines again.")
    properties = feature.get("properties") or {}
    if not isinstance(properties, dict):
        raise InputError(f"The properties of {where} are not a JSON object; save it again.")
    zone = properties.get("zone", "")
    _check_zone(zone, frame, where)
    for name in ("observer", "made_by"):
        if not isinstance(properties.get(name) or "", str):
            raise InputError(f"The property {name!r} of {where} is not text; put it in quotes.")
    geometry = feature.get("geometry")
    kind = geometry.get("type") if isinstance(geometry, dict) else None
    if not isinstance(geometry, dict) or kind not in ("Polygon", "MultiPolygon"):
        raise InputError(
            f"Expected a Polygon or MultiPolygon as {where}, got {kind}; "
            "draw the zone as a closed outline."
        )
    coordinates = _list(geometry.get("coordinates"), where, "coordinates")
    pieces = [coordinates] if kind == "Polygon" else coordinates
    if not pieces:
        raise InputError(f"There are no coordinates in {where}; draw it again or delete it.")
    for piece in pieces:
        rings = [_read_ring(ring, where) for ring in _list(piece, where, "rings")]
        if not rings:
            raise InputError(f"There are no coordinates in {where}; draw it again or delete it.")
        outline = Outline(
            rings[0],
            frame,
            tuple(rings[1:]),
            zone=zone,
            observer=properties.get("observer") or "",
            made_by=properties.get("made_by") or "",
            extra={k: v for k, v in properties.items() if k not in _OWN_PROPERTIES},
        )
        yield from _whole(outline, where)


def _list(value: Any, where: str, what: str) -> list[Any]:
    if not isinstance(value, list):
        raise InputError(f"The {what} of {where} are not a list; save it as GeoJSON again.")
    return value


def _read_ring(ring: Any, where: str) -> np.ndarray:
    """A closed GeoJSON ring of [x, y] as (n, 2) points in (row, column), last point left out."""
    positions = _list(ring, where, "positions")
    for number, position in enumerate(positions, start=1):
        pair = position[:2] if isinstance(position, list) else []
        if len(pair) != 2 or not all(_is_place(value) for value in pair):
            raise InputError(
                f"Position {number} of a ring in {where} is "
                f"{in_one_line(json.dumps(position), 80)}; give two finite numbers [x, y] in mm."
            )
    if len(positions) < 4:
        raise InputError(
            f"A ring in {where} has {len(positions)} positions; a closed ring needs at least 4, "
            "the last repeating the first."
        )
    if positions[0][:2] != positions[-1][:2]:
        raise InputError(f"A ring in {where} is open; repeat its first position at its end.")
    points = np.array([position[1::-1] for position in positions[:-1]], dtype=np.float64)
    if len(np.unique(points, axis=0)) < 3:
        raise InputError(f"A ring in {where} has fewer than 3 different points; draw it again.")
    return points


def _is_place(value: Any) -> bool:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return number and abs(value) < FARTHEST_MM


def _check_zone(zone: Any, frame: Frame, where: str) -> None:
    known = ZONES_IN_FILES[frame]
    if zone in known:
        return
    close = difflib.get_close_matches(str(zone), known, n=1)
    advice = f"did you mean {close[0]!r}?" if close else f"use one of {', '.join(known)}."
    raise InputError(f"Unknown zone {in_one_line(repr(zone), 80)} in {where}; {advice}")


def _whole(outline: Outline, where: str) -> list[Outline]:
    """`outline` itself where its rings are sound, else the pieces that it encloses."""
    import shapely
    from shapely.geometry import Polygon

    polygon = Polygon(outline.exterior[:, ::-1], [hole[:, ::-1] for hole in outline.holes])
    if polygon.is_valid and polygon.area > 0:
        return [outline]
    reason = shapely.is_valid_reason(polygon).split("[")[0].lower()
    region = shapely.union_all(_enclosed(outline.exterior))
    region = region.difference(
        shapely.union_all([face for hole in outline.holes for face in _enclosed(hole)])
    )
    # Slivers of rounding along a doubled edge are no tissue.
    pieces = [
        part
        for part in shapely.get_parts(region)
        if part.geom_type == "Polygon" and part.area > 1e-9 * max(region.area, 1e-12)
    ]
    if not pieces:
        raise InputError(f"A ring in {where} encloses no area; draw it again or delete it.")
    count = "1 piece" if len(pieces) == 1 else f"{len(pieces)} pieces"
    note = f"{where} was not a simple outline ({reason}); mended into {count}."
    note = note[0].upper() + note[1:]
    return [
        replace(
            outline,
            exterior=np.asarray(piece.exterior.coords)[:, 1::-1],
            holes=tuple(np.asarray(ring.coords)[:, 1::-1] for ring in piece.interiors),
            extra={**outline.extra, "mended": note},
        )
        for piece in pieces
    ]


def _enclosed(ring: np.ndarray) -> list[Polygon]:
    """The faces that a ring (row, column) winds around, also where it crosses itself."""
    import shapely
    from shapely.geometry import LineString
    from shapely.ops import polygonize

    closed = np.vstack([ring, ring[:1]])[:, ::-1]
    faces = polygonize(shapely.unary_union(LineString(closed)))
    return [face for face in faces if _winding(closed, face.representative_point().coords[0])]


def _winding(closed: np.ndarray, point: tuple[float, ...]) -> int:
    """How often a closed (n, 2) line goes around a point that does not lie on it."""
    from_point = closed - np.asarray(point[:2])
    angle = np.arctan2(from_point[:, 1], from_point[:, 0])
    step = (np.diff(angle) + np.pi) % (2 * np.pi) - np.pi
    return round(float(step.sum()) / (2 * np.pi))


def _feature(outline: Outline) -> dict[str, Any]:
    rings = [_ring(outline.exterior, anticlockwise=True)]
    rings += [_ring(hole, anticlockwise=False) for hole in outline.holes]
    properties = {
        **outline.extra,
        "zone": outline.zone,
        "observer": outline.observer,
        "made_by": outline.made_by,
    }
    return {
        "type": "Feature",
        "properties": properties,
        "geometry": {"type": "Polygon", "coordinates": rings},
    }


def _ring(points: np.ndarray, *, anticlockwise: bool) -> list[list[float]]:
    x, y = points[:, 1], points[:, 0]
    doubled_area = float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    ordered = points if (doubled_area > 0) == anticlockwise else points[::-1]
    closed = np.vstack([ordered, ordered[:1]])
    return [[float(column), float(row)] for row, column in closed]
