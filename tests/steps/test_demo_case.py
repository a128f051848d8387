"""The whole job on the invented case: near its known truth."""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest

import coreg
from coreg import cli

ZONES = ("ablated", "ablated + diffusion-damaged")


@pytest.fixture(scope="module")
def case(demo_made):
    return coreg.open_case(demo_made)


@pytest.fixture(scope="module")
def truth(demo_made):
    return json.loads((demo_made / "truth" / "truth.json").read_text("utf-8"))


def test_every_step_is_done_and_says_where_figure_and_table_are(case, demo_made):
    assert {status.state for status in case.status().values()} == {"done"}
    result = case.run()
    assert result.done == ()
    assert result.figure == demo_made / "results" / "figure" / "figure.pdf"
    assert result.figure.read_bytes().startswith(b"%PDF")
    assert result.figure.with_suffix(".png").is_file()
    assert result.table.is_file()


@pytest.mark.parametrize("zone", ZONES)
def test_agreement_is_near_the_truth(case, truth, zone):
    """Landmarks, outlines and noise carry error here, so only nearness can be asked of one case."""
    found, true = case.run().agreement[zone], truth["agreement"][zone]
    assert found["dice"]["value"] == pytest.approx(true["dice"], abs=0.08)
    assert found["predicted_area_mm2"]["value"] == pytest.approx(
        true["predicted_area_mm2"], rel=0.06
    )
    assert found["pathology_area_mm2"]["value"] == pytest.approx(
        true["pathology_area_mm2"], rel=0.12
    )
    for name, estimate in found.items():
        if estimate["value"] is not None and estimate["low"] is not None:
            assert estimate["low"] <= estimate["value"] <= estimate["high"], name


def test_alignment_is_near_the_true_transform(case, truth, demo_made):
    from coreg.steps.align import read_alignment
    from coreg.transforms import transform_from_dict

    true = transform_from_dict(json.loads((demo_made / "truth/transform.json").read_text("utf-8")))
    stored = case.result("align")
    grid = coreg.Grid((20, 20), (0.4, 0.4), (17.0, 3.5))
    points = grid.centres()
    back = true.to_plane(read_alignment(stored).transform.to_slide(points))
    error = np.median(np.linalg.norm(back - points, axis=1))
    low, high = stored.summary["error_interval_mm"]
    assert error < 0.6
    assert low / 2 < error < high * 2
    assert stored.summary["mirrored"] is False
    assert stored.summary["verdict"] in ("good", "doubtful")


def test_the_table_holds_the_same_numbers_as_the_result(case):
    result = case.run()
    with open(result.table, encoding="utf-8", newline="") as file:
        rows = {row["zone"]: row for row in csv.DictReader(file)}
    assert set(rows) == set(ZONES)
    for zone, row in rows.items():
        for end, key in (("", "value"), ("_low", "low"), ("_high", "high")):
            assert float(row[f"dice{end}"]) == pytest.approx(
                result.agreement[zone]["dice"][key], rel=1e-5
            )


def test_check_finds_nothing_wrong(demo_made, capsys):
    assert cli.main(["check", str(demo_made), "--json"]) == 0
    findings = json.loads(capsys.readouterr().out)["findings"]
    assert {f["where"] for f in findings if f["level"] == "good"} == {
        "slide",
        "displacement",
        "bmode",
        "landmarks",
        "outlines",
    }


def test_the_demo_never_writes_over_anything(demo_made, capsys):
    assert cli.main(["demo", str(demo_made)]) == 2
    assert "not empty" in capsys.readouterr().err
