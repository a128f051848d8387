"""Refine an alignment by tissue outlines or by the images, guided by landmarks if there are any."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from coreg.case import Case, Progress
from coreg.errors import InputError
from coreg.geometry import Image, Outline, outlines_from_mask, resample

if TYPE_CHECKING:
    from coreg.alignment.intensity import ImageFit
    from coreg.landmark_pairs import LandmarkPairs
    from coreg.transforms import Transform

# Pieces of tissue smaller than this do not guide an alignment.
SMALLEST_TISSUE_MM2 = 1.0


def refined_fit(
    case: Case, landmarks: LandmarkPairs | None, initial: Transform | None, progress: Progress
) -> ImageFit:
    """Align as [align] refine asks.

    Parameters
    ----------
    landmarks : pairs that pull on the map; None where there are none
    initial : the map through the landmarks, to start from; None searches all turns and faces

    Raises `InputError` where the case lacks what is to be aligned.
    """
    from coreg.alignment.intensity import IntensityOptions, align_images
    from coreg.steps.bmode import case_bmode
    from coreg.steps.slides import open_case_slide

    bmode = case_bmode(case)
    if bmode is None:
        raise InputError(
            f"{case.folder / 'case.toml'}: [align] refine needs a B-mode image; give [bmode] path, "
            'or set refine = "none".'
        )
    plane = bmode.image
    tissue_plane, tissue_slide = _tissue(case)
    by_images = case.settings["align"]["refine"] == "images"
    if not by_images and not (tissue_plane and tissue_slide):
        raise InputError(
            f'{case.outlines_folder}: [align] refine = "outlines" needs the tissue outlined on '
            "both sides: on the section (found by the step outline) and in the imaging plane (a "
            'GeoJSON file whose member "frame" is "plane", zone "tissue").'
        )
    with open_case_slide(case) as slide:
        section = slide.image(max(*slide.pixel_size, *plane.grid.spacing))
    both = bool(tissue_plane and tissue_slide)

    def aligned(options: IntensityOptions, start: Transform | None, share: float) -> ImageFit:
        return align_images(
            plane,
            section,
            options,
            initial=start,
            slide_mask=_whole(case, section) if options.features else None,
            landmarks=landmarks,
            tissue_plane=tissue_plane if both else (),
            tissue_slide=tissue_slide if both else (),
            progress=lambda fraction, text: progress(share * fraction, text),
        )

    if not by_images:
        return aligned(IntensityOptions(features=()), initial, 1.0)
    if landmarks is None and not both:
        raise InputError(
            f'{case.folder / "case.toml"}: [align] refine = "images" needs at least one landmark '
            "or the tissue outlined in the plane, since images of two kinds do not tell how far "
            "they are misaligned; place some in landmarks.csv."
        )
    fit = aligned(IntensityOptions(), initial, 0.7)
    # Echo and stain differ, so a good match of both says little of its error: state the one that
    # landmarks and outlines alone would leave.
    known = aligned(IntensityOptions(features=()), fit.transform, 1.0).posterior
    family = replace(known.family, base=fit.transform)
    return replace(fit, posterior=replace(known, family=family))


def _tissue(case: Case) -> tuple[list[Outline], list[Outline]]:
    """Tissue outlines in the plane (drawn) and on the slide (as the step outline found it)."""
    from coreg.sources.maps import load_maps
    from coreg.sources.outlines import read_outlines

    place = case.outlines_folder
    drawn = read_outlines(place) if place.is_dir() else []
    in_plane = [o for o in drawn if o.frame == "plane" and o.zone == "tissue"]
    outlined = case.result("outline")
    if outlined is None:
        return in_plane, [o for o in drawn if o.frame == "slide" and o.zone == "tissue"]
    grid, maps = load_maps(outlined.file("tissue.npz"))
    found = outlines_from_mask(
        maps["tissue"], grid, smallest_mm2=SMALLEST_TISSUE_MM2, zone="tissue", made_by="found"
    )
    return in_plane, found


def _whole(case: Case, section: Image) -> np.ndarray | None:
    """Where the section is whole: artefacts are masked out, not bridged."""
    from coreg.sources.maps import load_maps

    outlined = case.result("outline")
    if outlined is None:
        return None
    grid, maps = load_maps(outlined.file("tissue.npz"))
    return ~resample(Image(maps["artefact"], grid), section.grid, order=0, fill=0)
