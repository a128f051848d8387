"""A study: which cases it has, and the animal, group and time of each."""

from __future__ import annotations

import csv
import os
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from coreg.case import CASE_FILE
from coreg.errors import InputError, UsageError

COLUMNS = ("case", "animal", "group", "time")
RESULTS = "cohort"


@dataclass(frozen=True)
class StudyCase:
    """One case of a study.

    name : unique in the study: the folder, from the study's folder
    animal : the case's name where no animal is given; cases of one animal are not independent
    """

    name: str
    folder: Path
    animal: str
    group: str = ""
    time: str = ""


@dataclass(frozen=True)
class Study:
    """Cases in the order of their names; `folder` is where results go, in a folder "cohort"."""

    name: str
    folder: Path
    cases: tuple[StudyCase, ...]

    @property
    def results(self) -> Path:
        """Where the study's tables are written."""
        return self.folder / RESULTS


def load_study(path: str | os.PathLike[str]) -> Study:
    """Read a study from a folder of case folders, or from a CSV file.

    A folder: every folder directly inside it that holds a case.toml; animal, group and time from
    there. A CSV file: a row a case, column "case" (its folder, from the CSV's folder), and where
    wanted "animal", "group", "time", which go before those of case.toml.

    Raises
    ------
    UsageError : nothing there
    InputError : no case in it, a case twice, or a CSV without the column "case"
    """
    place = Path(path)
    if place.is_dir():
        folders = sorted(f.parent for f in place.glob(f"*/{CASE_FILE}"))
        if not folders:
            raise InputError(
                f"{place} holds no case folder; give a folder whose folders hold {CASE_FILE}, or "
                "a CSV file with a column 'case'."
            )
        cases = [_case(folder.name, folder, {}) for folder in folders]
        return Study(place.absolute().name, place.absolute(), tuple(cases))
    if not place.is_file():
        raise UsageError(f"{place} is neither a folder of cases nor a CSV file of them.")
    cases = [_case(row["case"], place.absolute().parent / row["case"], row) for row in _rows(place)]
    names = [case.name for case in cases]
    if twice := sorted({name for name in names if names.count(name) > 1}):
        raise InputError(f"{place}: the case {twice[0]!r} is listed twice; keep one row a case.")
    places = [os.path.realpath(case.folder) for case in cases]
    for number, case in enumerate(cases):
        if places[number] in places[:number]:
            raise InputError(
                f"{place}: {case.name!r} is the folder of another row too; keep one row a case."
            )
    ordered = sorted(cases, key=lambda case: case.name)
    return Study(place.stem, place.absolute().parent, tuple(ordered))


def _rows(path: Path) -> list[dict[str, str]]:
    try:
        with open(path, encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file)
            header = [name.strip().lower() for name in reader.fieldnames or []]
            if any("\0" in name for name in header):
                raise csv.Error("NUL character")
            reader.fieldnames = header
            rows = [{k: (v or "").strip() for k, v in row.items() if k} for row in reader]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputError(
            f"{path} cannot be read as a CSV table in UTF-8 ({error}); save it as that."
        ) from error
    if "case" not in header:
        raise InputError(f"{path} has no column 'case'; its header should be {', '.join(COLUMNS)}.")
    if twice := sorted({name for name in header if header.count(name) > 1}):
        raise InputError(f"{path} has the column {twice[0]!r} twice; keep one.")
    rows = [row for row in rows if any(row.values())]
    for number, row in enumerate(rows, start=2):
        if not row["case"]:
            raise InputError(
                f"{path}, line {number}: the column 'case' is empty; name the case's folder."
            )
        if "\0" in row["case"]:
            raise InputError(
                f"{path}, line {number}: the case's folder holds a NUL character; take it out."
            )
    if not rows:
        raise InputError(f"{path} lists no case; add a row for each.")
    return rows


def _case(name: str, folder: Path, given: dict[str, str]) -> StudyCase:
    """A case with what its own file says where the study says nothing.

    A file that cannot be read is left to the run, which lists the case as failed.
    """
    own: dict[str, Any] = {}
    try:
        with open(folder / CASE_FILE, "rb") as file:
            own = tomllib.load(file).get("case", {})
    except (OSError, tomllib.TOMLDecodeError, UnicodeDecodeError):
        own = {}
    if not isinstance(own, dict):
        own = {}
    animal, group, time = (str(given.get(key) or own.get(key) or "") for key in COLUMNS[1:])
    return StudyCase(name, folder, animal or name, group, time)
