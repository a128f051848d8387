"""Align: the map from the imaging plane to the slide, and how far it can be trusted."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from coreg.case import Case, Progress
from coreg.geometry import Grid, Outline, mask_from_outlines
from coreg.landmark_pairs import LandmarkPairs
from coreg.results import StepResult, read_json, to_json, write_text

if TYPE_CHECKING:
    from coreg.alignment.intensity import ImageFit
    from coreg.alignment.landmarks import LandmarkFit
    from coreg.alignment.uncertainty import Posterior
    from coreg.transforms import Transform

# Maps drawn from the posterior for the expected error; intervals of the agreement draw their own.
QUALITY_DRAWS = 200
# From this many landmarks on, the map through them is where refinement starts.
LEAST_LANDMARKS_TO_START = 4
# Where no displacement map gives the plane's grid, the error is judged on one of this pixel size.
PLANE_SPACING_MM = 0.3


@dataclass(frozen=True)
class Alignment:
    """A stored alignment: the map, and what is known of how far it may be off."""

    transform: Transform
    posterior: Posterior


def seed(case: Case) -> int | None:
    """The robust fit's small sets and the quality's draws are seeded."""
    return 0


def run(case: Case, folder: Path, progress: Progress) -> dict[str, Any]:
    """Write transform.json and .tfm, posterior.json, errors.csv, quality.npz (on the plane)."""
    from coreg.alignment.landmarks import plane_errors
    from coreg.alignment.quality import assess
    from coreg.alignment.uncertainty import posterior_of, sample_transforms
    from coreg.sources.itk_transforms import write_itk_transform
    from coreg.sources.maps import save_maps

    progress(0.1, "Fitting the landmarks")
    fit, by_landmarks = _fits(case, progress)
    # Leave-one-out is known of the fit through landmarks alone, not of a refined one.
    alone = by_landmarks if case.settings["align"]["refine"] == "none" else None
    progress(0.5, "Judging the alignment")
    pairs = None if by_landmarks is None else by_landmarks.pairs
    grid, lesion = _where_it_matters(case, fit.transform, pairs)
    draws = sample_transforms(fit, QUALITY_DRAWS, 0)
    quality = assess(
        fit.transform,
        grid,
        lesion,
        landmarks=alone,
        draws=draws,
    )
    save_maps(folder / "quality.npz", grid, {"expected_error_mm": quality.expected_error_mm})
    write_text(folder / "transform.json", to_json(fit.transform.to_dict()))
    write_itk_transform(folder / "transform.tfm", fit.transform, grid)
    write_text(folder / "posterior.json", _posterior_json(posterior_of(fit)))
    residuals = np.array([])
    if by_landmarks is not None:
        residuals = plane_errors(fit.transform, by_landmarks.pairs)
        write_text(folder / "errors.csv", _errors(by_landmarks, residuals))
    refine = case.settings["align"]["refine"]
    return {
        "model": f"refined by {refine}" if alone is None else alone.model,
        "landmarks": len(residuals),
        "shrinkage_depth": fit.shrinkage[0],
        "shrinkage_lateral": fit.shrinkage[1],
        "residual_median_mm": float(np.median(residuals)) if len(residuals) else None,
        "smoothing": None if alone is None else alone.smoothing,
        "judged_over": "the lesion" if lesion is not None else "the whole plane",
        **quality.summary(),
    }


def _fits(case: Case, progress: Progress) -> tuple[LandmarkFit | ImageFit, LandmarkFit | None]:
    """The fit that counts, and the one through landmarks alone where there are enough of them."""
    if case.settings["align"]["refine"] == "none":
        fit = case_fit(case)
        return fit, fit
    from coreg.steps.refine import refined_fit

    pairs = case_landmarks(case)
    by_landmarks = case_fit(case) if len(pairs) >= LEAST_LANDMARKS_TO_START else None
    refined = refined_fit(
        case,
        pairs if len(pairs) else None,
        None if by_landmarks is None else by_landmarks.transform,
        lambda fraction, text: progress(0.1 + 0.4 * fraction, text),
    )
    return refined, by_landmarks


def read_alignment(result: StepResult) -> Alignment:
    """The alignment that a finished step holds."""
    from coreg.alignment.uncertainty import Posterior
    from coreg.transforms import Perturbed, transform_from_dict

    transform = transform_from_dict(read_json(result.file("transform.json")))
    stored = read_json(result.file("posterior.json"))
    zero = transform_from_dict(stored["family"])
    assert isinstance(zero, Perturbed)
    degrees = np.inf if stored["degrees"] is None else stored["degrees"]
    return Alignment(transform, Posterior(zero.family, np.array(stored["factor"]), degrees))


def case_fit(case: Case) -> LandmarkFit:
    """The fit that the case's landmarks and [align] settings give."""
    from coreg.alignment import fit_landmarks

    settings = case.settings["align"]
    smoothing = settings["smoothing"]
    return fit_landmarks(
        case_landmarks(case),
        settings["model"],
        smoothing="leave-one-out" if smoothing is None else smoothing,
        robust=settings["robust"],
    )


def case_landmarks(case: Case) -> LandmarkPairs:
    """The case's landmark pairs with the stated spread, where the table itself gives none."""
    from coreg.sources.landmarks import read_landmarks

    pairs = read_landmarks(case.require("landmarks"))
    stated = case.settings["landmarks"]["error_mm"]
    if stated is None or pairs.sd_mm is not None:
        return pairs
    return LandmarkPairs(
        pairs.plane, pairs.slide, pairs.names, pairs.observers, np.full(len(pairs), stated)
    )


def _where_it_matters(
    case: Case, transform: Transform, pairs: LandmarkPairs | None
) -> tuple[Grid, np.ndarray | None]:
    """The plane's grid, and the lesion on it (both sides together) where one is known."""
    from coreg.geometry import bounding_grid
    from coreg.sources.maps import load_maps
    from coreg.sources.outlines import read_outlines

    predicted, outlined = case.result("predict"), case.result("outline")
    if predicted is not None:
        grid, maps = load_maps(predicted.file("change.npz"))
        lesion = maps["predicted"].astype(bool)
    else:
        around = _plane_corners(case) if pairs is None else pairs.plane
        extent = float(np.ptp(around, axis=0).max())
        spacing = min(PLANE_SPACING_MM, extent / 100)
        grid = bounding_grid(around, spacing, "plane", margin=extent / 20)
        lesion = np.zeros(grid.shape, dtype=bool)
    if outlined is not None:
        zones = read_outlines(outlined.file("zones.geojson"))
        mapped: list[Outline] = [
            transform.outline_to_plane(zone)
            for zone in zones
            if zone.zone in ("ablated", "diffusion-damaged")
        ]
        lesion |= mask_from_outlines(mapped, grid)
    return grid, lesion if lesion.any() else None


def _plane_corners(case: Case) -> np.ndarray:
    """Two corners of the B-mode, where neither map nor landmark tells the plane's extent."""
    from coreg.steps.bmode import case_bmode

    bmode = case_bmode(case)
    assert bmode is not None  # without landmarks only an image can have been aligned
    top, left, bottom, right = bmode.image.grid.bounds
    return np.array([[top, left], [bottom, right]])


def _posterior_json(posterior: Posterior) -> str:
    from coreg.transforms import Perturbed

    zero = Perturbed(posterior.family, np.zeros((posterior.family.size, 2)))
    return to_json(
        {"family": zero.to_dict(), "factor": posterior.factor, "degrees": posterior.degrees}
    )


def _errors(fit: LandmarkFit, residuals: np.ndarray) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["name", "observer", "residual_mm", "leave_one_out_mm", "weight"])
    for i, name in enumerate(fit.pairs.names):
        numbers = (residuals[i], fit.leave_one_out[i], fit.weights[i])
        cells = ["" if np.isnan(value) else f"{value:.4f}" for value in numbers]
        writer.writerow([name, fit.pairs.observers[i], *cells])
    return out.getvalue()
