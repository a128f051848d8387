"""Align: the map from the imaging plane to the slide, and how far it can be trusted."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from coreg.case import Case, Progress
from coreg.landmark_pairs import LandmarkPairs
from coreg.results import to_json, write_text

if TYPE_CHECKING:
    from coreg.alignment import LandmarkFit


def seed(case: Case) -> int | None:
    """The robust fit's small sets are seeded."""
    return 0


def run(case: Case, folder: Path, progress: Progress) -> dict[str, Any]:
    """Write transform.json, transform.tfm, errors.csv and quality.npz (maps on the plane)."""
    progress(0.1, "Fitting the landmarks")
    fit = case_fit(case)
    write_text(folder / "transform.json", to_json(fit.transform.to_dict()))
    write_text(folder / "errors.csv", _errors(fit))
    return {
        "model": fit.model,
        "landmarks": len(fit.pairs),
        "mirrored": fit.mirrored,
        "shrinkage_depth": fit.shrinkage[0],
        "shrinkage_lateral": fit.shrinkage[1],
        "leave_one_out_median_mm": fit.error_mm,
        "residual_median_mm": float(np.median(fit.residuals)),
        "worst_landmark": fit.worst,
        "suspects": list(fit.suspects),
        "smoothing": fit.smoothing,
        "reason": fit.reason,
    }


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


def _errors(fit: LandmarkFit) -> str:
    rows = ["name,observer,residual_mm,leave_one_out_mm,weight"]
    for i, name in enumerate(fit.pairs.names):
        quoted = '"' + name.replace('"', '""') + '"'
        observer = '"' + fit.pairs.observers[i].replace('"', '""') + '"'
        rows.append(
            f"{quoted},{observer},{fit.residuals[i]:.4f},{fit.leave_one_out[i]:.4f},"
            f"{fit.weights[i]:.4f}"
        )
    return "\n".join(rows) + "\n"
