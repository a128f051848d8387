"""Outlines by hand: arithmetic, smoothing within its tolerance, edges followed between clicks."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon

from coreg.errors import FrameError, InputError
from coreg.geometry import Grid, Image, Outline
from coreg.zones.edit import (
    EdgeFollower,
    ZoneRules,
    arrange,
    combine,
    from_labels,
    measure,
    smooth,
    to_labels,
)


def circle(radius, zone="ablated", centre=(5.0, 6.0), n=400, **names):
    angle = np.linspace(0, 2 * np.pi, n, endpoint=False)
    points = np.array(centre) + radius * np.c_[np.sin(angle), np.cos(angle)]
    return Outline(points, "slide", zone=zone, **names)


def box(top, left, bottom, right, zone="ablated", **names):
    ring = [[top, left], [top, right], [bottom, right], [bottom, left]]
    return Outline(ring, "slide", zone=zone, **names)


def area(outlines, zone):
    return sum(outline.area for outline in outlines if outline.zone == zone)


def test_area_and_perimeter_of_a_circle_with_a_hole():
    holed = combine([circle(2)], [circle(1)], "difference")
    size = measure(holed)
    assert size.area == pytest.approx(np.pi * 3, rel=1e-3)
    assert size.perimeter == pytest.approx(2 * np.pi * 3, rel=1e-3)
    assert size.pieces == 1
    assert measure([]).area == 0


@pytest.mark.parametrize(
    ("operation", "expected"), [("union", 7), ("intersection", 1), ("difference", 3)]
)
def test_arithmetic_of_two_boxes(operation, expected):
    result = combine([box(0, 0, 2, 2, "tumour")], [box(1, 1, 3, 3)], operation)
    assert measure(result).area == pytest.approx(expected)
    assert {outline.zone for outline in result} == {"tumour"}


def test_arithmetic_with_nothing():
    assert combine([], [], "union") == []
    assert measure(combine([], [box(0, 0, 1, 1)], "union")).area == 1
    assert combine([box(0, 0, 1, 1)], [box(0, 0, 1, 1)], "difference") == []


def test_frames_do_not_mix():
    plane = Outline([[0, 0], [0, 1], [1, 0]], "plane")
    with pytest.raises(FrameError, match="one frame"):
        combine([box(0, 0, 1, 1)], [plane], "union")


def test_an_unknown_operation_is_refused():
    with pytest.raises(InputError, match="Unknown operation 'xor'"):
        combine([box(0, 0, 1, 1)], [], "xor")


def test_the_rim_loses_the_core_and_artefacts_leave_every_zone():
    drawn = [
        box(0, 0, 10, 10, "tissue"),
        box(1, 1, 9, 9, "diffusion-damaged"),
        box(2, 2, 8, 8, "ablated"),
        box(2, 2, 3, 8, "artefact"),
    ]
    arranged = arrange(drawn)
    assert area(arranged, "ablated") == pytest.approx(30)
    assert area(arranged, "diffusion-damaged") == pytest.approx(64 - 36)


def test_ablated_may_pass_the_tumour_or_is_cut_to_it():
    drawn = [box(0, 0, 4, 4, "tumour"), box(2, 2, 6, 6, "ablated")]
    assert area(arrange(drawn), "ablated") == pytest.approx(16)
    assert area(arrange(drawn), "tumour") == pytest.approx(16)
    rules = ZoneRules(ablated_inside_tumour=True, tumour_keeps_lesion=False)
    assert area(arrange(drawn, rules), "ablated") == pytest.approx(4)
    assert area(arrange(drawn, rules), "tumour") == pytest.approx(12)


def test_zones_end_where_the_tissue_ends_and_crumbs_go():
    drawn = [
        box(0, 0, 4, 4, "tissue"),
        box(2, 2, 6, 6, "ablated"),
        box(0, 0, 0.1, 0.1, "ablated"),
    ]
    arranged = arrange(drawn, ZoneRules(smallest_mm2=0.1))
    assert area(arranged, "ablated") == pytest.approx(4)


def test_observers_are_arranged_apart():
    drawn = [box(0, 0, 4, 4, "diffusion-damaged", observer="A"), box(0, 0, 2, 2, observer="B")]
    assert area(arrange(drawn), "diffusion-damaged") == pytest.approx(16)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), tolerance=st.floats(0.02, 0.6))
def test_smoothing_keeps_to_its_tolerance(seed, tolerance):
    rng = np.random.default_rng(seed)
    drawn = circle(3, n=150)
    drawn = Outline(drawn.exterior + rng.normal(0, 0.04, (150, 2)), "slide", zone="ablated")
    smoothed = smooth(drawn, tolerance)
    moved = Polygon(drawn.exterior).exterior.hausdorff_distance(Polygon(smoothed.exterior).exterior)
    assert moved <= tolerance * (1 + 1e-9)


def test_smoothing_takes_the_tremor_and_leaves_the_area():
    rng = np.random.default_rng(1)
    drawn = circle(3, n=300)
    drawn = Outline(drawn.exterior + rng.normal(0, 0.03, (300, 2)), "slide", zone="ablated")
    smoothed = smooth(drawn, 0.2)
    assert measure(drawn).perimeter > 1.2 * 2 * np.pi * 3
    assert measure(smoothed).perimeter == pytest.approx(2 * np.pi * 3, rel=0.02)
    assert smoothed.area == pytest.approx(np.pi * 9, rel=0.02)
    assert len(smoothed.exterior) < 100


@pytest.mark.parametrize("tolerance", [-1, float("nan")])
def test_a_tolerance_below_zero_is_refused(tolerance):
    with pytest.raises(InputError, match="tolerance of at least 0 mm"):
        smooth(circle(1), tolerance)


def test_labels_and_outlines_are_inverse():
    grid = Grid((120, 140), (0.1, 0.1), (0.05, 0.05), "slide")
    drawn = [circle(4, "diffusion-damaged"), circle(2, "ablated"), box(1, 1, 11, 12, "tumour")]
    labels = to_labels(drawn, grid)
    assert sorted(np.unique(labels)) == [0, 2, 3, 4]
    again = to_labels(from_labels(labels, grid, observer="A"), grid)
    assert (again == labels).mean() > 0.999


@pytest.fixture
def disc_image():
    """A noisy disc of radius 3 mm on the grid, dark on bright."""
    grid = Grid((240, 260), (0.05, 0.05), (0.0, 0.0), "slide")
    inside = np.hypot(*(grid.centres() - (5, 6)).T).reshape(grid.shape) <= 3
    noise = np.random.default_rng(0).normal(0, 0.1, grid.shape)
    return Image((1 - 0.6 * inside + noise).astype(np.float32), grid)


def test_four_clicks_follow_the_edge_of_a_disc(disc_image):
    clicks = np.array([5, 6]) + 3 * np.array([[1, 0], [0, 1], [-1, 0], [0, -1]])
    outline = EdgeFollower(disc_image, margin=2).outline(clicks, zone="tumour")
    radius = np.hypot(*(outline.exterior - (5, 6)).T)
    np.testing.assert_allclose(radius, 3, atol=0.15)
    straight = measure(Outline(clicks, "slide")).area
    assert straight < 0.7 * np.pi * 9
    assert outline.area == pytest.approx(np.pi * 9, rel=0.03)
    assert outline.zone == "tumour"


def test_a_path_begins_and_ends_at_the_clicks(disc_image):
    path = EdgeFollower(disc_image).path((5.01, 9.02), (8.03, 6.04))
    np.testing.assert_allclose(path[[0, -1]], [[5.01, 9.02], [8.03, 6.04]])
    assert np.linalg.norm(np.diff(path, axis=0), axis=1).max() < 0.1


def test_an_edge_is_not_followed_outside_the_image(disc_image):
    with pytest.raises(InputError, match="inside the image"):
        EdgeFollower(disc_image).path((5, 5), (50, 5))


def test_an_outline_needs_three_clicks(disc_image):
    with pytest.raises(InputError, match="at least 3 clicks, got 2"):
        EdgeFollower(disc_image).outline([(5, 5), (6, 6)])
