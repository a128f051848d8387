"""Outline: the pathology zones of the section, from observers' outlines or as a proposal."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from coreg.case import Case, Progress
from coreg.errors import InputError
from coreg.geometry import Grid, Image, Outline, bounding_grid, mask_from_outlines

if TYPE_CHECKING:
    from coreg.sources.slides import Slide

# What pathology calls the lesion; both are reported.
LESIONS: dict[str, tuple[str, ...]] = {
    "ablated": ("ablated",),
    "ablated + diffusion-damaged": ("ablated", "diffusion-damaged"),
}
# Outlines of several observers are compared on a grid of this many pixels, with this margin around.
CONSENSUS_PX = 1000
CONSENSUS_MARGIN_MM = 1.0
# The tissue mask needs no more detail than this.
TISSUE_SPACING_MM = 0.032


def seed(case: Case) -> int | None:
    """Nothing here is random."""
    return None


def run(case: Case, folder: Path, progress: Progress) -> dict[str, Any]:
    """Write zones.geojson (the zones that count) and tissue.npz (tissue and artefact masks)."""
    from coreg.sources.maps import save_maps
    from coreg.sources.outlines import read_outlines, write_outlines
    from coreg.steps.slides import open_case_slide

    place = case.outlines_folder
    # Outlines in plane mm (the tissue as B-mode shows it) serve the alignment, not the zones.
    everything = read_outlines(place) if place.is_dir() else []
    drawn = [outline for outline in everything if outline.frame == "slide"]
    settings = case.settings["outlines"]
    with open_case_slide(case) as slide:
        progress(0.1, "Finding the tissue")
        overview = slide.image(max(TISSUE_SPACING_MM, *slide.pixel_size))
        tissue, artefact = _tissue(case, overview, drawn)
        stain = _stain(case, slide, overview, tissue)
        save_maps(folder / "tissue.npz", overview.grid, {"tissue": tissue, "artefact": artefact})
        pixel_size = {
            "slide_pixel_size_mm": list(slide.pixel_size),
            "from": slide.pixel_size_source,
        }
        if settings["source"] == "by hand":
            zones, about = _by_hand(case, drawn, slide.levels[0].grid)
        else:
            from coreg.steps.propose import propose_zones

            zones, about = propose_zones(case, slide, progress)
    write_outlines(folder / "zones.geojson", zones)
    return {
        **about,
        **pixel_size,
        "stain": stain,
        "areas_as_cut_mm2": {
            name: _area([zone for zone in zones if zone.zone in parts])
            for name, parts in {**LESIONS, "tumour": ("tumour",)}.items()
        },
        "tissue_area_mm2": float(tissue.sum() * overview.grid.pixel_area),
        "artefact_share": float(artefact.sum() / max(1, (tissue | artefact).sum())),
    }


def _tissue(case: Case, overview: Image, drawn: list[Outline]) -> tuple[np.ndarray, np.ndarray]:
    """Tissue and artefact: as drawn where somebody drew them, else as the image shows them."""
    from coreg.stain import artefact_mask, stain_set, tissue_mask

    stains = stain_set(case.settings["slide"]["stain"])

    by_hand = [outline for outline in drawn if outline.zone == "tissue"]
    artefacts = [outline for outline in drawn if outline.zone == "artefact"]
    if by_hand:
        tissue = mask_from_outlines(by_hand, overview.grid)
    else:
        tissue = _chosen_section(case, tissue_mask(overview, stains=stains), overview.grid)
    artefact = artefact_mask(overview, tissue, stains=stains)
    artefact |= mask_from_outlines(artefacts, overview.grid)
    return tissue & ~artefact, artefact


def _stain(case: Case, slide: Slide, overview: Image, tissue: np.ndarray) -> dict[str, Any] | None:
    """The slide's own stain vectors, for the record; None where no tissue can be sampled."""
    from coreg.stain import estimate_vectors, profile, sample_tissue, stain_set, white_point

    stains = stain_set(case.settings["slide"]["stain"])
    if not tissue.any() or len(stains.stains) > 2:
        return None
    pieces = sample_tissue(slide, tissue, overview.grid)
    white = white_point(overview, tissue)
    found = estimate_vectors(pieces, white=white, stains=stains)
    return {
        "stains": list(found.stains.stains),
        "vectors": found.stains.vectors.tolist(),
        "white": found.white.tolist(),
        "strong": profile(pieces, estimate=found).strong.tolist(),
        "angle_deg": found.angle,
        "reason": found.reason,
    }


def _chosen_section(case: Case, tissue: np.ndarray, grid: Grid) -> np.ndarray:
    """The tissue of the section that the case names, or all of it."""
    number = case.settings["slide"]["section"]
    if number == 0:
        return tissue
    from coreg.stain import sections

    found = sections(tissue, grid)
    if number > len(found):
        raise InputError(
            f"The slide holds {len(found)} section(s), so there is no section {number}; correct "
            f"[slide] section in {case.folder / 'case.toml'}."
        )
    return found[number - 1].on(grid)


def require_lesion_on_slide(case: Case, drawn: list[Outline], grid: Grid) -> list[Outline]:
    """The zones among the outlines; `InputError` where no lesion is, or one lies off the slide."""
    drawn = [outline for outline in drawn if outline.frame == "slide"]
    zones = [outline for outline in drawn if outline.zone not in ("tissue", "artefact")]
    if not any(outline.zone in LESIONS["ablated + diffusion-damaged"] for outline in zones):
        raise InputError(
            f"{case.outlines_folder} holds no outline of an ablated or diffusion-damaged zone; "
            'draw one, or set [outlines] source = "proposal" in case.toml.'
        )
    _check_on_slide(zones, grid)
    return zones


def _by_hand(case: Case, drawn: list[Outline], grid: Grid) -> tuple[list[Outline], dict[str, Any]]:
    zones = require_lesion_on_slide(case, drawn, grid)
    if case.settings["outlines"]["ablated_inside_tumour"]:
        zones = _cut_to_tumour(zones)
    observers = sorted({outline.observer for outline in zones})
    about: dict[str, Any] = {"source": "by hand", "observers": observers, "notes": _mended(drawn)}
    if len(observers) == 1:
        about.update(method="single observer", spread_mm=None)
        return zones, about
    from coreg.zones.consensus import consensus
    from coreg.zones.observers import observer_labels

    by_observer = {
        name or "unnamed": [outline for outline in zones if outline.observer == name]
        for name in observers
    }
    around = _around(zones, case.settings["outlines"]["spacing_um"] / 1000)
    agreed = consensus(by_observer, around, case.settings["outlines"]["consensus"])
    about.update(
        method=agreed.method,
        spread_mm={name: region.spread for name, region in agreed.regions.items()},
        sensitivity={
            name: dict(zip(agreed.observers, region.sensitivity.tolist(), strict=True))
            for name, region in agreed.regions.items()
        },
        specificity={
            name: dict(zip(agreed.observers, region.specificity.tolist(), strict=True))
            for name, region in agreed.regions.items()
        },
        pairs={
            name: [vars(pair) for pair in region.pairs] for name, region in agreed.regions.items()
        },
        labels=observer_labels(by_observer, around).to_dict(),
    )
    return agreed.outlines(), about


def _cut_to_tumour(zones: list[Outline]) -> list[Outline]:
    """Each observer's ablated zone within the tumour that the same observer drew."""
    from coreg.zones.edit import ZoneRules, arrange

    for observer in {zone.observer for zone in zones}:
        if not any(zone.zone == "tumour" for zone in zones if zone.observer == observer):
            raise InputError(
                f"The ablated zone is to be cut to the tumour, but {observer or 'the observer'} "
                "drew no tumour; draw it, or set [outlines] ablated_inside_tumour = false in "
                "case.toml."
            )
    return arrange(zones, ZoneRules(ablated_inside_tumour=True))


def _around(zones: list[Outline], finest_mm: float) -> Grid:
    """A grid over all that anybody drew: what lies farther away tells nothing of the observers."""
    points = np.concatenate([zone.exterior for zone in zones])
    extent = float(np.ptp(points, axis=0).max()) + 2 * CONSENSUS_MARGIN_MM
    return bounding_grid(
        points, max(finest_mm, extent / CONSENSUS_PX), "slide", CONSENSUS_MARGIN_MM
    )


def _check_on_slide(zones: list[Outline], grid: Grid) -> None:
    for zone in zones:
        if not grid.contains(zone.exterior).any():
            top, left, bottom, right = grid.bounds
            raise InputError(
                f"An outline of {zone.zone!r} by {zone.observer or 'an unnamed observer'} lies "
                f"wholly off the slide (y {top:g} to {bottom:g} mm, x {left:g} to {right:g} mm); "
                "outlines are in slide millimetres, x before y."
            )


def _mended(drawn: list[Outline]) -> list[str]:
    return [outline.extra["mended"] for outline in drawn if "mended" in outline.extra]


def _area(zones: list[Outline]) -> float:
    import shapely

    return float(shapely.union_all([zone.polygon() for zone in zones]).area) if zones else 0.0
