"""Outlines."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from hard_use.bad_inputs.table import Arguments, bad, setting
from hard_use.small_case import feature, outlines, ring

PART = "Outlines"
SQUARE = [[3, 3], [6, 3], [6, 6], [3, 6], [3, 3]]


def write(case: Path, content: Any) -> Arguments:
    """Write the outlines, a collection or text or bytes, and ask for the zones."""
    path = case / "outlines" / "first.geojson"
    if isinstance(content, bytes):
        path.write_bytes(content)
    else:
        text = content if isinstance(content, str) else json.dumps(content)
        path.write_text(text, encoding="utf-8")
    return "outline", case


def of(*features: Any, **members: Any) -> dict[str, Any]:
    """A collection of features."""
    return {"type": "FeatureCollection", "features": list(features), **members}


@bad(
    PART,
    "none drawn",
    (
        "holds no outline of an ablated or diffusion-damaged zone; draw one, or set "
        '[outlines] source = "proposal" in case.toml.'
    ),
)
def none_drawn(case: Path) -> Arguments:
    (case / "outlines" / "first.geojson").unlink()
    return "outline", case


@bad(
    PART,
    "none of a lesion",
    (
        "holds no outline of an ablated or diffusion-damaged zone; draw one, or set "
        '[outlines] source = "proposal" in case.toml.'
    ),
)
def no_lesion(case: Path) -> Arguments:
    return write(case, of(feature("tumour", [SQUARE])))


@bad(PART, "an empty file", "is not valid JSON at line 1, column 1 … ; save it as GeoJSON again.")
def empty(case: Path) -> Arguments:
    return write(case, "")


@bad(
    PART,
    "cut in the middle",
    "is not valid JSON at line 1, column 1066 … ; save it as GeoJSON again.",
)
def cut_short(case: Path) -> Arguments:
    text = json.dumps(outlines())
    return write(case, text[: len(text) // 2])


@bad(
    PART,
    "JSON that is no GeoJSON",
    (
        "is JSON but not a GeoJSON FeatureCollection with a list of features; save the "
        "outlines as a FeatureCollection."
    ),
)
def other_json(case: Path) -> Arguments:
    return write(case, [1, 2, 3])


@bad(PART, "nested a hundred thousand deep", "is nested too deeply for GeoJSON; save it again.")
def nested(case: Path) -> Arguments:
    return write(case, "[" * 100_000)


@bad(PART, "saved as UTF-16", "is not text in UTF-8; save it as GeoJSON again.")
def wide(case: Path) -> Arguments:
    return write(case, json.dumps(outlines()).encode("utf-16"))


@bad(
    PART,
    "a ring that is open",
    "A ring in feature 1 of … is open; repeat its first position at its end.",
)
def open_ring(case: Path) -> Arguments:
    return write(case, of(feature("ablated", [SQUARE[:-1]])))


@bad(
    PART,
    "a ring of two points",
    (
        "A ring in feature 1 of … has 3 positions; a closed ring needs at least 4, the last "
        "repeating the first."
    ),
)
def two_points(case: Path) -> Arguments:
    return write(case, of(feature("ablated", [[[3, 3], [6, 6], [3, 3]]])))


@bad(
    PART,
    "a ring without area",
    "A ring in feature 1 of … encloses no area; draw it again or delete it.",
)
def no_area(case: Path) -> Arguments:
    return write(case, of(feature("ablated", [[[3, 3], [6, 6], [9, 9], [3, 3]]])))


@bad(
    PART,
    "a ring that crosses itself",
    "was not a simple outline … mended into 2 pieces.",
    code=0,
    on="stdout",
)
def crosses_itself(case: Path) -> Arguments:
    write(case, of(feature("ablated", [[[3, 3], [6, 6], [6, 3], [3, 6], [3, 3]]])))
    return "check", case


@bad(
    PART,
    "wholly off the slide",
    (
        "An outline of 'ablated' by first lies wholly off the slide (y 0 to 12 mm, x 0 to "
        "9.6 mm); outlines are in slide millimetres, x before y."
    ),
)
def off_slide(case: Path) -> Arguments:
    return write(case, of(feature("ablated", [ring((500.0, 500.0), 2.0)])))


@bad(
    PART,
    "coordinates in degrees of latitude, words",
    ('Position 1 of a ring in feature 1 of … is ["3 N", 3]; give two finite numbers [x, y] in mm.'),
)
def words(case: Path) -> Arguments:
    return write(case, of(feature("ablated", [[["3 N", 3], [6, 3], [6, 6], ["3 N", 3]]])))


@bad(
    PART,
    "a coordinate of NaN",
    ("Position 2 of a ring in feature 1 of … is [NaN, 3]; give two finite numbers [x, y] in mm."),
)
def nan(case: Path) -> Arguments:
    return write(case, json.dumps(of(feature("ablated", [SQUARE]))).replace("6", "NaN"))


@bad(
    PART,
    "a coordinate of 1e999",
    (
        "Position 2 of a ring in feature 1 of … is [Infinity, 3]; give two finite numbers "
        "[x, y] in mm."
    ),
)
def infinite(case: Path) -> Arguments:
    return write(case, json.dumps(of(feature("ablated", [SQUARE]))).replace("6", "1e999"))


@bad(
    PART,
    "a coordinate of 10,000 digits",
    "holds a number that is too long; save it as GeoJSON again.",
)
def long_number(case: Path) -> Arguments:
    return write(case, json.dumps(of(feature("ablated", [SQUARE]))).replace("6", "6" * 10_000))


@bad(
    PART,
    "coordinates of 1e200 mm",
    (
        "Position 1 of a ring in feature 1 of … is [3e+200, 3e+200]; give two finite "
        "numbers [x, y] in mm."
    ),
)
def far_away(case: Path) -> Arguments:
    far = [[x * 1e200, y * 1e200] for x, y in SQUARE]
    return write(case, of(feature("ablated", [far]), feature("ablated", [SQUARE], observer="b")))


@bad(PART, "an unknown zone", "Unknown zone 'ablatd' in feature 1 of … ; did you mean 'ablated'?")
def unknown_zone(case: Path) -> Arguments:
    return write(case, of(feature("ablatd", [SQUARE])))


@bad(
    PART,
    "a zone that is a list",
    "Unknown zone ['ablated'] in feature 1 of … ; did you mean 'ablated'?",
)
def zone_is_list(case: Path) -> Arguments:
    return write(case, of(feature(["ablated"], [SQUARE])))  # type: ignore[arg-type]


@bad(
    PART,
    "a line in place of a polygon",
    (
        "Expected a Polygon or MultiPolygon as feature 1 of … , got LineString; draw the "
        "zone as a closed outline."
    ),
)
def line(case: Path) -> Arguments:
    drawn = feature("ablated", [SQUARE])
    drawn["geometry"] = {"type": "LineString", "coordinates": SQUARE}
    return write(case, of(drawn))


@bad(
    PART,
    "a feature without geometry",
    (
        "Expected a Polygon or MultiPolygon as feature 1 of … , got None; draw the zone as "
        "a closed outline."
    ),
)
def no_geometry(case: Path) -> Arguments:
    drawn = feature("ablated", [SQUARE])
    drawn["geometry"] = None
    return write(case, of(drawn))


@bad(
    PART,
    "coordinates in pixels, as the file says",
    "gives coordinates in 'px'; outlines are in mm, so convert them.",
)
def pixels(case: Path) -> Arguments:
    return write(case, of(feature("ablated", [SQUARE]), unit="px"))


@bad(PART, "a frame that is none", "names the frame ['slide']; write 'slide' or 'plane'.")
def no_frame(case: Path) -> Arguments:
    return write(case, of(feature("ablated", [SQUARE]), frame=["slide"]))


@bad(
    PART,
    "a folder with the name of a file",
    "Cannot read outlines from … : Is a directory; check the path.",
)
def folder(case: Path) -> Arguments:
    (case / "outlines" / "second.geojson").mkdir()
    return "outline", case


@bad(
    PART, "a link to itself", "cannot be read … ; check that it is there and that you may read it."
)
def loop(case: Path) -> Arguments:
    (case / "outlines" / "second.geojson").symlink_to("second.geojson")
    return "outline", case


@bad(PART, "a trained model that is not there", "is not there; correct [outlines] model in")
def no_model(case: Path) -> Arguments:
    setting(case, "slide", pixel_size_um="[10.0, 10.0]")
    setting(case, "outlines", source='"model"', model='"model.json"')
    return "outline", case


@bad(
    PART,
    "a trained model that is something else",
    "is not a zone model of this version; train and save it again.",
)
def other_model(case: Path) -> Arguments:
    (case / "model.json").write_text('{"format": 1}', encoding="utf-8")
    setting(case, "slide", pixel_size_um="[10.0, 10.0]")
    setting(case, "outlines", source='"model"', model='"model.json"')
    return "outline", case


@bad(
    PART,
    "zones from a model, and none named",
    ": [outlines] model is not given; write there which file it is.",
)
def model_not_named(case: Path) -> Arguments:
    setting(case, "slide", pixel_size_um="[10.0, 10.0]")
    setting(case, "outlines", source='"model"')
    return "outline", case
