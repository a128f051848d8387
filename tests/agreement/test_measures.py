"""Agreement of two masks: rules for what cannot be measured, units, swaps and resolution."""

import dataclasses

import numpy as np
import pytest

from coreg.agreement import MEASURES, measure, measure_outlines, on_finer_grid, refined_grid
from coreg.errors import InputError
from coreg.geometry import Grid, Outline

GRID = Grid((120, 160), (0.1, 0.1))


def box(rows, columns, grid=GRID):
    mask = np.zeros(grid.shape, dtype=bool)
    mask[slice(*rows), slice(*columns)] = True
    return mask


def rectangle(top, left, height, width):
    ring = [(top, left), (top, left + width), (top + height, left + width), (top + height, left)]
    return Outline(np.array(ring), "plane")


def test_identical_masks_agree_wholly():
    mask = box((40, 80), (50, 90))
    a = measure(mask, mask, GRID)
    assert (a.dice, a.jaccard, a.sensitivity, a.specificity, a.precision) == (1, 1, 1, 1, 1)
    assert max(a.mean_boundary_distance_mm, a.hd95_mm, a.hausdorff_mm) < 1e-12
    assert (a.centroid_offset_depth_mm, a.centroid_offset_lateral_mm) == (0, 0)
    assert a.reasons == {}


def test_sides_swapped_swap_sensitivity_and_precision_and_signs():
    one, two = box((30, 80), (50, 90)), box((40, 85), (45, 100))
    a, b = measure(one, two, GRID), measure(two, one, GRID)
    assert a.dice == b.dice
    assert a.sensitivity == b.precision
    assert a.area_difference_mm2 == -b.area_difference_mm2
    assert a.centroid_offset_depth_mm == -b.centroid_offset_depth_mm
    assert a.hd95_mm == b.hd95_mm
    assert a.mean_boundary_distance_mm == pytest.approx(b.mean_boundary_distance_mm, abs=1e-12)


def test_offset_is_predicted_minus_pathology_along_depth_and_lateral():
    grid = Grid((120, 160), (0.1, 0.2))
    a = measure(box((50, 70), (60, 80), grid), box((40, 60), (70, 90), grid), grid)
    assert a.centroid_offset_depth_mm == pytest.approx(1.0)
    assert a.centroid_offset_lateral_mm == pytest.approx(-2.0)
    assert (a.predicted_depth_mm, a.predicted_width_mm) == pytest.approx((2.0, 4.0))


def test_lengths_scale_with_the_pixel_size_and_ratios_do_not():
    one, two = box((30, 80), (50, 90)), box((40, 85), (45, 100))
    a = measure(one, two, GRID)
    b = measure(one, two, Grid(GRID.shape, (0.3, 0.3)))
    for name in MEASURES:
        power = 2 if name.endswith("mm2") else 1 if name.endswith("_mm") else 0
        assert getattr(b, name) == pytest.approx(3**power * getattr(a, name), rel=1e-9), name


def test_only_the_region_of_validity_counts_and_the_rest_is_reported():
    predicted, pathology = box((40, 80), (40, 80)), box((40, 80), (60, 120))
    valid = np.zeros(GRID.shape, dtype=bool)
    valid[:, :80] = True
    a = measure(predicted, pathology, GRID, valid)
    assert a.dice == pytest.approx(2 * 800 / (1600 + 800))
    assert a.predicted_outside_valid_share == 0
    assert a.pathology_outside_valid_share == pytest.approx(2 / 3)
    assert a.valid_area_mm2 == pytest.approx(120 * 80 * 0.01)
    assert a.pathology_touches_border
    changed = pathology.copy()
    changed[:, 100:] = False
    b = measure(predicted, changed, GRID, valid)
    assert b.dice == a.dice
    assert b.hausdorff_mm == a.hausdorff_mm


def test_the_cut_at_the_edge_of_the_image_is_no_boundary():
    """Two lesions that differ only in depth, both cut by the left edge."""
    one, two = box((40, 80), (0, 60)), box((40, 80), (0, 70))
    a = measure(one, two, GRID)
    assert a.predicted_touches_border
    assert a.pathology_touches_border
    assert a.hausdorff_mm == pytest.approx(1.0, abs=1e-6)
    assert not measure(box((40, 80), (1, 60)), two, GRID).predicted_touches_border


def test_both_masks_empty_have_no_overlap_but_a_specificity():
    empty = np.zeros(GRID.shape, dtype=bool)
    a = measure(empty, empty, GRID)
    for name in ("dice", "jaccard", "sensitivity", "precision", "hd95_mm", "area_ratio"):
        assert np.isnan(getattr(a, name))
        assert a.reasons[name]
    assert a.reasons["dice"] == "neither side has a lesion in the region of validity"
    assert a.specificity == 1
    assert (a.predicted_area_mm2, a.pathology_area_mm2) == (0, 0)
    values = a.to_dict()
    assert values["dice"] is None
    assert values["reasons"]["dice"] == a.reasons["dice"]


@pytest.mark.parametrize("side", ["predicted", "pathology"])
def test_one_empty_mask_gives_dice_zero_and_names_the_side(side):
    empty, full = np.zeros(GRID.shape, dtype=bool), box((40, 80), (40, 80))
    a = measure(empty, full, GRID) if side == "predicted" else measure(full, empty, GRID)
    assert a.dice == 0
    assert a.jaccard == 0
    assert np.isnan(a.mean_boundary_distance_mm)
    assert a.reasons["hd95_mm"] == f"no {side} lesion in the region of validity"
    missing = "precision" if side == "predicted" else "sensitivity"
    assert np.isnan(getattr(a, missing))


def test_every_nan_has_a_reason():
    empty, full = np.zeros(GRID.shape, dtype=bool), np.ones(GRID.shape, dtype=bool)
    for p, q in [(empty, empty), (empty, full), (full, empty), (full, full)]:
        a = measure(p, q, GRID)
        nan = {name for name in MEASURES if np.isnan(getattr(a, name))}
        assert nan == set(a.reasons)


@pytest.mark.parametrize(
    ("predicted", "valid", "message"),
    [
        (np.zeros((3, 3), dtype=bool), None, "Expected the predicted mask as booleans of shape"),
        (np.zeros(GRID.shape), None, "got float64 of shape"),
        (box((1, 2), (1, 2)), np.zeros(GRID.shape, dtype=bool), "region of validity is empty"),
    ],
)
def test_bad_masks_are_refused(predicted, valid, message):
    with pytest.raises(InputError, match=message):
        measure(predicted, box((1, 9), (1, 9)), GRID, valid)


def test_the_smallest_lesion_is_two_hundred_pixels_across():
    regions = [rectangle(1, 1, 5, 6), rectangle(8, 2, 1.5, 3)]
    fine = refined_grid(GRID, regions)
    assert 1.5 / max(fine.spacing) >= 200 - 1e-9
    assert fine.bounds == pytest.approx(GRID.bounds)
    assert refined_grid(GRID, []) == GRID


def test_refining_stops_at_the_largest_size_allowed():
    fine = refined_grid(GRID, [rectangle(1, 1, 1e-4, 1)], most_px=1_000_000)
    assert fine.shape[0] * fine.shape[1] < 1.1e6


def test_outlines_give_closed_form_areas_whatever_the_grid():
    predicted, pathology = rectangle(3.03, 4.02, 2.0, 3.0), rectangle(3.53, 4.52, 2.0, 3.0)
    for spacing in (0.1, 0.37):
        grid = GRID.with_spacing(spacing)
        a = measure_outlines([predicted], [pathology], grid)
        assert a.dice == pytest.approx(1.5 * 2.5 / 6.0, abs=0.01)
        assert a.predicted_area_mm2 == pytest.approx(6.0, rel=0.01)


def test_validity_on_the_coarse_grid_reaches_the_fine_one():
    valid = box((20, 60), (30, 90))
    fine = GRID.with_spacing(0.025)
    inside = on_finer_grid(valid, GRID, fine)
    assert inside.sum() * fine.pixel_area == pytest.approx(valid.sum() * GRID.pixel_area)
    a = measure_outlines([rectangle(1, 2, 5, 6)], [rectangle(1, 2, 5, 6)], GRID, valid)
    assert a.predicted_outside_valid_share == pytest.approx(1 - 4.0 * 5.0 / 30, abs=0.02)


def test_the_result_is_frozen():
    a = measure(box((1, 9), (1, 9)), box((1, 9), (1, 9)), GRID)
    with pytest.raises(dataclasses.FrozenInstanceError, match="dice"):
        a.dice = 0.0
