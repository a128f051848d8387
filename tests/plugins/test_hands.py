"""What a hand does on the canvases of a small case: place, drag, undo, stop, close."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("napari", reason="napari is not installed (the extra 'gui')")

from coreg.sources.landmarks import read_landmarks
from coreg_napari.pages.outline import TOOL_TIPS

pytestmark = [pytest.mark.gui]
SHIFT = np.array([2.0, 1.0])


def open_small(window, small):
    window.panel.desk.open(small)
    window.settle()
    window.panel.desk.run(["predict"])
    window.settle()
    window.step("align")
    window.panel.pages["align"].place.setChecked(True)
    window.settle()


def test_dragging_moves_a_landmark_and_undo_brings_it_back(window, small):
    from qtpy.QtCore import Qt

    open_small(window, small)
    before = read_landmarks(small / "landmarks.csv").plane[0]
    window.drag("plane", before, before + SHIFT)
    window.settle()
    moved = read_landmarks(small / "landmarks.csv").plane[0]
    np.testing.assert_allclose(moved, before + SHIFT, atol=0.2)
    window.key("plane", Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    window.settle()
    np.testing.assert_allclose(read_landmarks(small / "landmarks.csv").plane[0], before)


def test_after_the_third_pair_the_other_side_s_pointer_follows_the_mouse(window, small):
    from coreg_napari import scene

    open_small(window, small)
    window.click("plane", (10.0, 0.0))  # the mouse rests where a fifth landmark waits
    window.settle()
    pointer = scene.find(window.panel.desk.section, "pointer")
    expected = window.panel.desk.table.predicted("plane", window.panel.desk.table.rows[4].plane)
    np.testing.assert_allclose(pointer.data[0], expected, atol=1e-6)
    assert window.panel.pages["align"].hint.text() == "Now click landmark 5 on the section."


def test_clicks_land_in_slide_mm_on_a_turned_and_mirrored_section(window, small):
    open_small(window, small)
    window.panel.turn.turn(90)
    window.panel.turn.mirror()
    window.spin(0.2)
    window.click("slide", (7.0, 9.0))
    window.settle()
    np.testing.assert_allclose(window.panel.desk.table.rows[4].slide, (7.0, 9.0), atol=0.15)


def test_an_edit_is_in_the_folder_even_if_the_window_closes_at_once(window, small):
    window.panel.desk.open(small)
    window.settle()
    window.panel.desk.table.place("plane", (10.0, 0.0))
    window.panel.desk.table.place("slide", (10.0, 8.0))
    window.panel.shut()
    assert window.panel.desk.saved
    assert len(read_landmarks(small / "landmarks.csv")) == 5


def test_what_is_stopped_says_so_and_leaves_no_result(window, small):
    window.panel.desk.open(small)
    window.settle()

    def endless(progress):
        import time

        while True:
            progress(0.5, "working")
            time.sleep(0.01)

    window.panel.jobs.run("Something long", endless, lambda result: pytest.fail("was stopped"))
    window.spin(0.3)
    assert window.panel.stop.isVisible()
    window.press(window.panel.stop)
    assert ("info", "Stopped; nothing was changed.") in window.said


def test_a_step_that_cannot_be_done_says_why_in_one_sentence(window, small):
    window.panel.desk.open(small)
    window.settle()
    (small / "maps.npz").write_bytes(b"nothing")
    window.panel.desk.run(["predict"])
    window.settle()
    text = next(text for level, text in window.said if level == "error")
    assert "maps.npz" in text
    assert "\n" not in text.strip()


def test_an_outline_follows_the_edge_between_four_clicks(window, small):
    """The slide's only edge is a rectangle of 8 x 10 mm; the clicks alone span half of it."""
    from qtpy.QtCore import Qt

    from coreg.sources.outlines import read_outlines

    window.panel.desk.open(small)
    window.settle()
    window.step("outline")
    page = window.panel.pages["outline"]
    page.observer.setCurrentText("C")
    page._observer_chosen()
    window.press(page.tools.button(list(TOOL_TIPS).index("edge")))
    for place in ((2.0, 8.0), (6.0, 13.0), (10.0, 8.0), (9.0, 3.0)):
        window.click("slide", place)
        window.settle()
    window.key("slide", Qt.Key.Key_Backspace)  # the last click was a slip
    window.click("slide", (6.0, 3.0))
    window.settle()
    assert page.edge.clicks[-1] == pytest.approx((6.0, 3.0), abs=0.15)
    window.key("slide", Qt.Key.Key_Return)
    window.settle()
    drawn = [o for o in read_outlines(small / "outlines") if o.observer == "C"]
    assert [o.zone for o in drawn] == ["ablated"]
    assert drawn[0].made_by == "edge followed between clicks"
    assert drawn[0].area == pytest.approx(80.0, rel=0.03)
    assert page.edge.clicks == []
    window.key("slide", Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    window.settle()
    assert not [o for o in read_outlines(small / "outlines") if o.observer == "C"]


def test_a_line_along_an_edge_is_dropped_with_its_tool(window, small):
    window.panel.desk.open(small)
    window.settle()
    window.step("outline")
    page = window.panel.pages["outline"]
    before = dict(window.panel.desk.outlines)
    window.press(page.tools.button(list(TOOL_TIPS).index("edge")))
    window.click("slide", (2.0, 8.0))
    window.click("slide", (6.0, 13.0))
    window.settle()
    page.edge.finish()
    assert ("info", "An outline needs three clicks at least; click on.") in window.said
    window.step("align")
    assert not page.edge.active
    assert page.edge.clicks == []
    assert window.panel.desk.outlines == before
