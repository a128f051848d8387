"""Landmark pairs from and to CSV: one line a pair, plane and slide in millimetres.

Columns, in any order: name, plane_depth_mm, plane_lateral_mm, slide_y_mm, slide_x_mm, observer; and
sd_mm where the spread of placing is known. UTF-8 text; commas between columns and decimal points,
or semicolons (tabs) between columns and then decimal commas too.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import numpy as np

from coreg.errors import InputError, in_one_line
from coreg.landmark_pairs import LandmarkPairs
from coreg.results import write_text

COLUMNS = (
    "name",
    "plane_depth_mm",
    "plane_lateral_mm",
    "slide_y_mm",
    "slide_x_mm",
    "observer",
)
_NUMBERS = COLUMNS[1:5]
_OPTIONAL = ("observer", "sd_mm")
FARTHEST_MM = 1e5


def read_landmarks(path: str | Path) -> LandmarkPairs:
    """Read landmark pairs; raise `InputError` that names the line for anything unclear.

    A file with a header only gives an empty set.
    """
    path = Path(path)
    text = _text(path)
    delimiter = _delimiter(text)
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    try:
        return _pairs(path.name, rows, decimal_comma=delimiter != ",")
    except csv.Error as error:
        raise InputError(
            f"{path.name}, line {rows.line_num}: the line cannot be split into columns ({error}); "
            "check its quotation marks."
        ) from error


def write_landmarks(path: str | Path, pairs: LandmarkPairs) -> None:
    """Write landmark pairs atomically; coordinates come back exactly."""
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, lineterminator="\n")
    with_sd = pairs.sd_mm is not None
    writer.writerow([*COLUMNS, "sd_mm"] if with_sd else COLUMNS)
    for i, name in enumerate(pairs.names):
        numbers = [repr(float(v)) for v in (*pairs.plane[i], *pairs.slide[i])]
        row = [name, *numbers, pairs.observers[i]]
        if pairs.sd_mm is not None:
            row.append(repr(float(pairs.sd_mm[i])) if np.isfinite(pairs.sd_mm[i]) else "")
        writer.writerow(row)
    write_text(Path(path), buffer.getvalue())


def _text(path: Path) -> str:
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise InputError(
            f"The landmarks {path.name} cannot be read ({error.strerror}); check the path and "
            "your right to read it."
        ) from error
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise InputError(
            f"{path.name}, line {line}: the text is not UTF-8; save it as CSV in UTF-8."
        ) from error
    if "\0" in text:
        raise InputError(f"{path.name} is not UTF-8 text; save it as CSV in UTF-8.")
    return text


def _delimiter(text: str) -> str:
    header = next((line for line in text.splitlines() if line.strip()), "")
    return max((",", ";", "\t"), key=header.count)


def _pairs(file: str, rows: Any, *, decimal_comma: bool) -> LandmarkPairs:
    columns: list[str] | None = None
    points, names, observers, spreads = [], [], [], []
    seen: dict[tuple[str, str], int] = {}
    for row in rows:
        if not any(cell.strip() for cell in row):
            continue
        cells = [cell.strip() for cell in row]
        where = f"{file}, line {rows.line_num}"
        if columns is None:
            columns = _header(cells, where)
            continue
        if len(cells) != len(columns):
            hint = ""
            if not decimal_comma and len(cells) > len(columns):
                hint = " (decimal commas need semicolons between the columns)"
            raise InputError(
                f"{where}: expected {len(columns)} columns as in the header, got {len(cells)}"
                f"{hint}; correct the line."
            )
        line = dict(zip(columns, cells, strict=True))
        name, observer = line["name"], line.get("observer", "")
        if not name:
            raise InputError(f"{where}: the landmark has no name; give it one.")
        if (name, observer) in seen:
            by = f" by {observer}" if observer else ""
            raise InputError(
                f"{where}: landmark {name!r}{by} is already on line {seen[name, observer]}; "
                "rename or remove one."
            )
        seen[name, observer] = rows.line_num
        points.append([_number(line[key], key, where, decimal_comma) for key in _NUMBERS])
        spreads.append(_spread(line.get("sd_mm", ""), where, decimal_comma))
        names.append(name)
        observers.append(observer)
    if columns is None:
        raise InputError(f"{file} is empty; its first line should read {','.join(COLUMNS)}.")
    table = np.array(points, dtype=np.float64).reshape(-1, 4)
    sd = np.array(spreads, dtype=np.float64)
    return LandmarkPairs(
        table[:, :2],
        table[:, 2:],
        tuple(names),
        tuple(observers),
        sd if np.isfinite(sd).any() else None,
    )


def _header(cells: list[str], where: str) -> list[str]:
    columns = [cell.lower() for cell in cells]
    missing = [name for name in COLUMNS if name not in columns and name not in _OPTIONAL]
    unknown = [name for name in columns if name not in COLUMNS and name not in _OPTIONAL]
    twice = sorted({name for name in columns if columns.count(name) > 1})
    if missing or unknown or twice:
        wrong = (
            f"column {missing[0]!r} is missing"
            if missing
            else f"column {unknown[0]!r} is not known"
            if unknown
            else f"column {twice[0]!r} stands twice"
        )
        raise InputError(f"{where}: {wrong}; expected the columns {', '.join(COLUMNS)}.")
    return columns


def _number(text: str, column: str, where: str, decimal_comma: bool) -> float:
    try:
        value = float(text.replace(",", ".") if decimal_comma else text)
    except ValueError:
        value = float("nan")
    if not np.isfinite(value):
        hint = "write decimals with a point" if "," in text else "give a number in mm"
        raise InputError(f"{where}: {column} {in_one_line(text, 80)!r} is not a number; {hint}.")
    if abs(value) > FARTHEST_MM:
        raise InputError(
            f"{where}: {column} {in_one_line(text, 80)!r} is more than 100 m away; give it in mm."
        )
    return value


def _spread(text: str, where: str, decimal_comma: bool) -> float:
    if not text:
        return float("nan")
    value = _number(text, "sd_mm", where, decimal_comma)
    if value <= 0:
        raise InputError(f"{where}: sd_mm {text!r} should be above 0, or left empty.")
    return value
