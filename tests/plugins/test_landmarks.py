"""Landmark pairs as they are placed: half pairs, predictions, errors."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("napari", reason="napari is not installed (the extra 'gui')")

from coreg.alignment import fit_landmarks
from coreg.errors import InputError
from coreg.landmark_pairs import LandmarkPairs
from coreg_napari.landmarks import LandmarkTable, errors_of, fit_rows, worst_of

ANGLE = np.deg2rad(25)
MATRIX = 0.85 * np.array([[np.cos(ANGLE), -np.sin(ANGLE)], [np.sin(ANGLE), np.cos(ANGLE)]])
PLANE = np.array([[10.0, -8.0], [12.0, 9.0], [30.0, 2.0], [22.0, -12.0], [18.0, 5.0]])
SLIDE = PLANE @ MATRIX.T + (3.0, 14.0)


def test_clicks_on_either_side_complete_the_pair_that_waits():
    table = LandmarkTable(observer="A")
    assert table.place("plane", PLANE[0]) == 0
    assert table.open_row("slide") == 0
    assert table.place("slide", SLIDE[0]) == 0
    assert table.place("slide", SLIDE[1]) == 1
    assert table.place("plane", PLANE[1]) == 1
    assert [row.name for row in table.rows] == ["1", "2"]
    assert all(row.complete and row.observer == "A" for row in table.rows)


def test_only_complete_pairs_are_saved():
    table = LandmarkTable()
    table.place("plane", PLANE[0])
    table.place("slide", SLIDE[0])
    table.place("plane", PLANE[1])
    assert len(table.pairs()) == 1


def test_after_the_third_pair_the_other_side_is_predicted():
    table = LandmarkTable.from_pairs(LandmarkPairs(PLANE[:2], SLIDE[:2]))
    assert table.predicted("plane", tuple(PLANE[3])) is None
    table.place("plane", PLANE[2])
    table.place("slide", SLIDE[2])
    assert table.predicted("plane", tuple(PLANE[3])) == pytest.approx(tuple(SLIDE[3]))
    assert table.predicted("slide", tuple(SLIDE[4])) == pytest.approx(tuple(PLANE[4]))


def test_errors_are_those_of_the_fit_and_the_spoilt_landmark_is_the_worst():
    slide = SLIDE.copy()
    slide[3] += (1.5, -1.0)
    pairs = LandmarkPairs(PLANE, slide)
    table = LandmarkTable.from_pairs(pairs)
    table.place("plane", (15.0, 0.0))
    fit = fit_rows(table.rows, "affine")
    reference = fit_landmarks(pairs, "affine")
    errors = errors_of(table.rows, fit)
    assert sorted(errors) == [0, 1, 2, 3, 4]
    np.testing.assert_allclose([errors[i][0] for i in range(5)], reference.residuals)
    np.testing.assert_allclose([errors[i][1] for i in range(5)], reference.leave_one_out)
    assert table.rows[worst_of(table.rows, fit)].name == reference.worst


def test_too_few_pairs_say_how_many_are_missing():
    table = LandmarkTable.from_pairs(LandmarkPairs(PLANE[:1], SLIDE[:1]))
    assert fit_rows(table.rows, "affine") == "2 more landmark pairs for a first fit."


def test_pairs_on_one_line_say_so_instead_of_failing():
    line = np.column_stack([np.arange(4.0), np.arange(4.0)])
    fit = fit_rows(LandmarkTable.from_pairs(LandmarkPairs(line, line)).rows, "affine")
    assert isinstance(fit, str) or fit.reason


def test_a_landmark_is_taken_hold_of_only_near_it():
    table = LandmarkTable.from_pairs(LandmarkPairs(PLANE, SLIDE))
    assert table.nearest("plane", (10.1, -8.1), 0.5) == 0
    assert table.nearest("plane", (14.0, -3.0), 0.5) is None


def test_names_stay_unique():
    table = LandmarkTable.from_pairs(LandmarkPairs(PLANE[:2], SLIDE[:2]))
    with pytest.raises(InputError, match="There is a landmark '1' already"):
        table.rename(1, "1")
    with pytest.raises(InputError, match="needs a name"):
        table.rename(1, "  ")
    table.rename(1, "vessel")
    assert table.rows[1].name == "vessel"


def test_every_edit_is_told_with_the_states_before_and_after():
    told = []
    table = LandmarkTable(edited=lambda what, before, after: told.append((what, before, after)))
    table.place("plane", PLANE[0])
    table.place("slide", SLIDE[0])
    table.remove(0)
    assert [what for what, _, _ in told] == [
        "place landmark 1",
        "move landmark 1",
        "remove landmark 1",
    ]
    assert told[2][1] == told[1][2]
