"""Export: section, zones and maps on the imaging plane as tiled OME-TIFF, for other programs."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from coreg.case import Case, Progress
from coreg.errors import InputError, UsageError
from coreg.geometry import ZONES, Grid, Image, Outline, mask_from_outlines
from coreg.results import refuse_leading_out
from coreg.steps import need
from coreg.steps.agree import read_sides

if TYPE_CHECKING:
    from coreg.stain import StainProfile

WHITE = 255  # where the slide does not reach, as `resample_slide` fills it


# Above this the section, its zones and their mask no longer fit the memory of a small machine.
LARGEST_PX = 1e9


def export_case(
    case: Case,
    *,
    spacing_um: float = 10.0,
    stain_like: Case | None = None,
    progress: Progress | None = None,
) -> list[Path]:
    """Write the finished case's images into results/export.

    section.ome.tif (RGB, mapped to the plane), zones.ome.tif (numbers of `ZONES`) and
    predicted.ome.tif (mask), all of `spacing_um` per pixel; change.ome.tif (float32, per cent)
    on its own pixels. With `stain_like` the section is shown as if it had been stained with that
    case's slide (of the same stain set), so that the sections of a study look alike in print.

    Raises
    ------
    InputError : a step up to agree is to do, the pixel size is not above 0, or the two slides'
        stains cannot be compared
    """
    from coreg.sources.outlines import read_outlines
    from coreg.sources.slides import resample_slide, write_ome_tiff
    from coreg.stain import normalise
    from coreg.steps.slides import open_case_slide

    if not (spacing_um > 0 and np.isfinite(spacing_um)):
        raise UsageError(f"--um-per-px should be a number above 0, got {spacing_um:g}.")
    sides = read_sides(case)
    pathology = read_outlines(need(case, "agree").file("pathology.geojson"))
    pixels = np.prod(np.ceil(1000 * np.array(sides.grid.size) / spacing_um))
    if pixels > LARGEST_PX:
        raise UsageError(
            f"--um-per-px {spacing_um:g} would make {pixels:.2g} pixels; give a larger one."
        )
    grid = sides.grid.with_spacing(spacing_um / 1000)
    folder = case.results.folder / "export"
    refuse_leading_out(folder, case.folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"{folder} cannot be made ({error.strerror}); choose a folder you may write to."
        ) from error
    with open_case_slide(case) as slide:
        section = resample_slide(slide, sides.alignment.transform, grid, progress=progress)
    if stain_like is not None:
        own, reference = _stain_profile(case), _stain_profile(stain_like)
        covered = (section.data != WHITE).any(axis=-1)
        shown = np.where(covered[..., None], normalise(section, own, reference), section.data)
        section = Image(shown, grid)
    labels = {name: number for name, number in ZONES.items() if name != "viable"}
    change = Image(sides.maps["change_percent"].astype(np.float32), sides.grid)
    predicted = Image(mask_from_outlines(sides.predicted, grid), grid)
    return [
        write_ome_tiff(folder / "section.ome.tif", section),
        write_ome_tiff(folder / "zones.ome.tif", _labels(pathology, grid), labels=labels),
        write_ome_tiff(folder / "predicted.ome.tif", predicted),
        write_ome_tiff(folder / "change.ome.tif", change),
    ]


def _stain_profile(case: Case) -> StainProfile:
    """How the case's slide is stained, as the step outline measured it."""
    from coreg.stain import StainProfile, stain_set

    stain = need(case, "outline").summary["stain"]
    named = stain_set(case.settings["slide"]["stain"])
    if stain is None or "strong" not in stain or list(named.stains) != stain["stains"]:
        raise InputError(
            f"The stain of {case.name} is not measured as its case.toml now says (a set of three "
            f"stains, no tissue, or a changed stain); run 'coreg outline {case.folder}' or leave "
            "--stain-like out."
        )
    stains = replace(named, vectors=np.array(stain["vectors"]))
    return StainProfile(stains, np.array(stain["white"]), np.array(stain["strong"]))


def _labels(pathology: list[Outline], grid: Grid) -> Image:
    """Zones as numbers; of nested zones the inner one counts."""
    labels = np.zeros(grid.shape, dtype=np.uint8)
    for name in ("tumour", "diffusion-damaged", "ablated", "artefact"):
        labels[mask_from_outlines([o for o in pathology if o.zone == name], grid)] = ZONES[name]
    return Image(labels, grid)
