"""A study: reading it, running it here, what a rerun does, failures, and the tables."""

import csv
import json

import numpy as np
import pytest
from invented_study import invented_work, make_study, outputs

from coreg.cohort import load_study, run_study
from coreg.cohort.work import run_one
from coreg.errors import Cancelled, InputError, UsageError


def run(path, **options):
    return run_study(load_study(path), workers=0, work=invented_work, **options)


def test_a_folder_of_cases_is_a_study(tmp_path):
    make_study(tmp_path, 3)
    (tmp_path / "notes").mkdir()
    study = load_study(tmp_path)
    assert [case.name for case in study.cases] == ["case_000", "case_001", "case_002"]
    assert study.cases[1].animal == "rabbit 01"
    assert study.cases[1].group == "early"


def test_a_csv_overrides_what_cases_say(tmp_path):
    make_study(tmp_path / "cases", 2)
    table = tmp_path / "study.csv"
    table.write_text(
        "Case, animal ,group,time\ncases/case_001,A,,2 days\ncases/case_000,,x,\n\n",
        encoding="utf-8-sig",
    )
    first, second = load_study(table).cases
    assert (first.name, first.animal, first.group) == ("cases/case_000", "rabbit 00", "x")
    assert (second.animal, second.group, second.time) == ("A", "early", "2 days")
    assert load_study(table).results == tmp_path / "cohort"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("animal,group\na,b\n", "has no column 'case'"),
        ("case,animal\n", "lists no case"),
        ("case,animal\n,b\n", "line 2: the column 'case' is empty"),
        ("case\na\na\n", "the case 'a' is listed twice"),
    ],
)
def test_a_wrong_csv_is_refused(tmp_path, text, message):
    table = tmp_path / "study.csv"
    table.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=message):
        load_study(table)


def test_nothing_there_is_refused(tmp_path):
    with pytest.raises(UsageError, match="neither a folder of cases nor a CSV file"):
        load_study(tmp_path / "none")
    with pytest.raises(InputError, match="holds no case folder"):
        load_study(tmp_path)


def test_tidy_table_has_a_row_a_case_and_zone_with_units_and_intervals(tmp_path):
    result = run(make_study(tmp_path, 4))
    with open(result.table, encoding="utf-8", newline="") as file:
        table = list(csv.DictReader(file))
    assert len(table) == 8
    assert table[0]["zone"] == "ablated"
    for column in ("dice", "dice_low", "dice_high", "predicted_area_mm2_low", "hd95_mm"):
        assert column in table[0]
    value, low = float(table[0]["dice"]), float(table[0]["dice_low"])
    assert low == pytest.approx(0.9 * value, rel=1e-5)
    assert table[0]["hd95_mm"] == ""


def test_statistics_are_those_of_the_cases(tmp_path):
    from coreg.cohort import bland_altman

    result = run(make_study(tmp_path, 12, per_animal=2))
    zone = result.summary["zones"]["ablated"]
    with open(result.table, encoding="utf-8", newline="") as file:
        table = [row for row in csv.DictReader(file) if row["zone"] == "ablated"]
    predicted, pathology = (
        [float(row[f"{side}_area_mm2"]) for row in table] for side in ("predicted", "pathology")
    )
    limits = zone["comparisons"]["area_mm2"]["bland_altman"]
    expected = bland_altman(predicted, pathology, [row["animal"] for row in table])
    assert limits["bias"] == pytest.approx(expected.bias, rel=1e-4)
    assert (limits["n"], limits["animals"], limits["method"]) == (12, 6, "bootstrap")
    assert zone["measures"]["dice"]["value"] == pytest.approx(
        np.mean([float(row["dice"]) for row in table]), rel=1e-4
    )
    assert zone["comparisons"]["area_mm2"]["intraclass"]["form"] == "ICC(2,1)"
    assert zone["threshold"]["unbiased_dice"] <= zone["threshold"]["optimistic_dice"]
    assert zone["groups"]["pairs"][0]["animals"] == (3, 3)
    assert "reason" not in zone["mixed_model"]


def test_kappa_of_the_observers_is_in_the_tables_where_several_drew(tmp_path):
    make_study(tmp_path, 6)
    for number in range(5):
        (tmp_path / f"case_{number:03d}" / "observers").touch()
    result = run(tmp_path)
    (group,) = result.summary["observers"]["by_observers"]
    assert (group["form"], group["cases"], group["names"]) == ("Cohen", 5, ["first", "second"])
    kappa = group["kappa"]["zone labels"]
    assert 0.8 < kappa["low"] < kappa["value"] < kappa["high"] < 1
    table = result.markdown.read_text(encoding="utf-8")
    assert "| zone labels | 2 (first, second) | 5, 5 | Cohen's | 0.9" in table
    alone = run(make_study(tmp_path / "alone", 2))
    assert "several observers" in alone.summary["observers"]["reason"]
    assert "Kappa" not in alone.markdown.read_text(encoding="utf-8")


def test_failed_cases_are_listed_and_stop_nothing(tmp_path):
    make_study(tmp_path, 5)
    (tmp_path / "case_001" / "broken").touch()
    study = load_study(tmp_path)
    (tmp_path / "case_003" / "case.toml").unlink()
    result = run_study(study, workers=0, work=invented_work)
    assert result.done == ("case_000", "case_002", "case_004")
    assert dict(result.failed) == {
        "case_001": "Unforeseen ZeroDivisionError: invented fault",
        "case_003": "case_003 holds no case.toml; make one with 'coreg new'.",
    }
    listed = (tmp_path / "cohort" / "failed.csv").read_text(encoding="utf-8")
    assert "case_001,Unforeseen ZeroDivisionError: invented fault" in listed
    assert "failed: 2" in result.markdown.read_text(encoding="utf-8")
    assert any("case_003" in line for line in result.lines())


def test_a_rerun_does_only_what_is_to_do_and_gives_the_same_bytes(tmp_path):
    make_study(tmp_path, 4)
    first = run(tmp_path)
    before = outputs(tmp_path)
    second = run(tmp_path)
    assert len(first.ran) == 4
    assert second.ran == ()
    assert outputs(tmp_path) == before


def test_a_case_taken_out_leaves_no_record(tmp_path):
    import shutil

    make_study(tmp_path, 4)
    run(tmp_path)
    shutil.rmtree(tmp_path / "case_002")
    result = run(tmp_path)
    assert len(result.done) == 3
    assert not (tmp_path / "cohort" / "records" / "case_002.json").exists()


def test_few_cases_give_reasons_instead_of_statistics(tmp_path):
    result = run(make_study(tmp_path, 1))
    zone = result.summary["zones"]["ablated"]
    limits = zone["comparisons"]["area_mm2"]["bland_altman"]
    assert limits["reason"] == "Bland–Altman limits need at least 3 complete pairs, got 1."
    assert "at least 2 animals" in zone["threshold"]["reason"]
    assert "–" in result.markdown.read_text(encoding="utf-8")
    assert json.loads(result.report.read_text(encoding="utf-8"))["done"] == 1


def test_a_study_in_which_every_case_failed_still_reports(tmp_path):
    make_study(tmp_path, 2)
    for case in ("case_000", "case_001"):
        (tmp_path / case / "broken").touch()
    result = run(tmp_path)
    assert result.done == ()
    assert len(result.failed) == 2
    assert result.summary["zones"] == {}


def test_json_says_what_made_it(tmp_path):
    result = run(make_study(tmp_path, 3))
    made = json.loads(result.report.read_text(encoding="utf-8"))["made_from"]
    assert made["seed"] == 0
    assert set(made["agreement_sha256"]) == {"case_000", "case_001", "case_002"}
    assert "coreg" in made["versions"]


def test_stopping_leaves_the_tables_as_they_were(tmp_path):
    make_study(tmp_path, 4)
    run(tmp_path)
    before = (tmp_path / "cohort" / "cohort.csv").read_bytes()
    make_study(tmp_path / "more", 1)
    (tmp_path / "more" / "case_000").rename(tmp_path / "case_009")

    def stop(fraction, text):
        if fraction > 0.3:
            raise Cancelled("Stopped.")

    with pytest.raises(Cancelled, match="Stopped"):
        run(tmp_path, progress=stop)
    assert (tmp_path / "cohort" / "cohort.csv").read_bytes() == before


def test_a_folder_without_a_case_file_fails_with_its_sentence(tmp_path):
    record = run_one(str(tmp_path))
    assert record["state"] == "failed"
    assert "holds no case.toml" in record["reason"]
