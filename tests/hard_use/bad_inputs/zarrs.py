"""Slides as OME-Zarr, and slides at an address."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from hard_use.bad_inputs.slides import SLIDE, use
from hard_use.bad_inputs.table import Arguments, bad, setting
from hard_use.small_case import slide_pixels


@bad(
    SLIDE,
    "an OME-Zarr without its metadata",
    'is a zarr without an OME-Zarr image; point at the group that holds "multiscales".',
)
def zarr_without_metadata(case: Path) -> Arguments:
    place = use(case, "slide.zarr")
    place.mkdir()
    (place / "zarr.json").write_text('{"zarr_format": 3, "node_type": "group"}', encoding="utf-8")
    return "outline", case


@bad(
    SLIDE,
    "an OME-Zarr whose metadata is not JSON",
    "cannot be read as OME-Zarr … ; export the slide again.",
)
def zarr_not_json(case: Path) -> Arguments:
    place = use(case, "slide.zarr")
    place.mkdir()
    (place / "zarr.json").write_text("{", encoding="utf-8")
    return "outline", case


def zarr(place: Path, path: str = "0") -> Path:
    """A small OME-Zarr (NGFF 0.5) whose one level is named as one likes; where its chunk lies."""
    import zarr as library

    group = library.open_group(str(place), mode="w", zarr_format=3)
    pixels = np.moveaxis(slide_pixels(), -1, 0)
    array = group.create_array("0", shape=pixels.shape, chunks=pixels.shape, dtype="uint8")
    array[:] = pixels
    scale = [{"type": "scale", "scale": [1, 40, 40]}]
    axes: list[dict[str, str]] = [{"name": "c", "type": "channel"}]
    axes += [{"name": n, "type": "space", "unit": "micrometer"} for n in ("y", "x")]
    level = {"path": path, "coordinateTransformations": scale}
    group.attrs["ome"] = {"version": "0.5", "multiscales": [{"axes": axes, "datasets": [level]}]}
    return place / "0" / "c" / "0" / "0" / "0"


@bad(
    SLIDE,
    "an OME-Zarr with a damaged chunk",
    ": tile … of level 0 is damaged … ; export the slide again.",
)
def zarr_damaged(case: Path) -> Arguments:
    zarr(use(case, "slide.zarr")).write_bytes(b"\x28\xb5\x2f\xfd damaged")
    return "outline", case


@bad(
    SLIDE,
    "an OME-Zarr that points out of its own folder",
    "cannot be read as OME-Zarr … ; export the slide again.",
)
def zarr_points_out(case: Path) -> Arguments:
    zarr(case / "other.zarr")
    zarr(use(case, "slide.zarr"), "../other.zarr/0")
    return "outline", case


@bad(
    SLIDE,
    "an address that does not answer",
    (
        "http://127.0.0.1:9/slide.tif stopped answering: Cannot connect to host 127.0.0.1:9 "
        "ssl:default [Connect call failed … ]; try again."
    ),
)
def slide_no_answer(case: Path) -> Arguments:
    setting(case, "slide", path='"http://127.0.0.1:9/slide.tif"')
    return "outline", case


@bad(
    SLIDE,
    "an address of an unknown kind",
    "Addresses that begin with gopher2:// are not known; use https:// or s3://.",
)
def slide_unknown_address(case: Path) -> Arguments:
    setting(case, "slide", path='"gopher2://example.org/slide.tif"')
    return "outline", case
