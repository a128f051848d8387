"""Reading the B-mode image that a case names."""

from __future__ import annotations

from typing import TYPE_CHECKING

from coreg.case import Case

if TYPE_CHECKING:
    from coreg.sources.bmode import BMode


def case_bmode(case: Case, frame: int = 0) -> BMode | None:
    """A frame of the case's B-mode in plane mm; None where the case names none."""
    if case.locate("bmode") is None:
        return None
    from coreg.sources.bmode import read_bmode

    settings = case.settings["bmode"]
    size, origin = settings["pixel_size_mm"], settings["origin_mm"]
    return read_bmode(
        case.require("bmode"),
        array=settings["array"],
        frame=frame,
        depth=settings["depth"],
        lateral=settings["lateral"],
        axis_unit=settings["axis_unit"],
        pixel_size_mm=None if size is None else (size[0], size[1]),
        origin_mm=None if origin is None else (origin[0], origin[1]),
    )
