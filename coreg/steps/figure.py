"""Figure: gather the results of the earlier steps and draw the pathology figure."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from coreg.case import Case, Progress
from coreg.figure import (
    Course,
    FigureData,
    Layout,
    ThresholdCurve,
    draw,
    legend,
    save,
    write_numbers,
)
from coreg.geometry import Image
from coreg.results import read_json, write_text
from coreg.steps import need
from coreg.steps.agree import Sides, read_sides
from coreg.steps.bmode import case_bmode


def seed(case: Case) -> int | None:
    """Nothing here is random."""
    return None


def run(case: Case, folder: Path, progress: Progress) -> dict[str, Any]:
    """Write figure.pdf and figure.png, its legend, and the numbers behind it as CSV."""
    progress(0.1, "Gathering the panels")
    data = figure_data(case)
    settings = case.settings["figure"]
    progress(0.5, "Drawing")
    layout = Layout.from_settings(settings)
    formats = ("pdf", "png", *settings["more_formats"])
    paths = save(draw(data, layout), folder, formats, settings["dpi"])
    write_text(folder / "figure-legend.txt", legend(data, layout) + "\n")
    paths += [folder / "figure-legend.txt", *write_numbers(data, folder)]
    return {
        "files": [path.name for path in paths],
        "width_mm": settings["width_mm"],
        "panels": [panel.title for panel in layout.chosen(data)],
    }


def figure_data(case: Case) -> FigureData:
    """What the finished steps offer to the figure."""
    from coreg.sources.maps import load_maps
    from coreg.sources.outlines import read_outlines
    from coreg.sources.slides import resample_slide
    from coreg.steps.slides import open_case_slide

    sides = read_sides(case)
    agree = need(case, "agree")
    spacing = case.settings["figure"]["section_um"] / 1000
    with open_case_slide(case) as slide:
        section = slide.image(max(spacing, *slide.pixel_size))
        target = sides.grid.with_spacing(max(spacing, 0.05))
        on_plane = resample_slide(slide, sides.alignment.transform, target)
    focus = case.settings["predict"]["focus_mm"]
    bmode = case_bmode(case)
    quality_grid, quality = load_maps(need(case, "align").file("quality.npz"))
    return FigureData(
        name=case.name,
        bmode=None if bmode is None else bmode.image,
        baseline=_trusted(sides, "baseline_um"),
        final=_trusted(sides, "final_um"),
        change_percent=_trusted(sides, "change_percent"),
        valid=sides.valid,
        predicted=tuple(sides.predicted),
        section=section,
        section_outlines=tuple(sides.zones),
        section_on_plane=on_plane,
        pathology=tuple(read_outlines(agree.file("pathology.geojson"))),
        error_mm=Image(quality["expected_error_mm"], quality_grid),
        agreement=agree.summary["zones"],
        course=_course(case),
        threshold_curves=threshold_curves(case),
        focus_mm=None if focus is None else (focus[0], focus[1]),
    )


def _trusted(sides: Sides, name: str) -> Image:
    """A map without the pixels whose estimate is not to be trusted."""
    return Image(np.where(sides.maps["valid"], sides.maps[name], np.nan), sides.grid)


def _course(case: Case) -> Course | None:
    followed = need(case, "predict").summary["course"]
    if followed is None:
        return None

    def column(name: str) -> np.ndarray:
        return np.array(followed[name], dtype=np.float64)  # null, where nothing is known, to NaN

    return Course(
        column("times_s"),
        column("mean_percent"),
        column("deviation_percent"),
        column("area_mm2"),
    )


def threshold_curves(case: Case) -> tuple[ThresholdCurve, ...]:
    """Dice over the threshold for each pathology lesion, as the step agree stored it."""
    stored = read_json(need(case, "agree").file("threshold.json"))
    used = need(case, "predict").summary["threshold_percent"]
    steps = np.array(stored["thresholds_percent"], dtype=np.float64)
    return tuple(
        ThresholdCurve(name, steps, np.array(curve["dice"], dtype=np.float64), used_percent=used)
        for name, curve in stored["zones"].items()
    )
