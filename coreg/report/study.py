"""What the report of a study says, from the tables that the study's run wrote."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from coreg.cohort import Study
from coreg.errors import InputError
from coreg.figure import (
    Estimate,
    Layout,
    MethodComparison,
    StudyData,
    draw,
    legend,
    save,
    to_bytes,
    write_numbers,
)
from coreg.figure.words import estimate_text, in_order, measure_name, number, with_interval
from coreg.report.cautions import CAUTIONS
from coreg.report.document import (
    Block,
    Bullets,
    Document,
    Paragraph,
    Picture,
    Section,
    Table,
)
from coreg.report.provenance import versions_table
from coreg.report.references import Cited
from coreg.results import finish_set

_LAYOUT = Layout(columns=3)
_QUANTITIES = {
    "area_mm2": ("area", "mm²"),
    "depth_mm": ("depth", "mm"),
    "width_mm": ("width", "mm"),
}


def study_document(study: Study) -> tuple[Document, dict[str, StudyData]]:
    """The report of a study, and the figure data of each pathology lesion.

    Raises
    ------
    InputError : the study has not been run, or its tables cannot be read
    """
    summary, rows = _read(study)
    figures = {
        zone: study_data(study.name, zone, found, rows) for zone, found in summary["zones"].items()
    }
    sections = [
        Section("Cautions", (Bullets(CAUTIONS),)),
        Section("What was compared", _compared(study, summary)),
        *(
            Section(
                f"Predicted lesion against {zone}",
                (_picture(figures[zone]), *_zone(found)),
            )
            for zone, found in summary["zones"].items()
        ),
        *_observers(summary.get("observers", {})),
        Section("Each case", (_cases(rows),)),
        Section("What was left out, and why", _failed(summary)),
        Section("Methods", _methods(summary)),
        Section("Versions and files", _made_from(summary["made_from"])),
    ]
    line = f"{summary['done']} of {summary['cases']} cases."
    return Document(f"Predicted lesion and pathology: {study.name}", line, tuple(sections)), figures


def study_figure_files(figures: Mapping[str, StudyData], folder: Path) -> list[Path]:
    """Write each lesion's figure with its legend's numbers beside the report."""
    paths: list[Path] = []
    for zone, data in figures.items():
        stem = f"figure-{zone.replace(' + ', '-')}"
        paths += save(draw(data, _LAYOUT), folder, ("pdf", "png"), stem=stem)
        paths += write_numbers(data, folder, stem)
    return paths


def study_data(
    name: str, zone: str, found: Mapping[str, Any], rows: Sequence[Mapping[str, str]]
) -> StudyData:
    """Areas of one lesion over the cases, with the statistics as the study computed them."""
    chosen = [row for row in rows if row["zone"] == zone]
    compared = found["comparisons"].get("area_mm2", {})
    line, limits = compared.get("deming", {}), compared.get("bland_altman", {})
    return StudyData(
        name,
        tuple(row["case"] for row in chosen),
        tuple(row["animal"] for row in chosen),
        np.array([_float(row, "predicted_area_mm2") for row in chosen]),
        np.array([_float(row, "pathology_area_mm2") for row in chosen]),
        MethodComparison(
            "area",
            "mm²",
            _with_ci(limits, "bias"),
            _with_ci(limits, "lower"),
            _with_ci(limits, "upper"),
            _with_ci(line, "slope"),
            _with_ci(line, "intercept"),
            "Deming regression",
        ),
        zone,
        {
            "dice": tuple(
                Estimate(_float(row, "dice"), _float(row, "dice_low"), _float(row, "dice_high"))
                for row in chosen
            )
        },
    )


def _read(study: Study) -> tuple[dict[str, Any], list[dict[str, str]]]:
    try:
        finish_set(study.results)
        summary = json.loads((study.results / "cohort.json").read_text(encoding="utf-8"))
        table = (study.results / "cohort.csv").read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise InputError(
            f"The study in {study.folder} has not been run; run 'coreg cohort {study.folder}' "
            "before its report."
        ) from error
    except (OSError, ValueError) as error:
        raise InputError(
            f"The tables in {study.results} cannot be read ({error}); delete that folder and run "
            f"'coreg cohort {study.folder}' again."
        ) from error
    return summary, list(csv.DictReader(io.StringIO(table)))


def _picture(data: StudyData) -> Picture:
    return Picture(
        to_bytes(draw(data, _LAYOUT), "png", 200),
        f"Study figure, {data.zone}: predicted against pathology {data.comparison.quantity}, "
        "difference against mean, and Dice of each case. The legend below gives the numbers.",
        legend(data, _LAYOUT),
    )


def _compared(study: Study, summary: Mapping[str, Any]) -> tuple[Block, ...]:
    animals = {case.animal for case in study.cases}
    groups = sorted({case.group for case in study.cases if case.group})
    rows = [
        ("Study", study.name),
        ("Cases", f"{summary['done']} done of {summary['cases']}"),
        ("Animals", str(len(animals))),
        ("Groups", ", ".join(groups) or "none named"),
    ]
    return (Table("The study in short", ("What", "Which"), tuple(rows), (1, 4)),)


def _zone(found: Mapping[str, Any]) -> tuple[Block, ...]:
    n = f"n = {found['n']} lesions of {found['animals']} animals"
    rows = [
        (
            measure_name(measure),
            with_interval(measure, estimate) if "value" in estimate else estimate["reason"],
            f"{estimate['n']} lesions, {estimate['animals']} animals" if "n" in estimate else "",
        )
        for measure, estimate in in_order(found["measures"]).items()
    ]
    blocks: list[Block] = [
        Table(
            f"Mean over lesions ({n})",
            ("Measure", "Mean (95 % interval)", "Based on"),
            tuple(rows),
            (3, 3, 2),
        )
    ]
    blocks += [
        _comparison(quantity, compared) for quantity, compared in found["comparisons"].items()
    ]
    blocks += _threshold(found["threshold"])
    blocks += _groups(found["groups"])
    return tuple(blocks)


def _comparison(quantity: str, compared: Mapping[str, Any]) -> Table:
    name, unit = _QUANTITIES[quantity]
    limits = compared["bland_altman"]
    rows = [
        ("Bias, predicted − pathology", _estimate(limits, "bias", unit)),
        ("Lower limit of agreement", _estimate(limits, "lower", unit)),
        ("Upper limit of agreement", _estimate(limits, "upper", unit)),
        ("Change of the difference per mean", _estimate(limits, "slope", "")),
        ("Concordance correlation", _single(compared["concordance"])),
        ("Intraclass correlation, ICC(2,1)", _single(compared["intraclass"])),
        ("Deming slope", _estimate(compared["deming"], "slope", "")),
        ("Deming intercept", _estimate(compared["deming"], "intercept", unit)),
        ("Passing–Bablok slope", _estimate(compared["passing_bablok"], "slope", "")),
        ("Passing–Bablok intercept", _estimate(compared["passing_bablok"], "intercept", unit)),
        ("r²", _single(compared["r_squared"])),
    ]
    n = limits.get("n")
    counted = f" (n = {n}, {limits.get('animals')} animals)" if n else ""
    return Table(
        f"Predicted against pathology {name}{counted}",
        ("Statistic", "Value (95 % interval)"),
        tuple(rows),
        (2, 3),
    )


def _threshold(found: Mapping[str, Any]) -> list[Block]:
    if "reason" in found:
        return [Paragraph(f"No threshold was chosen: {found['reason']}")]
    low, high = found["spread_percent"]
    unbiased = _estimate(found, "unbiased_dice", "", "unbiased_ci")
    return [
        Paragraph(
            f"The best threshold over all {len(found['left_out'])} animals is "
            f"{number(found['threshold_percent'], 1)} %. With each animal left out in turn the "
            f"thresholds ran from {number(low, 1)} to {number(high, 1)} %; on the animals left out "
            f"they gave a mean Dice of {unbiased}, against "
            f"{number(found['optimistic_dice'], 2)} on the animals that they were chosen on."
        )
    ]


def _groups(found: Mapping[str, Any]) -> list[Block]:
    if "reason" in found:
        return [Paragraph(f"Groups were not compared: {found['reason']}.".replace("..", "."))]
    pairs = found["pairs"]
    header = tuple(str(key).replace("_", " ") for key in pairs[0])
    rows = tuple(tuple(_plain(value) for value in pair.values()) for pair in pairs)
    return [Table("Dice between groups", header, rows)]


def _observers(found: Mapping[str, Any]) -> list[Section]:
    """Kappa between the pathology's observers; no section where no case has several."""
    tables = []
    for group in found.get("by_observers", ()):
        rows = tuple(
            (name, _single(kappa), f"{kappa['n']} cases, {kappa['animals']} animals")
            for name, kappa in group["kappa"].items()
        )
        title = f"{group['form']} kappa of {group['observers']} observers"
        header = ("What is told apart", "Kappa (95 % interval)", "Based on")
        tables.append(Table(f"{title} ({', '.join(group['names'])})", header, rows, (3, 3, 2)))
    return [Section("Agreement between observers", tuple(tables))] if tables else []


def _cases(rows: Sequence[Mapping[str, str]]) -> Table:
    measures = ("dice", "predicted_area_mm2", "pathology_area_mm2", "hd95_mm")
    shown = [
        (
            row["case"],
            row["animal"],
            row["zone"],
            *(
                with_interval(
                    m, {end: _float(row, f"{m}{tail}") for end, tail in _ENDS.items()}, unit=False
                )
                for m in measures
            ),
        )
        for row in rows
    ]
    header = ("Case", "Animal", "Lesion", "Dice", "Predicted (mm²)", "Pathology (mm²)", "HD95 (mm)")
    widths = (1.4, 1.2, 1.5, 1.4, 1.5, 1.5, 1.4)
    return Table("Each case, 95 % intervals in brackets", header, tuple(shown), widths)


_ENDS = {"value": "", "low": "_low", "high": "_high"}


def _failed(summary: Mapping[str, Any]) -> tuple[Block, ...]:
    if not summary["failed"]:
        return (Paragraph("No case was left out."),)
    return (Bullets(tuple(f"{item['case']}: {item['reason']}" for item in summary["failed"])),)


def _methods(summary: Mapping[str, Any]) -> tuple[Block, ...]:
    cite = Cited()
    text = (
        "Predicted and pathology lesions were compared case by case (see each case's own report). "
        "Means over lesions have 95 % intervals from a bias-corrected bootstrap over animals "
        f"(seed {summary['made_from']['seed']}) {cite('bootstrap')}, so that several lesions of "
        "one animal do not count as independent. Predicted and pathology area, depth and width "
        f"were compared by Bland–Altman limits of agreement {cite('bland-altman')}, the "
        f"concordance correlation coefficient {cite('concordance')} and the intraclass correlation "
        f"ICC(2,1) {cite('intraclass')} (one mean pair an animal), and by Deming {cite('deming')} "
        f"and Passing–Bablok {cite('passing-bablok')} regression of predicted on pathology. The "
        "threshold of change was the one with the largest mean Dice "
        f"{cite('dice')}, every animal counting once; its agreement is that on each animal left "
        "out in turn."
    )
    return Paragraph(text), Bullets(tuple(cite.listed()), numbered=True)


def _made_from(made: Mapping[str, Any]) -> tuple[Block, ...]:
    rows = tuple((case, value) for case, value in sorted(made["agreement_sha256"].items()))
    return (
        Table("Agreement of each case", ("Case", "SHA-256"), rows, (1, 3)),
        versions_table({"study": made["versions"]}),
    )


def _float(row: Mapping[str, str], name: str) -> float:
    return float(row.get(name) or "nan")


def _with_ci(found: Mapping[str, Any], name: str) -> Estimate | None:
    if found.get(name) is None:
        return None
    low, high = found.get(f"{name}_ci") or (None, None)
    return Estimate(found[name], _or_nan(low), _or_nan(high))


def _or_nan(value: float | None) -> float:
    return float("nan") if value is None else value


def _estimate(found: Mapping[str, Any], name: str, unit: str, interval: str = "") -> str:
    if "reason" in found:
        return str(found["reason"])
    low, high = found.get(interval or f"{name}_ci") or (None, None)
    value = _or_nan(found.get(name))
    return estimate_text(Estimate(value, _or_nan(low), _or_nan(high)), unit)


def _single(found: Mapping[str, Any]) -> str:
    """A statistic that calls its number "value" and its limits "low" and "high"."""
    if "reason" in found:
        return str(found["reason"])
    low, high = found.get("ci") or (found.get("low"), found.get("high"))
    value = _or_nan(found.get("value"))
    return estimate_text(Estimate(value, _or_nan(low), _or_nan(high)), "")


def _plain(value: Any) -> str:
    if isinstance(value, float):
        return number(value, 3)
    if isinstance(value, list):
        return " to ".join(_plain(item) for item in value)
    return str(value)
