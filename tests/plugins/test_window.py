"""The whole job in a real window, as a user does it, against the command line on the same case."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pytest

pytest.importorskip("napari", reason="napari is not installed (the extra 'gui')")
pytestmark = [pytest.mark.gui]


def by_hand_folder(fresh):
    """The case without anybody's landmarks and outlines; they are returned to be made by hand."""
    from coreg.landmark_pairs import LandmarkPairs
    from coreg.sources.landmarks import read_landmarks, write_landmarks
    from coreg.sources.outlines import read_outlines

    pairs = read_landmarks(fresh / "landmarks.csv")
    outlines = read_outlines(fresh / "outlines")
    write_landmarks(fresh / "landmarks.csv", LandmarkPairs(np.empty((0, 2)), np.empty((0, 2))))
    for path in (fresh / "outlines").glob("*.geojson"):
        path.unlink()
    return pairs, outlines


def test_the_whole_job_by_hand_gives_what_the_command_line_gives(
    window, fresh, tmp_path, monkeypatch
):
    from qtpy.QtCore import Qt
    from qtpy.QtWidgets import QFileDialog

    from coreg.cli import main

    pairs, outlines = by_hand_folder(fresh)
    panel = window.panel
    assert panel.rows["predict"].state.text() == "to do"

    monkeypatch.setattr(QFileDialog, "getExistingDirectory", lambda *a, **k: str(fresh))
    window.press(panel.pages["case"].open)
    assert panel.title.text() == "demo 0"

    # Displacement: run it, then make the threshold 2 % stricter by key.
    window.step("predict")
    window.do("predict")
    assert panel.rows["predict"].state.text() == "done"
    before = panel.pages["predict"].area.text()
    assert "mm²" in before
    window.key("plane", Qt.Key.Key_K)
    window.key("plane", Qt.Key.Key_K)
    window.settle()
    assert panel.desk.case.settings["predict"]["threshold_percent"] == -42.0
    assert panel.pages["predict"].area.text() != before
    assert panel.rows["predict"].state.text() == "stale"
    window.do("predict")

    # Outline: the ablated zone and its rim, point by point.
    window.step("outline")
    panel.pages["outline"].observer.lineEdit().setText("me")
    panel.pages["outline"].observer.lineEdit().editingFinished.emit()
    draw_zone(window, "ablated", outlines)
    draw_zone(window, "diffusion-damaged", outlines)
    saved = json.loads((fresh / "outlines" / "me.geojson").read_text("utf-8"))
    assert [f["properties"]["zone"] for f in saved["features"]] == ["ablated", "diffusion-damaged"]
    window.do("outline")
    assert panel.rows["outline"].state.text() == "done"

    # Align: six pairs, a click on either canvas each.
    window.step("align")
    window.key("plane", Qt.Key.Key_N)
    for i in (0, 2, 5, 8, 11, 15):
        window.click("plane", pairs.plane[i])
        window.click("slide", pairs.slide[i])
    window.settle()
    assert len(panel.desk.table.rows) == 6
    assert all(row.complete for row in panel.desk.table.rows)
    miss = (
        np.array([row.slide for row in panel.desk.table.rows]) - pairs.slide[[0, 2, 5, 8, 11, 15]]
    )
    assert np.abs(miss).max() < 0.15, "a click lands within a pixel of the canvas"
    assert "leave-one-out error" in panel.pages["align"].said.text()
    window.do("align")
    assert panel.rows["align"].state.text() == "done"

    window.step("agree")
    window.do("agree")
    assert panel.pages["agree"].table.item(0, 0).text() == "Dice"
    window.step("figure")
    window.do("figure")
    assert {row.state.text() for row in panel.rows.values()} == {"done"}
    saved_as = tmp_path / "mine.pdf"
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *a, **k: (str(saved_as), ""))
    panel.pages["figure"]._ask("pdf")
    window.settle()

    # The command line, on the same inputs.
    other = tmp_path / "command line"
    shutil.copytree(fresh, other, ignore=shutil.ignore_patterns("results"))
    assert main(["run", str(other), "--quiet"]) == 0
    for name in ("agree/agreement.json", "figure/figure.pdf", "align/transform.json"):
        assert (fresh / "results" / name).read_bytes() == (other / "results" / name).read_bytes()
    assert saved_as.read_bytes() == (other / "results" / "figure" / "figure.pdf").read_bytes()
    assert not [text for level, text in window.said if level == "error"]


def draw_zone(window, zone, outlines):
    """Draw a polygon of 16 corners through the largest outline of a zone."""
    from qtpy.QtCore import Qt

    page = window.panel.pages["outline"]
    ring = max((o for o in outlines if o.zone == zone), key=lambda o: o.area).exterior
    corners = ring[np.linspace(0, len(ring), 16, endpoint=False).astype(int)]
    window.press(next(b for b in page.zones.buttons() if b.text() == zone))
    window.key("slide", Qt.Key.Key_Q)
    for corner in corners:
        window.click("slide", corner)
    window.key("slide", Qt.Key.Key_Return)
    window.key("slide", Qt.Key.Key_Q)
    window.settle()
