"""Align: the map from the imaging plane to the slide, and how far it can be trusted."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from coreg.case import Case, Progress
from coreg.geometry import Grid, Outline, mask_from_outlines
from coreg.landmark_pairs import LandmarkPairs
from coreg.results import StepResult, to_json, write_text

if TYPE_CHECKING:
    from coreg.alignment import LandmarkFit
    from coreg.alignment.quality import AlignmentQuality
    from coreg.alignment.uncertainty import Posterior
    from coreg.transforms import Transform

# Maps drawn from the posterior for the expected error; intervals of the agreement draw their own.
QUALITY_DRAWS = 200
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
    """Write transform.json, posterior.json, errors.csv, quality.npz (maps on the plane)."""
    from coreg.alignment.uncertainty import posterior_of, sample_transforms
    from coreg.sources.maps import save_maps

    progress(0.1, "Fitting the landmarks")
    fit = case_fit(case)
    progress(0.5, "Judging the alignment")
    grid, lesion = _where_it_matters(case, fit)
    draws = sample_transforms(fit, QUALITY_DRAWS, 0)
    quality = _quality(case, fit, grid, lesion, draws)
    save_maps(folder / "quality.npz", grid, {"expected_error_mm": quality.expected_error_mm})
    write_text(folder / "transform.json", to_json(fit.transform.to_dict()))
    write_text(folder / "posterior.json", _posterior_json(posterior_of(fit)))
    write_text(folder / "errors.csv", _errors(fit))
    return {
        "model": fit.model,
        "landmarks": len(fit.pairs),
        "shrinkage_depth": fit.shrinkage[0],
        "shrinkage_lateral": fit.shrinkage[1],
        "residual_median_mm": float(np.median(fit.residuals)),
        "smoothing": fit.smoothing,
        "judged_over": "the lesion" if lesion is not None else "the whole plane",
        **quality.summary(),
    }


def read_alignment(result: StepResult) -> Alignment:
    """The alignment that a finished step holds."""
    from coreg.alignment.uncertainty import Posterior
    from coreg.transforms import Perturbed, transform_from_dict

    transform = transform_from_dict(json.loads(result.file("transform.json").read_text("utf-8")))
    stored = json.loads(result.file("posterior.json").read_text("utf-8"))
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


def _where_it_matters(case: Case, fit: LandmarkFit) -> tuple[Grid, np.ndarray | None]:
    """The plane's grid, and the lesion on it (both sides together) where one is known."""
    from coreg.geometry import bounding_grid
    from coreg.sources.maps import load_maps
    from coreg.sources.outlines import read_outlines

    predicted, outlined = case.result("predict"), case.result("outline")
    if predicted is not None:
        grid, maps = load_maps(predicted.file("change.npz"))
        lesion = maps["predicted"].astype(bool)
    else:
        extent = float(np.ptp(fit.pairs.plane, axis=0).max())
        spacing = min(PLANE_SPACING_MM, extent / 100)
        grid = bounding_grid(fit.pairs.plane, spacing, "plane", margin=extent / 20)
        lesion = np.zeros(grid.shape, dtype=bool)
    if outlined is not None:
        zones = read_outlines(outlined.file("zones.geojson"))
        mapped: list[Outline] = [
            fit.transform.outline_to_plane(zone)
            for zone in zones
            if zone.zone in ("ablated", "diffusion-damaged")
        ]
        lesion |= mask_from_outlines(mapped, grid)
    return grid, lesion if lesion.any() else None


def _quality(
    case: Case,
    fit: LandmarkFit,
    grid: Grid,
    lesion: np.ndarray | None,
    draws: list[Transform],
) -> AlignmentQuality:
    from coreg.alignment.quality import assess

    return assess(fit.transform, grid, lesion, landmarks=fit, draws=draws)


def _posterior_json(posterior: Posterior) -> str:
    from coreg.transforms import Perturbed

    zero = Perturbed(posterior.family, np.zeros((posterior.family.size, 2)))
    return to_json(
        {"family": zero.to_dict(), "factor": posterior.factor, "degrees": posterior.degrees}
    )


def _errors(fit: LandmarkFit) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["name", "observer", "residual_mm", "leave_one_out_mm", "weight"])
    for i, name in enumerate(fit.pairs.names):
        numbers = (fit.residuals[i], fit.leave_one_out[i], fit.weights[i])
        cells = ["" if np.isnan(value) else f"{value:.4f}" for value in numbers]
        writer.writerow([name, fit.pairs.observers[i], *cells])
    return out.getvalue()
