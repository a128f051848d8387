"""Ways of looking: comparison, drawing, strokes, maps, a turned section."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("napari", reason="napari is not installed (the extra 'gui')")

from coreg.errors import InputError
from coreg.geometry import ZONES
from coreg.sources.outlines import read_outlines
from coreg_napari.compare import MODES, compared
from coreg_napari.drawing import Drawing
from coreg_napari.maps import read_maps
from coreg_napari.training import Training

SQUARE = np.array([[2.0, 3.0], [2.0, 6.0], [5.0, 6.0], [5.0, 3.0]])


def test_comparisons_show_the_part_they_should():
    rgb = np.full((8, 10, 3), 90.0)
    rgb[0, 0] = np.nan
    shown = {mode: compared(rgb, mode, 0.3, square_px=2)[..., 3] for mode in MODES}
    assert all(alpha[0, 0] == 0 for alpha in shown.values())
    assert (shown["opacity"].ravel()[1:] == round(0.3 * 255)).all()
    assert (shown["swipe"][1:, :3] == 255).all()
    assert (shown["swipe"][:, 3:] == 0).all()
    assert shown["checkerboard"][2:4, 2:4].all()
    assert not shown["checkerboard"][2:4, 4:6].any()
    assert not shown["contours only"].any()
    assert compared(rgb, "opacity", 1.0)[3, 3].tolist() == [90, 90, 90, 255]


def test_an_unknown_comparison_is_refused():
    with pytest.raises(InputError, match="Unknown comparison 'flicker'"):
        compared(np.zeros((2, 2, 3)), "flicker")


def test_drawing_saves_undoes_and_keeps_the_zone(desk, small):
    drawing = Drawing(desk)
    desk.open(small)
    drawing.set_zone("tumour")
    drawing.layer.add_polygons([SQUARE])
    path = small / "outlines" / "a.geojson"
    assert [o.zone for o in read_outlines(path)] == ["ablated", "tumour"]
    size = drawing.sizes()["tumour"]
    assert (size.area, size.perimeter, size.pieces) == pytest.approx((9.0, 12.0, 1))
    desk.history.undo()
    assert [o.zone for o in read_outlines(path)] == ["ablated"]
    assert len(drawing.layer.data) == 1
    desk.history.redo()
    assert len(drawing.layer.data) == 2


def test_a_hole_that_is_drawn_is_saved_as_one(desk, small):
    drawing = Drawing(desk)
    desk.open(small)
    drawing.set_hole(True)
    drawing.layer.add_polygons([np.array([[5.0, 6.0], [5.0, 8.0], [7.0, 8.0], [7.0, 6.0]])])
    (back,) = read_outlines(small / "outlines" / "a.geojson")
    assert len(back.holes) == 1
    assert back.area == pytest.approx(12.0)


def test_selected_outlines_change_their_zone_with_the_tool_move_only(desk, small):
    drawing = Drawing(desk)
    desk.open(small)
    drawing.layer.selected_data = {0}
    drawing.set_zone("artefact")
    path = small / "outlines" / "a.geojson"
    assert read_outlines(path)[0].zone == "ablated"
    drawing.use("move")
    drawing.layer.selected_data = {0}
    drawing.set_zone("tumour")
    assert read_outlines(path)[0].zone == "tumour"


def test_smoothing_moves_no_point_further_than_asked(desk, small):
    from shapely import hausdorff_distance

    drawing = Drawing(desk)
    desk.open(small)
    rng = np.random.default_rng(1)
    angle = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    shaken = np.column_stack([6 + 2 * np.sin(angle), 8 + 2 * np.cos(angle)])
    shaken += rng.normal(0, 0.02, shaken.shape)
    drawing.layer.add_polygons([shaken])
    before = desk.outlines["A"][1]
    drawing.smooth(0.1)
    after = desk.outlines["A"][1]
    assert len(after.exterior) < len(before.exterior)
    assert hausdorff_distance(before.polygon(), after.polygon()) <= 0.1 + 1e-6


def test_others_outlines_are_shown_but_not_edited(desk, small):
    drawing = Drawing(desk)
    desk.open(small)
    layer = desk.section.layers["others' outlines"]
    assert layer.visible
    assert list(layer.features["observer"]) == ["B"]
    drawing.others = False
    drawing.show()
    assert not layer.visible
    assert list(drawing.layer.features["observer"]) == ["A"]


def test_strokes_are_kept_undone_and_found_again(desk, small):
    training = Training(desk)
    desk.open(small)
    training.paint("ablated")
    training.layer.paint((20, 20), ZONES["ablated"])
    training.layer.events.paint(value=[])
    painted = np.array(training.layer.data)
    assert painted.any()
    _, kept = desk.store.read_strokes()
    np.testing.assert_array_equal(kept, painted)
    desk.history.undo()
    assert not training.layer.data.any()
    desk.history.redo()
    np.testing.assert_array_equal(training.layer.data, painted)
    desk.open(small)
    np.testing.assert_array_equal(training.layer.data, painted)


def test_maps_predict_what_the_step_predicted_and_follow_the_threshold(desk, small):
    desk.open(small)
    desk.run(["predict"])
    maps = read_maps(desk.case)
    stated = desk.case.result("predict").summary
    assert maps.lesion().area == pytest.approx(stated["predicted_area_mm2"])
    assert maps.lesion(-65.0).area < maps.lesion(-25.0).area
    assert len(maps.series_percent) == len(maps.times_s) == 2


def test_a_turned_section_still_tells_places_in_slide_mm(desk):
    from coreg_napari.section_view import Turn

    turn = Turn(desk.section)
    turn.turn(30)
    turn.mirror()
    layer = desk.section.add_points(np.array([[3.0, 4.0]]), units=("mm", "mm"))
    np.testing.assert_allclose(turn.to_mm(layer.data_to_world((3.0, 4.0))), (3.0, 4.0))
    np.testing.assert_allclose(turn.to_world((3.0, 4.0)), layer.data_to_world((3.0, 4.0)))
    turn.reset()
    np.testing.assert_allclose(layer.data_to_world((3.0, 4.0)), (3.0, 4.0))


def test_laid_like_the_plane_a_fit_without_shrinkage_is_only_shifted(desk):
    from coreg.transforms import Affine
    from coreg_napari.section_view import Turn

    angle = np.deg2rad(40)
    matrix = np.array([[np.cos(angle), np.sin(angle)], [np.sin(angle), -np.cos(angle)]])
    affine = Affine(matrix, np.array([5.0, 6.0]))
    turn = Turn(desk.section)
    turn.like_plane(affine)
    plane = np.array([[1.0, 2.0], [4.0, -3.0]])
    seen = np.array([turn.to_world(p) for p in affine.to_slide(plane)])
    np.testing.assert_allclose(seen[1] - seen[0], plane[1] - plane[0])
