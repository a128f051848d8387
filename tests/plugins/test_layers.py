"""Results as layers and back: in mm, with nothing lost."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.colors import to_rgba

pytest.importorskip("napari", reason="napari is not installed (the extra 'gui')")

from napari.components import ViewerModel
from napari.layers import Layer

from coreg.geometry import Grid, Image, Outline
from coreg.landmark_pairs import LandmarkPairs
from coreg_napari import layers as make
from coreg_napari.colours import OVERLAP_COLOURS
from coreg_napari.layers import in_mm, layer_outlines

SQUARE = np.array([[0.0, 0.0], [0.0, 8.0], [6.0, 8.0], [6.0, 0.0]])


def created(made) -> Layer:
    return Layer.create(*made)


def every_layer():
    grid = Grid((20, 30), (0.5, 0.25), (2.0, -3.0), "plane")
    values = np.linspace(-80, 20, 600, dtype=np.float32).reshape(20, 30)
    outline = Outline(SQUARE, "slide", zone="ablated")
    pairs = LandmarkPairs(SQUARE, SQUARE)
    half = np.zeros(grid.shape, dtype=bool)
    half[:10] = True
    return [
        make.image_layer(Image(values, grid), "B-mode", "bmode"),
        make.change_layer(values, grid),
        make.amplitude_layer(np.abs(values), grid, "baseline (µm)"),
        make.error_layer(np.abs(values), grid),
        make.overlap_layer(half, ~half, grid),
        make.outline_layer([outline], "slide", "outlines", "outlines"),
        make.contour_layer([outline], "slide", "contours", "drawn"),
        make.landmark_layer(pairs, "slide"),
    ]


@pytest.mark.parametrize("made", every_layer(), ids=lambda made: made[1]["name"])
def test_every_layer_is_in_mm_and_knows_its_frame(made):
    layer = created(made)
    assert in_mm(layer)
    assert make.tag(layer)["frame"] in ("plane", "slide")
    assert tuple(layer.axis_labels) == make.AXES[make.tag(layer)["frame"]]


def test_a_pixel_centre_lies_where_its_grid_says():
    grid = Grid((20, 30), (0.5, 0.25), (2.0, -3.0), "plane")
    layer = created(make.image_layer(Image(np.zeros((20, 30)), grid), "B-mode", "bmode"))
    np.testing.assert_allclose(layer.data_to_world((4, 7)), grid.to_mm([[4, 7]])[0])
    np.testing.assert_allclose(layer.world_to_data(grid.to_mm([[4, 7]])[0]), (4, 7))


def test_edges_of_images_with_other_pixels_coincide():
    """napari's world origin is a pixel's centre, so a coarser image needs its half pixel."""
    fine = Grid((40, 40), (0.25, 0.25), (0.125, 0.125), "plane")
    coarse = fine.with_spacing(1.0)
    viewer = ViewerModel()
    for grid in (fine, coarse):
        viewer.add_layer(created(make.image_layer(Image(np.zeros(grid.shape), grid), "x", "bmode")))
    # extent.world runs from pixel centre to pixel centre.
    half = np.array([[-0.5], [0.5]])
    np.testing.assert_allclose(
        viewer.layers[0].extent.world + 0.25 * half, viewer.layers[1].extent.world + half
    )


def test_outlines_come_back_with_holes_zones_and_observers():
    hole = SQUARE * 0.3 + 1.0
    drawn = [
        Outline(SQUARE, "slide", (hole,), "diffusion-damaged", "A", "by hand", {"note": "x"}),
        Outline(SQUARE + 20, "slide", (), "tumour", "A", "proposal"),
    ]
    layer = created(make.outline_layer(drawn, "slide", "outlines", "outlines"))
    assert len(layer.data) == 3
    back = layer_outlines(layer.data, layer.features, "slide")
    for before, after in zip(drawn, back, strict=True):
        np.testing.assert_allclose(after.exterior, before.exterior)
        assert (after.zone, after.observer, after.made_by, after.extra) == (
            before.zone,
            before.observer,
            before.made_by,
            before.extra,
        )
    np.testing.assert_allclose(back[0].holes[0], hole)
    assert back[0].area == pytest.approx(48 - 48 * 0.09)


def test_a_hole_drawn_later_is_cut_out_of_the_smallest_outline_around_it():
    around = Outline(SQUARE * 4 - 5, "slide", zone="tumour")
    inner = Outline(SQUARE, "slide", zone="ablated")
    layer = created(make.outline_layer([around, inner], "slide", "outlines", "outlines"))
    layer.feature_defaults = {
        "zone": "ablated",
        "observer": "",
        "made_by": "",
        "ring": "hole",
        "piece": -1,
        "extra": "",
    }
    layer.add_polygons([SQUARE * 0.3 + 1.0])
    tumour, ablated = layer_outlines(layer.data, layer.features, "slide")
    assert not tumour.holes
    assert len(ablated.holes) == 1


def test_a_shape_that_is_still_a_line_is_no_outline():
    table = {column: ["x", "x"] for column in make.COLUMNS} | {"extra": ["", ""], "piece": [0, 1]}
    table["ring"] = ["outer", "outer"]
    assert len(layer_outlines([SQUARE, SQUARE[:2]], table, "slide")) == 1


def test_no_outlines_make_a_layer_that_can_still_be_drawn_on():
    layer = created(make.outline_layer([], "slide", "outlines", "outlines"))
    layer.feature_defaults = {
        "zone": "ablated",
        "observer": "A",
        "made_by": "by hand",
        "ring": "outer",
        "piece": -1,
        "extra": "",
    }
    layer.add_polygons([SQUARE])
    (drawn,) = layer_outlines(layer.data, layer.features, "slide")
    assert (drawn.zone, drawn.observer) == ("ablated", "A")


def test_change_of_nothing_is_transparent_and_a_fall_is_not():
    layer = created(every_layer()[1])
    colours = layer.colormap.map(np.array([0.0, 0.5, 1.0]))
    assert colours[1, 3] < 0.02
    assert colours[0, 3] > 0.8
    assert layer.colormap.map(np.array([np.nan]))[0, 3] == 0


def test_overlap_numbers_both_and_either_side():
    grid = Grid((1, 4), (1.0, 1.0), frame="plane")
    predicted = np.array([[True, True, False, False]])
    pathology = np.array([[True, False, True, False]])
    made = make.overlap_layer(predicted, pathology, grid)
    assert made[0].tolist() == [[1, 2, 3, 0]]
    shown = created(made).colormap.map(np.arange(4) / 3)
    assert shown[0, 3] == 0
    wanted = [to_rgba(OVERLAP_COLOURS[number]) for number in (1, 2, 3)]
    np.testing.assert_allclose(shown[1:], wanted, atol=0.01)


def test_percentiles_of_nothing_make_a_range():
    assert make.percentiles(np.full(3, np.nan), 1, 99) == (0.0, 1.0)
    assert make.percentiles(np.full(3, 5.0), 1, 99) == (5.0, 6.0)
