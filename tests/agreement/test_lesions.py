"""Lesions are matched one to one; what is left is missed or false."""

import numpy as np

from coreg.agreement import match_lesions


def masks(*boxes):
    mask = np.zeros((60, 60), dtype=bool)
    for top, bottom, left, right in boxes:
        mask[top:bottom, left:right] = True
    return mask


def test_missed_and_false_lesions_are_counted():
    found = match_lesions(
        masks((5, 15, 5, 15), (30, 40, 30, 40)), masks((6, 16, 5, 15), (45, 55, 5, 15))
    )
    assert (found.predicted_count, found.pathology_count) == (2, 2)
    assert found.pairs == ((1, 1, 0.9),)
    assert found.missed == (2,)
    assert found.false == (2,)


def test_one_predicted_lesion_over_two_finds_one_and_misses_one():
    found = match_lesions(masks((5, 15, 5, 45)), masks((5, 15, 5, 20), (5, 15, 25, 45)))
    assert [(i, j) for i, j, _ in found.pairs] == [(1, 2)]
    assert found.missed == (1,)


def test_the_best_sum_wins_over_the_greedy_choice():
    """Greedy would take the 0.8 pair and leave the others unmatched."""
    predicted = masks((5, 15, 5, 25), (5, 15, 26, 46))
    pathology = masks((5, 15, 12, 30), (5, 15, 33, 46))
    found = match_lesions(predicted, pathology)
    assert [(i, j) for i, j, _ in found.pairs] == [(1, 1), (2, 2)]


def test_specks_below_the_smallest_size_are_no_lesions():
    found = match_lesions(masks((5, 15, 5, 15), (30, 31, 30, 31)), masks((5, 15, 5, 15)), 5)
    assert found.predicted_count == 1
    assert found.false == ()


def test_corners_connect():
    assert match_lesions(masks((5, 10, 5, 10), (10, 15, 10, 15)), masks()).predicted_count == 1


def test_empty_masks_match_nothing():
    found = match_lesions(masks(), masks((5, 15, 5, 15)))
    assert found.pairs == ()
    assert found.missed == (1,)
