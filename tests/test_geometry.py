"""Grids, outlines, masks and resampling: known truth recovered, frames kept apart."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coreg.errors import FrameError, InputError
from coreg.geometry import (
    Grid,
    Image,
    Outline,
    Points,
    bounding_grid,
    mask_from_outlines,
    outlines_from_mask,
    resample,
    same_frame,
)

GRID = Grid((40, 60), (0.5, 0.25), (10.0, -3.0))


def disc(radius: float, centre=(20.0, 4.0), n: int = 400, **labels) -> Outline:
    angle = np.linspace(0, 2 * np.pi, n, endpoint=False)
    ring = np.stack([centre[0] + radius * np.sin(angle), centre[1] + radius * np.cos(angle)], 1)
    return Outline(ring, "plane", **labels)


def test_pixel_centres_sit_at_origin_plus_index_times_spacing():
    assert GRID.to_mm([[0, 0], [2, 4]]).tolist() == [[10.0, -3.0], [11.0, -2.0]]
    assert GRID.bounds == (9.75, -3.125, 29.75, 11.875)


@given(st.lists(st.tuples(st.floats(-1e3, 1e3), st.floats(-1e3, 1e3)), min_size=1, max_size=20))
def test_index_and_mm_are_inverse(points):
    points = np.array(points)
    np.testing.assert_allclose(GRID.to_mm(GRID.to_index(points)), points, atol=1e-9)


@given(st.floats(0.05, 2.0))
def test_another_pixel_size_keeps_the_first_edge_and_covers_the_area(spacing):
    finer = GRID.with_spacing(spacing)
    assert finer.bounds[:2] == pytest.approx(GRID.bounds[:2])
    assert finer.bounds[2] >= GRID.bounds[2] - 1e-6
    assert finer.size[0] < GRID.size[0] + spacing


def test_a_grid_survives_the_round_trip_through_plain_values():
    assert Grid.from_dict(GRID.to_dict()) == GRID


@pytest.mark.parametrize("spacing", [(0, 1), (-1, 1), (np.nan, 1), (np.inf, 1)])
def test_a_pixel_size_that_is_no_size_is_refused(spacing):
    with pytest.raises(InputError, match="above 0 mm"):
        Grid((3, 3), spacing)


@pytest.mark.parametrize("points", [np.zeros((3, 3)), np.zeros((2, 2, 2)), 4.0])
def test_points_of_another_shape_are_refused(points):
    with pytest.raises(InputError, match=r"shape \(n, 2\)"):
        GRID.to_index(points)


def test_mixing_frames_raises():
    with pytest.raises(FrameError, match="one frame"):
        same_frame(GRID, Points([[1, 2]], "slide"))
    with pytest.raises(FrameError, match="one frame"):
        mask_from_outlines([Outline([[0, 0], [0, 1], [1, 0]], "slide")], GRID)


def test_area_of_a_disc_and_of_its_mask():
    """Closed form: a regular n-gon in a circle has area n/2 r² sin(2π/n)."""
    outline = disc(4.0)
    assert outline.area == pytest.approx(200 * 16 * np.sin(2 * np.pi / 400))
    mask = mask_from_outlines([outline], GRID.with_spacing(0.02))
    assert mask.sum() * 0.02**2 == pytest.approx(np.pi * 16, rel=1e-3)


def test_holes_are_left_out_and_come_back_from_the_mask():
    ring = Outline(disc(4.0).exterior, "plane", (disc(2.0).exterior,), zone="diffusion-damaged")
    fine = GRID.with_spacing(0.05)
    (back,) = outlines_from_mask(mask_from_outlines([ring], fine), fine, zone="diffusion-damaged")
    assert len(back.holes) == 1
    assert back.area == pytest.approx(np.pi * 12, rel=5e-3)
    assert back.zone == "diffusion-damaged"


def test_a_mask_that_touches_the_edge_ends_at_the_pixels_outer_edge():
    (all_of_it,) = outlines_from_mask(np.ones(GRID.shape, dtype=bool), GRID)
    top, left, bottom, right = GRID.bounds
    ring = all_of_it.exterior
    assert (*ring.min(axis=0), *ring.max(axis=0)) == pytest.approx((top, left, bottom, right))


def test_pieces_inside_a_hole_are_pieces_of_their_own():
    grid = Grid((60, 60), (1, 1))
    r = np.hypot(*np.indices((60, 60)) - 30)
    pieces = outlines_from_mask((r < 25) & ~(r < 15) | (r < 5), grid)
    assert sorted(len(piece.holes) for piece in pieces) == [0, 1]


@given(st.integers(0, 2**32 - 1))
def test_a_mask_comes_back_from_its_outlines(seed):
    mask = np.random.default_rng(seed).random((12, 9)) < 0.5
    grid = Grid((12, 9), (0.3, 0.7), (1, 2))
    np.testing.assert_array_equal(mask_from_outlines(outlines_from_mask(mask, grid), grid), mask)


def test_a_smooth_map_gives_sub_pixel_outlines():
    centres = GRID.centres() - (20.0, 4.0)
    height = 5.0 - np.linalg.norm(centres, axis=1).reshape(GRID.shape)
    (outline,) = outlines_from_mask(height, GRID, level=1.0)
    assert outline.area == pytest.approx(np.pi * 16, rel=2e-3)


def test_resampling_reproduces_a_plane_exactly_and_marks_the_outside():
    rows, columns = np.meshgrid(GRID.rows, GRID.columns, indexing="ij")
    image = Image(2 * rows - columns, GRID)
    target = Grid((5, 5), (0.3, 0.3), (28.9, 4.0))
    values = resample(image, target)
    expected = 2 * target.centres()[:, 0] - target.centres()[:, 1]
    inside = target.centres()[:, 0] <= GRID.rows[-1]
    np.testing.assert_allclose(values.ravel()[inside], expected[inside], atol=1e-9)
    assert np.isnan(values.ravel()[~GRID.contains(target.centres())]).all()


def test_masks_stay_masks_and_labels_stay_labels():
    labels = np.arange(GRID.shape[0] * GRID.shape[1]).reshape(GRID.shape) % 5
    back = resample(Image(labels.astype(np.uint8), GRID), GRID, order=0)
    assert back.dtype == np.uint8
    np.testing.assert_array_equal(back, labels)
    assert resample(Image(labels > 2, GRID), GRID, order=0).dtype == bool


def test_points_and_images_move_the_same_way():
    """A one-pixel dot ends where its centre point ends."""
    data = np.zeros(GRID.shape)
    data[12, 33] = 1
    shift = np.array([1.5, -2.0])
    moved = resample(Image(data, GRID), GRID, lambda p: p - shift, fill=0)
    row, column = np.unravel_index(np.argmax(moved), moved.shape)
    np.testing.assert_allclose(GRID.to_mm([[row, column]]), GRID.to_mm([[12, 33]]) + shift)


def test_the_bounding_grid_covers_points_and_margin():
    grid = bounding_grid([[1, 2], [3, 7]], 0.1, "slide", margin=0.5)
    top, left, bottom, right = grid.bounds
    assert (top, left) == pytest.approx((0.5, 1.5))
    assert bottom >= 3.5 - 1e-9
    assert right >= 7.5 - 1e-9
    assert grid.frame == "slide"


@pytest.mark.parametrize("ring", [[[0, 0], [1, 1]], [[0, 0], [1, 1], [0, 0]]])
def test_outlines_of_fewer_than_three_points_are_refused(ring):
    with pytest.raises(InputError, match="at least 3 points"):
        Outline(ring, "slide")
