"""Agreement over the threshold, and what the resolution allows."""

import json

import numpy as np
import pytest

from coreg.agreement import measure, resolution_limit, threshold_curves
from coreg.errors import InputError
from coreg.geometry import Grid, Outline

GRID = Grid((60, 70), (0.2, 0.2))
ROWS, COLUMNS = np.meshgrid(GRID.rows, GRID.columns, indexing="ij")
RADIUS = np.hypot(ROWS - 6, COLUMNS - 7)
CHANGE = -80 + 12 * RADIUS


def disc(radius, centre=(6.0, 7.0)):
    angle = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    ring = radius * np.stack([np.sin(angle), np.cos(angle)], axis=1) + centre
    return Outline(ring, "plane")


def test_curves_equal_measuring_each_thresholded_map():
    pathology = np.hypot(ROWS - 6.5, COLUMNS - 7) < 2.5
    valid = COLUMNS < 9
    steps = np.array([-70.0, -50.0, -30.0])
    curves = threshold_curves(CHANGE, pathology, GRID, valid, steps)
    for k, step in enumerate(steps):
        a = measure(step >= CHANGE, pathology, GRID, valid)
        zone = curves.zones["pathology"]
        assert zone.dice[k] == pytest.approx(a.dice)
        assert zone.precision[k] == pytest.approx(a.precision)
        assert zone.recall[k] == pytest.approx(a.sensitivity)
        assert curves.predicted_area_mm2[k] == pytest.approx(a.predicted_area_mm2)


def test_each_zone_has_its_own_best_threshold():
    zones = {"ablated": RADIUS < 2.0, "with rim": RADIUS < 3.0}
    curves = threshold_curves(CHANGE, zones, GRID)
    assert curves.zones["ablated"].best_threshold_percent == pytest.approx(-56, abs=1.5)
    assert curves.zones["with rim"].best_threshold_percent == pytest.approx(-44, abs=1.5)
    assert curves.zones["ablated"].best_dice > 0.98
    assert curves.zones["ablated"].average_precision == pytest.approx(1.0, abs=1e-3)  # ties


@pytest.mark.parametrize("seed", range(3))
def test_area_under_precision_recall_equals_scikit_learn(seed):
    from sklearn.metrics import average_precision_score

    rng = np.random.default_rng(seed)
    change = np.round(CHANGE + rng.normal(0, 25, GRID.shape))  # rounded: ties count as one
    pathology = RADIUS < 2.5
    found = threshold_curves(change, pathology, GRID).zones["pathology"].average_precision
    expected = average_precision_score(pathology.ravel(), -change.ravel())
    assert found == pytest.approx(expected, abs=1e-12)


def test_pixels_without_change_are_left_out():
    change = CHANGE.copy()
    change[:, 35:] = np.nan
    curves = threshold_curves(change, RADIUS < 2.0, GRID, thresholds=[-56.0])
    assert curves.zones["pathology"].dice[0] > 0.95
    assert curves.zones["pathology"].pathology_area_mm2 < 0.6 * np.pi * 4


def test_no_pathology_has_no_best_threshold():
    curves = threshold_curves(CHANGE, np.zeros(GRID.shape, dtype=bool), GRID)
    zone = curves.zones["pathology"]
    assert np.isnan(zone.best_threshold_percent)
    assert np.isnan(zone.average_precision)
    assert json.dumps(curves.to_dict())


def test_wrong_maps_are_refused():
    with pytest.raises(InputError, match="on the grid"):
        threshold_curves(CHANGE, np.zeros((3, 3), dtype=bool), GRID)
    with pytest.raises(InputError, match="finite thresholds"):
        threshold_curves(CHANGE, RADIUS < 2, GRID, thresholds=[np.nan])


def test_a_straight_edge_half_way_is_not_moved_by_blur():
    """A large disc blurred by a point-spread far smaller than it keeps its boundary."""
    found = resolution_limit((0.8, 0.8), Grid((200, 200), (0.1, 0.1)), [disc(4.5, (10, 10))])
    assert found.dice > 0.985
    assert found.area_ratio == pytest.approx(1.0, abs=0.02)


def test_smaller_lesions_and_wider_point_spread_allow_less():
    grid = Grid((200, 200), (0.2, 0.2))
    dice = [
        resolution_limit((fwhm, fwhm), grid, [disc(radius, (20, 20))]).dice
        for radius, fwhm in ((4.0, 1.0), (1.5, 1.0), (1.0, 1.0), (1.0, 1.3))
    ]
    assert dice == sorted(dice, reverse=True)
    assert dice[0] > 0.98
    assert dice[-1] < 0.9


def test_shrinkage_of_a_small_disc_is_that_of_the_heat_equation():
    """To first order blur of variance s² moves a circle of radius R inwards by s² / (2 R)."""
    radius, sd = 2.0, 0.3
    found = resolution_limit((sd * 2.354820045,) * 2, Grid((90, 90), (0.1, 0.1)), [disc(radius)])
    expected = ((radius - sd**2 / (2 * radius)) / radius) ** 2
    assert found.area_ratio == pytest.approx(expected, abs=0.004)
    assert found.mean_boundary_distance_mm == pytest.approx(sd**2 / (2 * radius), abs=0.006)


def test_a_threshold_off_half_way_costs_agreement():
    found = resolution_limit((1.0, 1.0), Grid((90, 90), (0.2, 0.2)), [disc(1.5)])
    assert found.dice_by_level[0.5] > found.dice_by_level[0.25]
    assert found.dice_by_level[0.5] > found.dice_by_level[0.75]
    assert json.dumps(found.to_dict())


def test_resolution_needs_a_lesion_and_widths():
    with pytest.raises(InputError, match="no outline"):
        resolution_limit((1, 1), GRID, [])
    with pytest.raises(InputError, match="two widths in mm"):
        resolution_limit((1, -1), GRID, [disc(1)])
