"""The commands report and cohort on real finished cases."""

from __future__ import annotations

import csv
import json
import shutil

from coreg import cli


def test_the_report_holds_the_numbers_of_the_case(sample_copy, capsys):
    assert cli.main(["report", str(sample_copy), "--json"]) == 0
    files = json.loads(capsys.readouterr().out)["files"]
    assert [name.rsplit(".", 1)[1] for name in files] == ["html", "pdf"]
    page = (sample_copy / "results" / "report" / "report.html").read_text("utf-8")
    agreed = json.loads((sample_copy / "results/agree/record.json").read_text("utf-8"))["summary"]
    dice = agreed["zones"]["ablated"]["dice"]["value"]
    assert f"{dice:.2f}" in page
    assert "a qualified pathologist confirms them" in page
    assert "no longer belong" not in page


def test_a_study_lists_what_failed_and_counts_what_was_done(sample_copy, tmp_path, capsys):
    study = tmp_path / "study"
    for name in ("r1", "r2", "r3"):
        shutil.copytree(sample_copy, study / name)
    (study / "r2" / "slide.ome.tif").unlink()
    shutil.rmtree(study / "r2" / "results")
    assert cli.main(["cohort", str(study), "--workers", "1", "--quiet", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["done"] == ["r1", "r3"]
    assert found["ran"] == []
    (failed,) = found["failed"]
    assert failed["case"] == "r2"
    assert "slide" in failed["reason"]
    with open(found["table"], encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["case"] for row in rows if row["zone"] == "ablated"] == ["r1", "r3"]
    assert cli.main(["report", str(study), "--strips", "--quiet"]) == 0
    assert "strips-01.pdf" in capsys.readouterr().out
