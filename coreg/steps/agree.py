"""Agree: predicted against pathology lesion, with intervals, inside the region of validity."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from coreg.case import Case, Progress
from coreg.geometry import Grid, Image, Outline, mask_from_outlines, resample
from coreg.results import to_json, write_text
from coreg.steps import need
from coreg.steps.outline import LESIONS

if TYPE_CHECKING:
    from coreg.agreement import Agreement, Intervals, ThresholdCurves
    from coreg.steps.align import Alignment


@dataclass(frozen=True)
class Sides:
    """What is compared, on the imaging plane's grid.

    valid_parts : area in mm² that each reason leaves out of the region of validity
    """

    grid: Grid
    maps: dict[str, np.ndarray]
    predicted: list[Outline]
    zones: list[Outline]
    alignment: Alignment
    valid: np.ndarray
    left_out: dict[str, float]


def seed(case: Case) -> int | None:
    """The seed of the Monte-Carlo draws."""
    return case.settings["agree"]["seed"]


def run(case: Case, folder: Path, progress: Progress) -> dict[str, Any]:
    """Write agreement.csv and .json, threshold.json, pathology.geojson (plane mm), validity.npz."""
    from coreg.agreement import measure_outlines, resolution_limit
    from coreg.cohort.observers import case_kappa
    from coreg.sources.maps import save_maps
    from coreg.sources.outlines import write_outlines

    sides = read_sides(case)
    mapped = [sides.alignment.transform.outline_to_plane(zone) for zone in sides.zones]
    write_outlines(folder / "pathology.geojson", mapped, frame="plane")
    save_maps(folder / "validity.npz", sides.grid, {"valid": sides.valid})
    labels = need(case, "outline").summary.get("labels")
    zones: dict[str, Any] = {}
    for number, (name, parts) in enumerate(LESIONS.items()):
        pathology = [outline for outline in mapped if outline.zone in parts]
        point = measure_outlines(sides.predicted, pathology, sides.grid, sides.valid)

        def show(fraction: float, text: str, number: int = number) -> None:
            progress((number + fraction) / len(LESIONS), text)

        zones[name] = _table(
            point, _intervals(case, sides, parts, show), _areas_as_cut(sides.zones, parts)
        )
        if labels is not None:
            kappa = case_kappa(labels, name)
            zones[name]["measures"]["observers_kappa"] = {"value": kappa, "low": None, "high": None}
    summary = {
        "zones": {name: table["measures"] for name, table in zones.items()},
        "left_out_mm2": sides.left_out,
        "valid_area_mm2": float(sides.valid.sum() * sides.grid.pixel_area),
        "reasons": {name: table["reasons"] for name, table in zones.items()},
        "shares": {name: table["shares"] for name, table in zones.items()},
        "sources_without_information": {name: table["missing"] for name, table in zones.items()},
    }
    curves = _curves(sides, mapped)
    limits = {
        name: resolution_limit(
            tuple(case.settings["agree"]["point_spread_mm"]),
            sides.grid,
            [outline for outline in mapped if outline.zone in parts],
        ).to_dict()
        for name, parts in LESIONS.items()
        if any(outline.zone in parts for outline in mapped)
    }
    summary["best_threshold_percent"] = {
        name: curve.best_threshold_percent for name, curve in curves.zones.items()
    }
    summary["dice_at_best_threshold"] = {
        name: curve.best_dice for name, curve in curves.zones.items()
    }
    summary["average_precision"] = {
        name: curve.average_precision for name, curve in curves.zones.items()
    }
    summary["dice_that_resolution_allows"] = {name: lim["dice"] for name, lim in limits.items()}
    everything = {
        **summary,
        "case": case.name,
        "zones": zones,
        "resolution": limits,
        "observer_labels": labels,
    }
    write_text(folder / "agreement.json", to_json(everything))
    write_text(folder / "threshold.json", to_json(curves.to_dict()))
    write_text(folder / "agreement.csv", agreement_csv(case.name, zones))
    return summary


def read_sides(case: Case) -> Sides:
    """Bring both sides onto the imaging plane's grid."""
    from coreg.sources.maps import load_maps
    from coreg.sources.outlines import read_outlines
    from coreg.steps.align import read_alignment

    grid, maps = load_maps(need(case, "predict").file("change.npz"))
    outline = need(case, "outline")
    alignment = read_alignment(need(case, "align"))
    slide_grid, tissue = load_maps(outline.file("tissue.npz"))

    def on_plane(mask: np.ndarray) -> np.ndarray:
        return resample(
            Image(mask, slide_grid), grid, alignment.transform.to_slide, order=0, fill=0
        )

    judged = maps["valid"].astype(bool)
    artefact = on_plane(tissue["artefact"])
    on_tissue = on_plane(tissue["tissue"])
    valid = judged & ~artefact
    left_out = {
        "no displacement estimate": ~judged,
        "artefact on the section": judged & artefact,
    }
    if case.settings["agree"]["tissue_only"]:
        left_out["no tissue on the section"] = judged & ~artefact & ~on_tissue
        valid &= on_tissue
    return Sides(
        grid,
        maps,
        read_outlines(need(case, "predict").file("predicted.geojson")),
        read_outlines(outline.file("zones.geojson")),
        alignment,
        valid,
        {why: float(mask.sum() * grid.pixel_area) for why, mask in left_out.items()},
    )


def _curves(sides: Sides, mapped: list[Outline]) -> ThresholdCurves:
    """Agreement over the threshold, for each pathology lesion."""
    from coreg.agreement import threshold_curves

    lesions = {
        name: mask_from_outlines([o for o in mapped if o.zone in parts], sides.grid)
        for name, parts in LESIONS.items()
    }
    change = sides.maps["smoothed_change_percent"]
    return threshold_curves(change, lesions, sides.grid, sides.valid)


def _intervals(
    case: Case, sides: Sides, parts: tuple[str, ...], progress: Progress
) -> Intervals | None:
    """Monte-Carlo intervals; None where one side has no lesion to disturb."""
    from coreg.agreement import IntervalInputs, RegionRules, intervals, map_noise
    from coreg.alignment.uncertainty import sample_transforms

    pathology = [zone for zone in sides.zones if zone.zone in parts]
    if not pathology or not sides.predicted:
        return None
    settings, options = case.settings["agree"], case.settings["predict"]
    noise = map_noise(
        sides.maps["change_percent"],
        sides.maps["change_error_percent"],
        sides.grid,
        sides.maps["predicted"].astype(bool),
        sides.valid,
        tuple(settings["point_spread_mm"]),
    )
    inputs = IntervalInputs(
        sides.grid,
        sides.maps["score"],
        pathology,
        sides.valid,
        RegionRules(
            options["smallest_mm2"],
            options["fill_holes_mm2"],
            tuple(options["focus_mm"]) if options["connected_to_focus"] else None,
        ),
        score_error=noise.error_percent,
        noise_fwhm_mm=noise.fwhm_mm,
        smoothed_mm=options["smooth_mm"] if options["rule"] != "growing" else 0.0,
        threshold_sd_percent=settings["threshold_sd_percent"],
        transform=sides.alignment.transform,
        transforms=sample_transforms(sides.alignment, settings["draws"], settings["seed"]),
        outline_sd_mm=_outline_sd(case, parts),
    )
    return intervals(inputs, settings["draws"], settings["seed"], progress)


def _outline_sd(case: Case, parts: tuple[str, ...]) -> float:
    """The observers' spread where several drew, else what the case states."""
    spread = need(case, "outline").summary.get("spread_mm") or {}
    known = spread.get(" + ".join(parts))
    return float(known) if known else case.settings["outlines"]["error_mm"]


def _areas_as_cut(zones: list[Outline], parts: tuple[str, ...]) -> float:
    import shapely

    chosen = [zone.polygon() for zone in zones if zone.zone in parts]
    return float(shapely.union_all(chosen).area) if chosen else 0.0


def _table(point: Agreement, drawn: Intervals | None, as_cut_mm2: float) -> dict[str, Any]:
    from coreg.agreement import MEASURES

    measures: dict[str, dict[str, Any]] = {}
    for name in MEASURES:
        value, interval = getattr(point, name), None if drawn is None else drawn[name]
        # Values are counted in fine pixels, draws are cut from outlines: they differ a little, and
        # an interval must hold the value that stands beside it. NaN stays NaN.
        measures[name] = {
            "value": value,
            "low": None if interval is None else float(np.minimum(interval.low, value)),
            "high": None if interval is None else float(np.maximum(interval.high, value)),
        }
    measures["pathology_area_as_cut_mm2"] = {"value": as_cut_mm2, "low": None, "high": None}
    return {
        "measures": measures,
        "details": point.to_dict(),
        "reasons": point.reasons,
        "shares": {} if drawn is None else drawn.shares,
        "missing": [] if drawn is None else list(drawn.missing),
    }


def agreement_csv(case: str, zones: dict[str, Any]) -> str:
    """One row a zone, a column a measure with its unit, and two for its 95 % interval."""
    import csv
    import io

    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    names = list(next(iter(zones.values()))["measures"])
    writer.writerow(
        ["case", "zone", *(f"{name}{end}" for name in names for end in ("", "_low", "_high"))]
    )
    for zone, table in zones.items():
        row: list[Any] = [case, zone]
        for name in names:
            row += [_cell(table["measures"][name][key]) for key in ("value", "low", "high")]
        writer.writerow(row)
    return out.getvalue()


def _cell(value: float | None) -> str:
    return "" if value is None or not np.isfinite(value) else f"{value:.6g}"
