"""The numbers behind every panel, as CSV beside the figure."""

from __future__ import annotations

import csv
import io
import math
import os
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from coreg.errors import InputError
from coreg.figure.data import Estimate, FigureData, StudyData
from coreg.geometry import Image, Outline
from coreg.results import write_text

Table = tuple[tuple[str, ...], list[tuple[Any, ...]]]  # header, rows


def write_numbers(
    data: FigureData | StudyData, folder: str | os.PathLike[str], stem: str = "figure"
) -> list[Path]:
    """Write `<stem>-<what>.csv` for every map, outline and plot that the data holds.

    Units stand in the column names; an empty cell is "no value". UTF-8, comma, point as decimal
    mark, the same bytes for the same numbers. Pictures (B-mode, sections) have no numbers here:
    their files are the source.
    """
    tables = study_tables(data) if isinstance(data, StudyData) else case_tables(data)
    place = Path(folder)
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"{place} cannot be made ({error.strerror}); choose a folder you may write to."
        ) from error
    paths = []
    for name, (header, rows) in tables.items():
        path = place / f"{stem}-{name}.csv"
        write_text(path, _csv(header, rows))
        paths.append(path)
    return paths


def case_tables(data: FigureData) -> dict[str, Table]:
    """The numbers of a case, by what they are."""
    tables: dict[str, Table] = {}
    for name, unit in (
        ("baseline", "amplitude_um"),
        ("final", "amplitude_um"),
        ("change_percent", "change_percent"),
        ("error_mm", "error_mm"),
    ):
        image = getattr(data, name)
        if image is not None:
            inside = data.valid if image is data.change_percent else None
            tables[name.split("_")[0]] = _map(image, unit, inside)
    if data.predicted or data.pathology:
        tables["outlines-plane"] = _outlines((*data.predicted, *data.pathology), "depth", "lateral")
    if data.section_outlines:
        tables["outlines-section"] = _outlines(data.section_outlines, "y", "x")
    if data.agreement:
        rows = [
            (zone, measure, e.get("value"), e.get("low"), e.get("high"))
            for zone, measures in data.agreement.items()
            for measure, e in measures.items()
        ]
        tables["agreement"] = (("pathology_lesion", "measure", "value", "low_95", "high_95"), rows)
    if data.course is not None:
        columns = {k: v for k, v in vars(data.course).items() if v is not None}
        tables["course"] = (tuple(columns), list(zip(*columns.values(), strict=True)))
    if data.threshold_curves:
        tables["threshold"] = _thresholds(data)
    return tables


def study_tables(data: StudyData) -> dict[str, Table]:
    """The numbers of a study, by what they are."""
    about = data.comparison
    unit = about.unit.replace("²", "2")
    header = ["case", "animal", f"predicted_{unit}", f"pathology_{unit}"]
    header += [f"mean_{unit}", f"difference_{unit}"]
    columns: list[Any] = [data.cases, data.animals, data.predicted, data.pathology]
    columns += [(data.predicted + data.pathology) / 2, data.predicted - data.pathology]
    for measure, estimates in data.per_case.items():
        header += [measure, f"{measure}_low_95", f"{measure}_high_95"]
        columns += [[getattr(e, k) for e in estimates] for k in ("value", "low", "high")]
    tables: dict[str, Table] = {"cases": (tuple(header), list(zip(*columns, strict=True)))}
    lines = [
        (name, estimate.value, estimate.low, estimate.high)
        for name in ("bias", "lower_limit", "upper_limit", "slope", "intercept")
        if isinstance(estimate := getattr(about, name), Estimate)
    ]
    if lines:
        tables["comparison"] = (("what", "value", "low_95", "high_95"), lines)
    if data.threshold_curves:
        tables["threshold"] = _thresholds(data)
    return tables


def _map(image: Image, unit: str, valid: np.ndarray | None) -> Table:
    points = image.grid.centres()
    header = ("depth_mm", "lateral_mm", unit)
    columns = [points[:, 0], points[:, 1], image.data.ravel().astype(np.float64)]
    if valid is not None:
        return (*header, "valid"), list(zip(*columns, valid.ravel().astype(int), strict=True))
    return header, list(zip(*columns, strict=True))


def _outlines(outlines: Iterable[Outline], first: str, second: str) -> Table:
    rows: list[tuple[Any, ...]] = []
    for number, outline in enumerate(outlines, start=1):
        rings = (outline.exterior, *outline.holes)
        for ring_number, ring in enumerate(rings):
            kind = "hole" if ring_number else "exterior"
            rows += [(number, outline.zone, ring_number, kind, *point) for point in ring]
    return ("outline", "zone", "ring", "kind", f"{first}_mm", f"{second}_mm"), rows


def _thresholds(data: FigureData | StudyData) -> Table:
    rows: list[tuple[Any, ...]] = []
    for curve in data.threshold_curves:
        nothing = np.full(len(curve.dice), np.nan)
        low = nothing if curve.low is None else curve.low
        high = nothing if curve.high is None else curve.high
        used = nothing if curve.used_percent is None else np.full(len(low), curve.used_percent)
        points = zip(curve.threshold_percent, curve.dice, low, high, used, strict=True)
        rows += [(curve.label, *point) for point in points]
    header = ("pathology_lesion", "threshold_percent", "dice", "low_95", "high_95", "used_percent")
    return header, rows


def _csv(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows([_cell(value) for value in row] for row in rows)
    return text.getvalue()


def _cell(value: Any) -> Any:
    """Numbers to seven significant digits; nothing for None, NaN and infinity."""
    if value is None:
        return ""
    if isinstance(value, float | np.floating):
        return f"{value + 0.0:.7g}" if math.isfinite(value) else ""
    return value
