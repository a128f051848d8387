"""The study list: its numbers are the cases', its plot's points are where they are drawn."""

from __future__ import annotations

import shutil

import numpy as np
import pytest

pytest.importorskip("napari", reason="napari is not installed (the extra 'gui')")

from coreg.cohort import bland_altman
from coreg_napari.pages.study import Row, read_study, study_plot


def quiet(fraction: float, text: str) -> None:
    """Show no progress."""


def rows(count: int) -> list[Row]:
    rng = np.random.default_rng(3)
    made = []
    for i in range(count):
        area = 20.0 + 5 * i
        found = {"ablated": area + rng.normal()}
        made.append(
            Row(None, f"case {i}", f"rabbit {i}", {"ablated": 0.8}, found, {"ablated": area})
        )
    return made


def test_cases_without_agreement_and_broken_ones_are_listed_with_their_trouble(small, tmp_path):
    study = tmp_path / "study"
    shutil.copytree(small, study / "first")
    shutil.copytree(small, study / "second")
    listed = read_study(study, quiet)
    assert [row.name for row in listed] == ["first", "second"]
    assert listed[0].trouble == "Agreement is to do."
    assert np.isnan(listed[0].dice["ablated"])


def test_the_plot_needs_three_cases():
    assert study_plot(rows(2), "ablated") is None


def test_the_plot_s_points_lie_on_ink_and_in_the_order_of_the_means():
    cases = rows(5)
    plot = study_plot(cases, "ablated")
    assert plot.places.shape == (5, 2)
    for x, y in plot.places:
        around = plot.rgba[int(y) - 3 : int(y) + 4, int(x) - 3 : int(x) + 4, :3]
        assert around.min() < 120, "a point is drawn here"
    assert (np.diff(plot.places[:, 0]) > 0).all()


def test_higher_differences_lie_higher_on_the_plot():
    cases = rows(6)
    plot = study_plot(cases, "ablated")
    difference = [c.predicted_mm2["ablated"] - c.pathology_mm2["ablated"] for c in cases]
    assert (np.argsort(difference) == np.argsort(-plot.places[:, 1])).all()
    assert np.isfinite(bland_altman(np.array(difference), np.zeros(6)).bias)
