"""Run a study: every case, then the statistics and tables over those that were done."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from coreg.cohort.observers import study_kappas
from coreg.cohort.study import Study, StudyCase
from coreg.cohort.summary import ZoneTable, summarise_zone
from coreg.cohort.tables import csv_text, header, markdown, measure_names, rows
from coreg.cohort.work import Record, Work, run_one, work_through
from coreg.errors import InputError
from coreg.results import (
    Results,
    finish_set,
    refuse_leading_out,
    to_json,
    versions,
    write_set,
    write_text,
)

Progress = Callable[[float, str], None]
SEED = 0


@dataclass(frozen=True)
class StudyResult:
    """What a run of a study gave.

    done : names of the cases with an agreement; ran : those among them that had something to do
    failed : (name, reason)
    summary : as in the JSON: "zones" → lesion → statistics
    table, report, markdown : the files
    """

    study: str
    done: tuple[str, ...]
    ran: tuple[str, ...]
    failed: tuple[tuple[str, str], ...]
    summary: dict[str, Any]
    table: Path
    report: Path
    markdown: Path

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            **self.summary,
            "study": self.study,
            "done": list(self.done),
            "ran": list(self.ran),
            "failed": [{"case": name, "reason": reason} for name, reason in self.failed],
            "table": str(self.table),
            "report": str(self.report),
            "markdown": str(self.markdown),
        }

    def lines(self) -> list[str]:
        """The result in words for a terminal."""
        text = [f"{len(self.done)} cases done ({len(self.ran)} now), {len(self.failed)} failed."]
        text += [f"  {name}: {reason}" for name, reason in self.failed]
        for zone, found in self.summary["zones"].items():
            dice, choice = found["measures"].get("dice", {}), found["threshold"]
            if dice.get("value") is not None:
                interval = ""
                if dice["low"] is not None:
                    interval = f" (95 % interval {dice['low']:.2f} to {dice['high']:.2f})"
                text.append(
                    f"{zone}: mean Dice {dice['value']:.2f}{interval}, {dice['n']} lesions of "
                    f"{dice['animals']} animals."
                )
            if "reason" not in choice:
                text.append(
                    f"  Threshold {choice['threshold_percent']:g} %: Dice "
                    f"{choice['unbiased_dice']:.2f} on animals left out, "
                    f"{choice['optimistic_dice']:.2f} on those it was chosen on."
                )
        text.append(f"Tables: {self.table}, {self.markdown}, {self.report}")
        return text


def run_study(
    study: Study,
    scheduler: str | None = None,
    progress: Progress | None = None,
    *,
    workers: int | None = None,
    work: Work = run_one,
    seed: int = SEED,
) -> StudyResult:
    """Run every case and write the study's tables into its folder "cohort".

    Written are cohort.csv (a row a case and lesion), failed.csv, cohort.json (statistics and what
    made them), cohort.md, and records/ with the numbers of each case. The bytes depend on the
    cases alone, not on where or in which order they ran. A case that fails is listed with its
    reason and stops nothing; a rerun does only what is to do or stale.

    Parameters
    ----------
    scheduler, workers : see `work_through`
    work : what is done for a case folder; `run_one` unless a test says otherwise
    seed : of the bootstraps, stored with the result
    progress : called with a fraction and a text; may raise `Cancelled`, then the tables stay as
        they were and cases in work are finished or undone by their own rules

    Raises
    ------
    InputError : the results cannot be written
    UsageError : no scheduler answers
    """
    refuse_leading_out(study.results, study.folder)
    records = study.results / "records"
    try:
        records.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"{records} cannot be made ({error.strerror}); choose a study folder you may write to."
        ) from error
    with Results(study.results).locked():
        finish_set(study.results)
        return _run(study, scheduler, progress, workers, work, seed)


def _run(
    study: Study,
    scheduler: str | None,
    progress: Progress | None,
    workers: int | None,
    work: Work,
    seed: int,
) -> StudyResult:
    records = study.results / "records"
    by_folder = {str(case.folder): case for case in study.cases}
    ran = []
    # Records go to disk as they come, so that memory does not grow with the study.
    for number, (folder, record) in enumerate(
        work_through(list(by_folder), work, scheduler=scheduler, workers=workers), start=1
    ):
        case = by_folder[folder]
        if record.pop("ran", None) and record["state"] == "done":
            ran.append(case.name)
        write_text(_record_path(records, case), to_json(record))
        if progress is not None:
            progress(0.98 * number / len(by_folder), f"{case.name} {record['state']}")
    _drop_other_records(records, study)
    return _write_tables(study, records, tuple(sorted(ran)), seed, progress)


def _write_tables(
    study: Study, records: Path, ran: tuple[str, ...], seed: int, progress: Progress | None
) -> StudyResult:
    done: list[StudyCase] = []
    failed: list[tuple[str, str]] = []
    hashes: dict[str, str] = {}
    found: list[Record] = []
    for case in study.cases:
        record = json.loads(_record_path(records, case).read_text(encoding="utf-8"))
        if record["state"] != "done":
            failed.append((case.name, record["reason"]))
            continue
        done.append(case)
        hashes[case.name] = record["sha256"]
        found.append(record)
    names = measure_names(found)
    table = [header(names)]
    for case, record in zip(done, found, strict=True):
        table += rows(case, record, names)
    zones = _zone_tables(done, found, names)
    if progress is not None:
        progress(0.985, "Statistics over the study")
    summary = {
        "study": study.name,
        "cases": len(study.cases),
        "done": len(done),
        "failed": [{"case": name, "reason": reason} for name, reason in failed],
        "zones": {zone: summarise_zone(values, seed) for zone, values in zones.items()},
        "observers": study_kappas(
            [record.get("observers") for record in found],
            [case.animal for case in done],
            seed=seed,
        ),
    }
    provenance = {"seed": seed, "versions": versions(), "agreement_sha256": hashes}
    paths = {end: study.results / f"cohort.{end}" for end in ("csv", "json", "md")}
    write_set(
        study.results,
        {
            "cohort.csv": csv_text(table),
            "failed.csv": csv_text([["case", "reason"], *map(list, failed)]),
            "cohort.json": to_json({**summary, "made_from": provenance}),
            "cohort.md": markdown(study.name, summary, failed),
        },
    )
    if progress is not None:
        progress(1.0, "Done")
    return StudyResult(
        study.name,
        tuple(case.name for case in done),
        ran,
        tuple(failed),
        summary,
        paths["csv"],
        paths["json"],
        paths["md"],
    )


def _zone_tables(
    done: list[StudyCase], records: list[Record], names: list[str]
) -> dict[str, ZoneTable]:
    zones = list(dict.fromkeys(zone for record in records for zone in record["zones"]))
    tables = {}
    for zone in zones:
        pairs = [(c, r) for c, r in zip(done, records, strict=True) if zone in r["zones"]]
        steps = _common_thresholds([record for _, record in pairs], zone)
        tables[zone] = ZoneTable(
            tuple(case.name for case, _ in pairs),
            tuple(case.animal for case, _ in pairs),
            tuple(case.group for case, _ in pairs),
            {
                name: np.array([_value(record["zones"][zone].get(name)) for _, record in pairs])
                for name in names
            },
            steps,
            np.array([_curve(record, zone, steps) for _, record in pairs]),
        )
    return tables


def _common_thresholds(records: list[Record], zone: str) -> np.ndarray:
    """The thresholds that all cases with a curve share."""
    sets = [set(r["curves"]["thresholds_percent"]) for r in records if zone in r["curves"]["zones"]]
    return np.array(sorted(set.intersection(*sets)) if sets else [], dtype=np.float64)


def _curve(record: Record, zone: str, steps: np.ndarray) -> np.ndarray:
    curve = record["curves"]["zones"].get(zone)
    if curve is None:
        return np.full(len(steps), np.nan)
    at = dict(zip(record["curves"]["thresholds_percent"], curve, strict=True))
    return np.array([_value([at[step]]) for step in steps])


def _value(found: list[float | None] | None) -> float:
    return float("nan") if not found or found[0] is None else float(found[0])


def _record_path(records: Path, case: StudyCase) -> Path:
    """A file name from a case's name, which may hold the signs of a path."""
    safe = case.name.replace("%", "%25").replace("/", "%2F").replace("\\", "%5C")
    return records / f"{safe.replace(':', '%3A')}.json"


def _drop_other_records(records: Path, study: Study) -> None:
    """Forget cases that are no longer in the study."""
    kept = {_record_path(records, case) for case in study.cases}
    for path in records.glob("*.json"):
        if path not in kept:
            path.unlink()
