"""A case's edits: undone and redone, saved at once, and never over another program's change."""

from __future__ import annotations

import os

import numpy as np
import pytest

pytest.importorskip("napari", reason="napari is not installed (the extra 'gui')")

from coreg.case import open_case
from coreg.geometry import Outline
from coreg.sources.landmarks import read_landmarks, write_landmarks
from coreg.sources.outlines import read_outlines
from coreg_napari import scene
from coreg_napari.landmarks import fit_rows
from coreg_napari.missing import missing

SQUARE = np.array([[2.0, 3.0], [2.0, 6.0], [5.0, 6.0], [5.0, 3.0]])


def later(path) -> None:
    """Move a file's time on, as another program's write would."""
    stat = path.stat()
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns + 5_000_000))


def test_opening_shows_the_section_and_takes_over_landmarks_and_outlines(desk, small):
    desk.open(small)
    assert scene.find(desk.section, "section") is not None
    assert len(desk.table.rows) == 4
    assert sorted(desk.outlines) == ["A", "B"]
    assert desk.observer == "A"
    assert {state.state for state in desk.states.values()} == {"to do"}


def test_running_a_step_shows_its_maps_and_its_state(desk, small):
    desk.open(small)
    desk.run(["predict"])
    assert desk.states["predict"].state == "done"
    assert scene.find(desk.plane, "change") is not None
    assert len(scene.find(desk.plane, "predicted").data) == 1


def test_landmarks_are_saved_as_they_are_placed_and_undone_in_the_file_too(desk, small):
    desk.open(small)
    desk.table.place("plane", (10.0, 0.0))
    assert len(read_landmarks(small / "landmarks.csv")) == 4
    desk.table.place("slide", (10.0, 8.0))
    assert len(read_landmarks(small / "landmarks.csv")) == 5
    assert desk.history.undo() == "move landmark 5"
    assert len(read_landmarks(small / "landmarks.csv")) == 4
    assert not desk.table.rows[4].complete
    desk.history.redo()
    np.testing.assert_allclose(read_landmarks(small / "landmarks.csv").slide[4], (10.0, 8.0))


def test_the_live_fit_is_that_of_the_case_s_model(desk, small):
    desk.open(small)
    assert desk.fit.model == "affine"
    desk.change("align", model="rigid")
    assert desk.fit.model == "rigid"
    assert desk.fit.error_mm == fit_rows(desk.table.rows, "rigid").error_mm


def test_half_a_pair_survives_a_crash(desk, small):
    desk.open(small)
    desk.table.place("slide", (3.0, 4.0))
    # No farewell: another window opens the folder.
    from coreg_napari.desk import Desk

    other = Desk(type(desk.plane)(), type(desk.section)(), desk.jobs)
    told = []
    other.told.connect(lambda level, text: told.append(text))
    other.open(small)
    assert other.table.rows[4].slide == (3.0, 4.0)
    assert other.table.rows[4].plane is None
    assert "Unfinished work of an earlier window was found and restored." in told


def test_outlines_are_saved_to_their_observer_s_file_and_undone(desk, small):
    desk.open(small)
    own = desk.outlines["A"]
    desk.set_outlines("draw outline", [*own, Outline(SQUARE, "slide", zone="tumour", observer="A")])
    assert [o.zone for o in read_outlines(small / "outlines" / "a.geojson")] == [
        "ablated",
        "tumour",
    ]
    assert len(read_outlines(small / "outlines" / "b.geojson")) == 1
    desk.history.undo()
    assert len(read_outlines(small / "outlines" / "a.geojson")) == 1


def test_a_new_observer_gets_a_file_of_their_own(desk, small):
    desk.open(small)
    desk.set_observer("Dr. C")
    desk.set_outlines("draw outline", [Outline(SQUARE, "slide", zone="ablated", observer="Dr. C")])
    assert read_outlines(small / "outlines" / "dr-c.geojson")[0].observer == "Dr. C"


def test_an_observer_spread_over_two_files_is_gathered_in_one(desk, small):
    from coreg.sources.outlines import write_outlines

    both = [
        Outline(SQUARE, "slide", zone="tumour", observer="A"),
        Outline(SQUARE + 1, "slide", zone="tumour", observer="C"),
    ]
    write_outlines(small / "outlines" / "more.geojson", both)
    desk.open(small)
    assert len(desk.outlines["A"]) == 2
    desk.set_outlines("remove outline", desk.outlines["A"][:1], "A")
    assert [o.observer for o in read_outlines(small / "outlines" / "more.geojson")] == ["C"]
    assert len([o for o in read_outlines(small / "outlines") if o.observer == "A"]) == 1


def test_settings_are_written_and_undone_like_any_edit(desk, small):
    desk.open(small)
    desk.change("predict", threshold_percent=-55.0)
    assert open_case(small).settings["predict"]["threshold_percent"] == -55.0
    desk.history.undo()
    assert open_case(small).settings["predict"]["threshold_percent"] == -40.0


def test_a_wrong_setting_is_refused_in_one_sentence_and_the_file_stays(desk, small):
    desk.open(small)
    before = (small / "case.toml").read_bytes()
    desk.change("predict", threshold_percent=-120.0)
    assert desk.said[-1][0] == "error"
    assert "should be at least -99" in desk.said[-1][1]
    assert (small / "case.toml").read_bytes() == before


def test_another_program_s_landmarks_are_read_and_not_overwritten(desk, small):
    desk.open(small)
    path = small / "landmarks.csv"
    write_landmarks(path, read_landmarks(path).select([0, 1, 2]))
    later(path)
    desk.table.place("plane", (9.0, 1.0))
    desk.table.place("slide", (9.0, 9.0))
    assert "was changed by another program" in " ".join(text for _, text in desk.said)
    assert len(read_landmarks(path)) in (3, 4)  # theirs, and at most the pair placed afterwards
    np.testing.assert_allclose(read_landmarks(path).plane[0], (5.0, -4.0))


def test_a_file_changed_underneath_is_noticed_and_read_again(desk, small):
    desk.open(small)
    path = small / "landmarks.csv"
    write_landmarks(path, read_landmarks(path).select([0, 1, 2]))
    later(path)
    desk.check_files()
    assert len(desk.table.rows) == 3
    assert ("info", "landmarks.csv changed outside this window and was read again.") in desk.said


def test_results_made_by_the_command_line_appear(desk, small):
    desk.open(small)
    open_case(small).run(["predict"])
    desk.check_files()
    assert desk.states["predict"].state == "done"
    assert scene.find(desk.plane, "change") is not None


def test_a_file_spoilt_underneath_is_told_and_the_window_keeps_what_it_has(desk, small):
    desk.open(small)
    (small / "landmarks.csv").write_text("nonsense\n", encoding="utf-8")
    desk.check_files()
    assert len(desk.table.rows) == 4
    assert any(level == "error" and "landmarks.csv" in text for level, text in desk.said)


def test_what_is_missing_is_said_in_words(desk, small):
    assert missing(desk) == {"case": "Open a case, make a new one, or make the demo."}
    desk.open(small)
    for row in range(2):
        desk.table.remove(row)
    lacking = missing(desk)
    assert lacking["align"] == "Place 1 more landmark pair(s)."
    assert lacking["agree"] == "First: Displacement, Outline, Align."


def test_a_layer_in_another_unit_is_noticed(desk):
    from napari.layers import Image

    seen = []
    scene.on_foreign_layer(desk.plane, seen.append)
    layer = Image(np.zeros((4, 4)))
    desk.plane.add_layer(layer)
    assert seen == [layer]
    scene.mend_units(layer)
    assert [str(unit) for unit in layer.units] == ["millimeter", "millimeter"]


def test_layers_keep_their_order_whenever_they_come(desk, small):
    desk.open(small)
    desk.run(["predict"])
    roles = [layer.metadata["coreg"]["role"] for layer in desk.plane.layers]
    assert roles == sorted(roles, key=scene.ORDER.index)
