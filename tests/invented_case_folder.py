"""A case folder with invented results of every step, written as the steps write theirs."""

from __future__ import annotations

from pathlib import Path

from invented_results import invented_case

from coreg.case import Case, new_case

MEASURES = dict(invented_case().agreement)
PNG = (  # 1 × 1 pixel
    b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR\x00\x00\x00\x01\x00\x00\x00\x01\x08\x02\x00\x00\x00\x90wS"
    b"\xde\x00\x00\x00\x0cIDATx\x9cc\xf8\xff\xff?\x00\x05\xfe\x02\xfe\r\xefF\xb8\x00\x00\x00\x00IEN"
    b"D\xaeB`\x82"
)
SUMMARIES = {
    "predict": {
        "predicted_area_mm2": 25.1,
        "threshold_percent": -37.5,
        "rule": "threshold",
        "reason": "",
        "treatment_times_s": [15.0, 30.0, 45.0],
        "grid": {"shape": [80, 100], "spacing": [0.3, 0.3], "origin": [10, -15], "frame": "plane"},
        "left_out_shares": {"correlation": 0.125, "shadow": 0.0},
        "notes": ["23 % of the pixels have a baseline too low for a stable ratio."],
        "questions": ["the unit of the depth axis is not stated; mm was taken"],
    },
    "outline": {
        "source": "by hand",
        "observers": ["A. Observer", "B. Observer"],
        "method": "majority",
        "spread_mm": {"ablated": 0.14, "ablated + diffusion-damaged": 0.12},
        "slide_pixel_size_mm": [0.004, 0.004],
        "areas_as_cut_mm2": {"ablated": 18.0, "ablated + diffusion-damaged": 30.5},
        "artefact_share": 0.011,
        "notes": [],
    },
    "align": {
        "verdict": "doubtful",
        "reasons": ["The expected error over the region is 0.9 mm, 15 % of its 6.0 mm across."],
        "model": "thin-plate",
        "landmarks": 16,
        "mirrored": True,
        "judged_over": "the lesion",
        "error_mm": 0.9,
        "error_interval_mm": [0.6, 1.3],
        "leave_one_out_median_mm": 0.54,
        "residual_median_mm": 0.14,
        "worst_landmark": "renal sinus, upper end",
        "suspects": ["vessel, lower branch"],
        "shrinkage_depth": 0.141,
        "shrinkage_lateral": 0.089,
        "folded_share": 0.0,
        "area_range": [0.94, 1.11],
        "smoothing": 0.464,
    },
    "agree": {
        "zones": MEASURES,
        "reasons": {"ablated": {"pathology_outside_valid_share": "no pathology lesion at all"}},
        "left_out_mm2": {"no displacement estimate": 288.1, "no tissue on the section": 901.8},
        "valid_area_mm2": 330.1,
        "sources_without_information": {"ablated": ["threshold"]},
        "dice_that_resolution_allows": {"ablated": 0.97},
    },
}


def invented_case_folder(folder: Path, name: str = "rabbit 3, left kidney", **settings) -> Case:
    """A case with results; `settings` holds further sections of case.toml."""
    case = new_case(folder, {"case": {"name": name, "animal": "rabbit 3"}, **settings})
    for step, values in SUMMARIES.items():
        with case.writing(step, seed=7 if step == "agree" else None) as (_, summary):
            summary.update(values)
    with case.writing("figure") as (place, summary):
        (place / "figure.png").write_bytes(PNG)
        (place / "figure-legend.txt").write_text("(A) B-mode. Dice 0.81.\n", encoding="utf-8")
        summary["panels"] = ["B-mode", "Change from baseline"]
    return case
