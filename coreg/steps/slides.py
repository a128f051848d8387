"""Opening the slide that a case names."""

from __future__ import annotations

from typing import TYPE_CHECKING

from coreg.case import Case

if TYPE_CHECKING:
    from coreg.sources.slides import Slide


def open_case_slide(case: Case) -> Slide:
    """Open the case's slide, with the pixel size that case.toml gives where it gives one."""
    from coreg.sources.slides import open_slide

    given = case.settings["slide"]["pixel_size_um"]
    return open_slide(case.require("slide"), tuple(given) if given else None)
