"""The report of a study, from the tables that a run of the study writes."""

from __future__ import annotations

import re

import numpy as np
import pytest

from coreg.cohort import Study, StudyCase, run_study
from coreg.errors import InputError
from coreg.report import study_document, study_report
from coreg.report.html import to_html

THRESHOLDS = [-60.0, -50.0, -40.0, -30.0, -20.0]


def invented_record(folder):
    """What a case's run would give, made up from its number."""
    number = int(folder.rsplit("-", 1)[1])
    if number == 11:
        return {"state": "failed", "reason": "no landmarks; place some", "ran": []}
    rng = np.random.default_rng(number)
    area = float(rng.uniform(10, 40))
    zones = {}
    for zone, factor in (("ablated", 1.0), ("ablated + diffusion-damaged", 1.4)):
        values = {
            "dice": 0.7 + 0.02 * (number % 7),
            "predicted_area_mm2": area + float(rng.normal(1, 1)),
            "pathology_area_mm2": area * factor,
            "predicted_depth_mm": np.sqrt(area) + float(rng.normal(0, 0.2)),
            "pathology_depth_mm": np.sqrt(area),
            "predicted_width_mm": np.sqrt(area) + float(rng.normal(0, 0.2)),
            "pathology_width_mm": np.sqrt(area),
            "hd95_mm": 1.0,
        }
        zones[zone] = {
            name: [float(v), float(v) * 0.9, float(v) * 1.1] for name, v in values.items()
        }
    return {
        "state": "done",
        "reason": "",
        "ran": ["agree"],
        "sha256": f"{number:064x}",
        "zones": zones,
        "observers": {
            "observers": ["pathologist 1", "pathologist 2"],
            "labels": ["neither", "diffusion-damaged", "ablated"],
            "patterns": [[0, 0], [0, 1], [1, 1], [2, 1], [2, 2]],
            "areas_mm2": [50.0, 1.0 + number / 10, area / 2, 1.5, area],
        },
        "curves": {
            "thresholds_percent": THRESHOLDS,
            "zones": {zone: [0.4, 0.6, 0.75, 0.7, 0.5] for zone in zones},
        },
    }


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    folder = tmp_path_factory.mktemp("study")
    cases = tuple(
        StudyCase(
            f"case-{i:02d}",
            folder / f"case-{i}",
            f"rabbit {i // 2}",
            "high" if i // 2 % 2 else "low",
        )
        for i in range(12)
    )
    study = Study("rabbits, one fixed focus", folder, cases)
    run_study(study, work=invented_record, workers=0)
    return study


@pytest.fixture(scope="module")
def words(study):
    html = to_html(study_document(study)[0])
    text = re.sub(r"<style>.*?</style>|<[^>]+>", " ", html, flags=re.S)
    return re.sub(r"\s+", " ", text)


@pytest.mark.parametrize(
    "said",
    [
        "11 of 12 cases.",
        "case-11: no landmarks; place some",
        "Mean over lesions (n = 11 lesions of 6 animals)",
        "Bias, predicted − pathology",
        "n = 11 cases of 6 animals",
        "Concordance correlation",
        "The best threshold over all 6 animals is −40.0 %",
        "Bland JM, Altman DG",
        "Dice between groups",
        "0000000000000000000000000000000a",
        "high, low",
        "Cohen kappa of 2 observers (pathologist 1, pathologist 2)",
        "11 cases, 6 animals",
    ],
)
def test_report_says(words, said):
    assert said in words


def test_numbers_are_those_of_the_study(study, words):
    import json

    found = json.loads((study.results / "cohort.json").read_text())["zones"]["ablated"]
    limits = found["comparisons"]["area_mm2"]["bland_altman"]
    assert f"{limits['bias']:.2f} mm²".replace("-", "−") in words
    concordance = found["comparisons"]["area_mm2"]["concordance"]["value"]
    assert f"Concordance correlation {concordance:.2f} (" in words


def test_report_and_figures_are_written(study, tmp_path):
    paths = study_report(study, tmp_path)
    names = {path.name for path in paths}
    assert {
        "report.html",
        "report.pdf",
        "figure-ablated.pdf",
        "figure-ablated-cases.csv",
        "figure-ablated-diffusion-damaged.png",
    } <= names
    assert all(path.is_file() for path in paths)


def test_a_study_that_was_not_run_is_one_sentence(tmp_path):
    study = Study("none", tmp_path, (StudyCase("a", tmp_path / "a", "a"),))
    with pytest.raises(InputError, match="has not been run; run 'coreg cohort"):
        study_report(study)


def test_a_study_too_small_for_statistics_says_why(tmp_path):
    """Two animals give no limits of agreement; the reasons stand in the table instead."""
    cases = tuple(StudyCase(f"case-{i}", tmp_path / f"case-{i}", f"rabbit {i}") for i in range(2))
    study = Study("two", tmp_path, cases)
    run_study(study, work=invented_record, workers=0)
    html = to_html(study_document(study)[0])
    assert "None" not in re.sub(r"<style>.*?</style>|<[^>]+>", " ", html, flags=re.S)
    assert "nan" not in re.sub(r"base64,[^\"]+|<[^>]+>", " ", html)
