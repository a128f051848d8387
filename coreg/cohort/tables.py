"""A study's tables: tidy CSV, failed cases, a Markdown table ready for the paper."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import Any

import numpy as np

from coreg.cohort.study import StudyCase
from coreg.cohort.work import Record

# Measures of the Markdown table and how they are called there, in this order.
SHOWN: dict[str, str] = {
    "dice": "Dice",
    "jaccard": "Jaccard",
    "sensitivity": "Sensitivity",
    "specificity": "Specificity",
    "precision": "Precision",
    "predicted_area_mm2": "Predicted area (mm²)",
    "pathology_area_mm2": "Pathology area (mm²)",
    "area_difference_mm2": "Area difference (mm²)",
    "mean_boundary_distance_mm": "Mean boundary distance (mm)",
    "hd95_mm": "95th percentile boundary distance (mm)",
    "hausdorff_mm": "Hausdorff distance (mm)",
    "centroid_offset_depth_mm": "Centroid offset, depth (mm)",
    "centroid_offset_lateral_mm": "Centroid offset, lateral (mm)",
}
QUANTITIES = {"area_mm2": "Area (mm²)", "depth_mm": "Depth (mm)", "width_mm": "Width (mm)"}


def measure_names(records: Sequence[Record]) -> list[str]:
    """All measures that any record has, in the order in which they first occur."""
    names: dict[str, None] = {}
    for record in records:
        for measures in record.get("zones", {}).values():
            names.update(dict.fromkeys(measures))
    return list(names)


def header(names: Sequence[str]) -> list[str]:
    """The columns of the tidy table."""
    columns = ["case", "animal", "group", "time", "zone"]
    return columns + [f"{name}{end}" for name in names for end in ("", "_low", "_high")]


def rows(case: StudyCase, record: Record, names: Sequence[str]) -> list[list[str]]:
    """One row a zone: value, low and high of each measure, empty where there is none."""
    found = []
    for zone, measures in record.get("zones", {}).items():
        row = [case.name, case.animal, case.group, case.time, zone]
        for name in names:
            row += [_cell(value) for value in measures.get(name, (None, None, None))]
        found.append(row)
    return found


def csv_text(table: Sequence[Sequence[str]]) -> str:
    """CSV (RFC 4180, but with plain line feeds).

    Text that a spreadsheet would take for a formula is given a quotation mark in front.
    """
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([_as_text(c) for c in row] for row in table)
    return out.getvalue()


def _as_text(cell: str) -> str:
    if not cell.startswith(("=", "+", "-", "@", "\t")):
        return cell
    try:
        float(cell)
    except ValueError:
        return f"'{cell}"
    return cell


def markdown(study: str, summary: dict[str, Any], failures: Sequence[tuple[str, str]]) -> str:
    """The study in Markdown: measures, predicted against pathology, threshold, failed cases."""
    zones: dict[str, Any] = summary["zones"]
    lines = [f"# {study}", ""]
    lines += ["Mean over lesions (95 % confidence interval by bootstrap over animals).", ""]
    lines += _table(
        [
            "Measure",
            *(f"{zone} (n = {z['n']}, {z['animals']} animals)" for zone, z in zones.items()),
        ],
        [
            [label, *(_estimate(z["measures"].get(name)) for z in zones.values())]
            for name, label in SHOWN.items()
            if any(name in z["measures"] for z in zones.values())
        ],
    )
    lines += ["", "Predicted against pathology; differences are predicted − pathology.", ""]
    lines += _table(
        [
            "Lesion", "Quantity", "n", "Bias", "Limits of agreement", "Proportional bias",
            "Concordance", "Intraclass correlation", "Deming slope", "Passing–Bablok slope", "r²",
        ],
        [
            _comparison(zone, QUANTITIES[quantity], found)
            for zone, z in zones.items()
            for quantity, found in z["comparisons"].items()
        ],
    )  # fmt: skip
    lines += ["", "Threshold on the change, chosen with each animal left out in turn.", ""]
    lines += _table(
        [
            "Lesion",
            "Threshold (%)",
            "Range when left out (%)",
            "Dice, unbiased",
            "Dice, optimistic",
        ],
        [[zone, *_threshold(z["threshold"])] for zone, z in zones.items()],
    )
    lines += _groups(zones)
    lines += _observers(summary["observers"])
    lines += ["", f"Cases done: {summary['done']}; failed: {len(failures)}."]
    lines += [f"- {name}: {reason}" for name, reason in failures]
    return "\n".join([*lines, ""])


def _table(head: Sequence[str], body: Sequence[Sequence[str]]) -> list[str]:
    def line(cells: Sequence[str]) -> str:
        return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"

    rule = "|" + "|".join([" --- ", *(" ---: " for _ in head[1:])]) + "|"
    return [line(head), rule, *(line(row) for row in body)]


def _cell(value: float | None) -> str:
    return "" if value is None or not np.isfinite(value) else f"{value:.6g}"


def _number(value: float | None) -> str:
    """Three figures, a true minus sign, never an exponent."""
    if value is None or not np.isfinite(value):
        return "–"
    size = abs(value)
    digits = 0 if size >= 100 else 1 if size >= 10 else 2
    text = f"{value:.{digits}f}"
    return "−" + text[1:] if text.startswith("-") and float(text) != 0 else text.lstrip("-")


def _range(low: float | None, high: float | None) -> str:
    return f"{_number(low)} to {_number(high)}"


def _estimate(found: dict[str, Any] | None) -> str:
    if found is None or found["value"] is None:
        return "–"
    if found["low"] is None:
        return _number(found["value"])
    return f"{_number(found['value'])} ({_range(found['low'], found['high'])})"


def _with_interval(found: dict[str, Any], name: str) -> str:
    if "reason" in found:
        return "–"
    return f"{_number(found[name])} ({_range(*found[f'{name}_ci'])})"


def _comparison(zone: str, quantity: str, found: dict[str, Any]) -> list[str]:
    limits = found["bland_altman"]
    if "reason" in limits:
        first = ["–", "–", "–", "–"]
    else:
        first = [
            str(limits["n"]),
            _with_interval(limits, "bias"),
            f"{_with_interval(limits, 'lower')}; {_with_interval(limits, 'upper')}",
            f"{'yes' if limits['proportional'] else 'no'}, {_with_interval(limits, 'slope')}",
        ]
    concordance, intraclass = found["concordance"], found["intraclass"]
    form = "" if "reason" in intraclass else f", {intraclass['form']}"
    return [
        zone,
        quantity,
        *first,
        "–" if "reason" in concordance else _estimate(concordance),
        "–" if "reason" in intraclass else _estimate(intraclass) + form,
        _with_interval(found["deming"], "slope"),
        _with_interval(found["passing_bablok"], "slope"),
        "–" if "reason" in found["r_squared"] else _estimate(found["r_squared"]),
    ]


def _threshold(found: dict[str, Any]) -> list[str]:
    if "reason" in found:
        return ["–"] * 4
    return [
        _number(found["threshold_percent"]),
        _range(*found["spread_percent"]),
        f"{_number(found['unbiased_dice'])} ({_range(*found['unbiased_ci'])})",
        _number(found["optimistic_dice"]),
    ]


def _groups(zones: dict[str, Any]) -> list[str]:
    body = [
        [
            zone,
            f"{pair['second']} − {pair['first']}",
            f"{pair['animals'][1]}, {pair['animals'][0]}",
            _with_interval(pair, "difference"),
            _with_interval(pair, "hedges_g"),
            f"{pair['p']:.3f}" if np.isfinite(pair["p"]) else "–",
        ]
        for zone, z in zones.items()
        for pair in z["groups"].get("pairs", ())
    ]
    if not body:
        return []
    head = ["Lesion", "Groups", "Animals", "Difference of Dice", "Hedges' g", "p (Welch)"]
    return ["", "Groups, by animal.", "", *_table(head, body)]


def _observers(found: dict[str, Any]) -> list[str]:
    body = [
        [
            distinction,
            f"{group['observers']} ({', '.join(group['names'])})",
            f"{kappa['n']}, {kappa['animals']}",
            f"{group['form']}'{'' if group['form'].endswith('s') else 's'}",
            _estimate(kappa),
        ]
        for group in found.get("by_observers", ())
        for distinction, kappa in group["kappa"].items()
    ]
    if not body:
        return []
    head = ["What is told apart", "Observers", "Cases, animals", "Kappa", "Value"]
    text = "Kappa between the pathology's observers (95 % interval by bootstrap over animals)."
    return ["", text, "", *_table(head, body)]
