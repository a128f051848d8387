"""The CSV files hold the numbers that the panels show; the legend says them."""

from __future__ import annotations

import csv
import dataclasses

import numpy as np
import pytest
from invented_results import PLANE, invented_case, invented_study

from coreg.figure import Layout, legend, write_numbers
from coreg.figure.words import broken, number, text_mm, with_interval


def read(path):
    with open(path, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def tables(tmp_path_factory):
    paths = write_numbers(invented_case(), tmp_path_factory.mktemp("numbers"))
    return {path.stem.removeprefix("figure-"): read(path) for path in paths}


def test_maps_hold_every_pixel_at_its_place(tables):
    case = invented_case()
    rows = tables["change"]
    values = np.array([float(r["change_percent"] or "nan") for r in rows]).reshape(PLANE.shape)
    np.testing.assert_allclose(values, case.change_percent.data, rtol=1e-6)
    valid = np.array([r["valid"] == "1" for r in rows]).reshape(PLANE.shape)
    np.testing.assert_array_equal(valid, case.valid)
    assert float(rows[101]["depth_mm"]) == pytest.approx(PLANE.rows[1])
    assert float(rows[101]["lateral_mm"]) == pytest.approx(PLANE.columns[1])


def test_agreement_has_value_and_interval(tables):
    row = next(r for r in tables["agreement"] if r["measure"] == "dice")
    assert (row["pathology_lesion"], row["value"], row["low_95"]) == ("ablated", "0.81", "0.74")


def test_no_value_is_an_empty_cell(tables):
    row = next(r for r in tables["agreement"] if r["measure"] == "pathology_outside_valid_share")
    assert row["value"] == ""


def test_every_plot_has_its_numbers(tables):
    assert {"baseline", "final", "change", "error", "course", "threshold"} <= tables.keys()
    assert len(tables["course"]) == 13
    assert {r["pathology_lesion"] for r in tables["threshold"]} == {
        "ablated",
        "ablated + diffusion-damaged",
    }
    zones = {r["zone"] for r in tables["outlines-plane"]}
    assert zones == {"predicted lesion", "ablated", "diffusion-damaged", "tumour"}


def test_study_numbers(tmp_path):
    study = invented_study()
    paths = {p.stem: read(p) for p in write_numbers(study, tmp_path, "study")}
    rows = paths["study-cases"]
    for row, p, q in zip(rows, study.predicted, study.pathology, strict=True):
        assert float(row["difference_mm2"]) == pytest.approx(p - q, rel=1e-5)
    bias = next(r for r in paths["study-comparison"] if r["what"] == "bias")
    assert float(bias["value"]) == pytest.approx(study.comparison.bias.value, rel=1e-6)


def test_legend_names_every_panel_and_its_numbers():
    text = legend(invented_case())
    for letter in "ABCD":
        assert f"({letter})" in text
    assert "Dice 0.81 (0.74–0.86)" in text
    assert "predicted lesion dashed, ablated thick solid" in text
    assert "Scale bars 5 mm" in text
    assert "from −60 to 60 %" in text


def test_legend_follows_the_data():
    case = invented_case()
    other = {"ablated": {"dice": {"value": 0.5, "low": None, "high": None}}}
    text = legend(dataclasses.replace(case, agreement=other))
    assert "Dice 0.50" in text
    assert "0.81" not in text


def test_legend_of_a_study_says_how_many():
    text = legend(invented_study(), Layout(letters="a"))
    assert text.count("n = 12 cases of 6 animals") == 2
    assert "(a)" in text


@pytest.mark.parametrize(
    ("measure", "estimate", "text"),
    [
        ("dice", {"value": 0.8149, "low": 0.7, "high": 0.9}, "0.81 (0.70–0.90)"),
        ("hd95_mm", {"value": 1.0, "low": None, "high": None}, "1.00 mm"),
        (
            "centroid_offset_depth_mm",
            {"value": -0.2, "low": -0.5, "high": 0.1},
            "−0.20 mm (−0.50 to 0.10)",
        ),
        ("predicted_outside_valid_share", {"value": 0.031, "low": None, "high": None}, "3 %"),
        ("area_ratio", {"value": float("nan"), "low": None, "high": None}, "no value"),
        ("dice", {"value": None, "low": None, "high": None}, "no value"),
    ],
)
def test_estimates_in_words(measure, estimate, text):
    assert with_interval(measure, estimate) == text


def test_rounding_gives_no_negative_zero():
    assert number(-0.001, 2) == "0.00"


def test_lines_are_broken_to_their_width():
    lines = broken("one two three four five six seven", 15.0)
    assert len(lines) > 1
    assert " ".join(lines) == "one two three four five six seven"
    assert all(text_mm(line) <= 15.0 for line in lines)
