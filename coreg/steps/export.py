"""Export: section, zones and maps on the imaging plane as tiled OME-TIFF, for other programs."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from coreg.case import Case, Progress
from coreg.errors import InputError
from coreg.geometry import ZONES, Grid, Image, Outline, mask_from_outlines
from coreg.steps import need
from coreg.steps.agree import read_sides


def export_case(
    case: Case, *, spacing_um: float = 10.0, progress: Progress | None = None
) -> list[Path]:
    """Write the finished case's images into results/export.

    section.ome.tif (RGB, mapped to the plane), zones.ome.tif (numbers of `ZONES`) and
    predicted.ome.tif (mask), all of `spacing_um` per pixel; change.ome.tif (float32, per cent)
    on its own pixels.

    Raises
    ------
    InputError : a step up to agree is to do, or the pixel size is not above 0
    """
    from coreg.sources.outlines import read_outlines
    from coreg.sources.slides import resample_slide, write_ome_tiff
    from coreg.steps.slides import open_case_slide

    if not spacing_um > 0:
        raise InputError(f"Expected a pixel size above 0 µm, got {spacing_um:g}.")
    sides = read_sides(case)
    pathology = read_outlines(need(case, "agree").file("pathology.geojson"))
    grid = sides.grid.with_spacing(spacing_um / 1000)
    folder = case.results.folder / "export"
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"{folder} cannot be made ({error.strerror}); choose a folder you may write to."
        ) from error
    with open_case_slide(case) as slide:
        section = resample_slide(slide, sides.alignment.transform, grid, progress=progress)
    labels = {name: number for name, number in ZONES.items() if name != "viable"}
    change = Image(sides.maps["change_percent"].astype(np.float32), sides.grid)
    predicted = Image(mask_from_outlines(sides.predicted, grid), grid)
    return [
        write_ome_tiff(folder / "section.ome.tif", section),
        write_ome_tiff(folder / "zones.ome.tif", _labels(pathology, grid), labels=labels),
        write_ome_tiff(folder / "predicted.ome.tif", predicted),
        write_ome_tiff(folder / "change.ome.tif", change),
    ]


def _labels(pathology: list[Outline], grid: Grid) -> Image:
    """Zones as numbers; of nested zones the inner one counts."""
    labels = np.zeros(grid.shape, dtype=np.uint8)
    for name in ("tumour", "diffusion-damaged", "ablated", "artefact"):
        labels[mask_from_outlines([o for o in pathology if o.zone == name], grid)] = ZONES[name]
    return Image(labels, grid)
