"""Pieces of tissue are grouped into sections that one can choose."""

from __future__ import annotations

import numpy as np
import pytest

from coreg.errors import InputError
from coreg.geometry import Grid
from coreg.stain import sections

GRID = Grid((100, 200), (0.05, 0.05), (0.025, 0.025), "slide")


def two_and_a_crumb() -> np.ndarray:
    mask = np.zeros((100, 200), dtype=bool)
    mask[20:60, 120:170] = True
    mask[10:50, 10:50] = True
    mask[53:70, 10:50] = True  # 0.15 mm from the piece above: torn, but one section
    mask[90:92, 90:92] = True  # 0.01 mm²
    return mask


def test_sections_are_numbered_left_to_right():
    left, right = sections(two_and_a_crumb(), GRID)
    assert (left.number, right.number) == (1, 2)
    assert (left.pieces, right.pieces) == (2, 1)
    assert right.area == pytest.approx(40 * 50 * 0.05**2)
    assert right.bounds == pytest.approx((1.0, 6.0, 3.0, 8.5))
    assert right.centroid == pytest.approx((2.0, 7.25))


def test_the_gap_decides_what_belongs_together():
    assert len(sections(two_and_a_crumb(), GRID, gap=0.1)) == 3
    assert len(sections(two_and_a_crumb(), GRID, gap=8.0)) == 1
    assert len(sections(two_and_a_crumb(), GRID, smallest_mm2=0.0)) == 3


def test_a_sections_mask_on_another_grid():
    _, right = sections(two_and_a_crumb(), GRID)
    coarse = GRID.with_spacing(0.1)
    mask = right.on(coarse)
    assert mask.shape == coarse.shape
    assert mask.sum() * 0.1**2 == pytest.approx(right.area)
    (outline,) = right.outlines()
    assert outline.area == pytest.approx(right.area, rel=0.01)
    assert outline.frame == "slide"


def test_nothing_gives_nothing_and_a_wrong_shape_is_said():
    assert sections(np.zeros((100, 200), bool), GRID) == []
    with pytest.raises(InputError, match="Expected a mask of shape"):
        sections(np.zeros((3, 3), bool), GRID)
