"""Cases and windows for the plugin's tests; without napari or a display they skip, saying why."""

from __future__ import annotations

import os
import shutil
import sys
import time
from pathlib import Path

import pytest
from in_place_jobs import InPlace

pytest.importorskip("napari", reason="napari is not installed (the extra 'gui')")

WAIT_S = 240


@pytest.fixture(scope="session", autouse=True)
def own_settings(tmp_path_factory):
    """napari's settings in a file of their own: tests neither read nor change the user's."""
    before = os.environ.get("NAPARI_CONFIG")
    os.environ["NAPARI_CONFIG"] = str(tmp_path_factory.mktemp("napari") / "settings.yaml")
    yield
    if before is None:
        del os.environ["NAPARI_CONFIG"]
    else:
        os.environ["NAPARI_CONFIG"] = before


@pytest.fixture(scope="session")
def demo(tmp_path_factory) -> Path:
    """The invented case, coarse and with few draws; its steps are to do."""
    from coreg.steps.demo import make_demo

    folder = tmp_path_factory.mktemp("demo") / "case"
    case = make_demo(folder, um_per_px=40.0)
    (folder / "outlines" / "observer-2.geojson").unlink()
    case.change("agree", draws=50)
    case.change("outlines", spacing_um=40.0)
    return folder


@pytest.fixture(scope="session")
def finished(demo, tmp_path_factory) -> Path:
    """The same with all steps done by the command line."""
    from coreg.cli import main

    folder = tmp_path_factory.mktemp("finished") / "case"
    shutil.copytree(demo, folder)
    assert main(["run", str(folder), "--quiet"]) == 0
    return folder


@pytest.fixture
def fresh(demo, tmp_path) -> Path:
    """A copy of the case to work on."""
    return Path(shutil.copytree(demo, tmp_path / "case"))


@pytest.fixture
def done(finished, tmp_path) -> Path:
    """A copy of the finished case to work on."""
    return Path(shutil.copytree(finished, tmp_path / "case"))


@pytest.fixture
def small(tmp_path) -> Path:
    """A tiny case made in no time: 3 maps, a plain slide, four landmarks, two observers."""
    import numpy as np
    from PIL import Image as Picture

    from coreg.case import new_case
    from coreg.geometry import Outline
    from coreg.landmark_pairs import LandmarkPairs
    from coreg.sources.landmarks import write_landmarks
    from coreg.sources.outlines import write_outlines

    folder = tmp_path / "small"
    folder.mkdir()
    picture = np.full((120, 160, 3), 235, dtype=np.uint8)
    picture[20:100, 30:130] = (200, 120, 170)
    Picture.fromarray(picture).save(folder / "slide.png")
    maps = np.full((3, 40, 30), 10.0, dtype=np.float32)
    maps[1, 15:25, 10:20] = 7.0
    maps[2, 15:25, 10:20] = 4.0
    np.savez(
        folder / "maps.npz", um=maps, depth=np.arange(40) * 0.5, lateral=np.arange(30) * 0.5 - 7
    )
    new_case(
        folder,
        {
            "slide": {"path": "slide.png", "pixel_size_um": [100.0, 100.0]},
            "displacement": {
                "path": "maps.npz",
                "kind": "amplitude-series",
                "array": "um",
                "depth": "depth",
                "lateral": "lateral",
                "time_spacing_s": 10.0,
            },
            "align": {"model": "affine"},
        },
    )
    plane = np.array([[5.0, -4.0], [5.0, 4.0], [15.0, -4.0], [16.0, 5.0]])
    pairs = LandmarkPairs(plane, plane * 0.9 + (1.0, 8.0), observers=("A",) * 4)
    write_landmarks(folder / "landmarks.csv", pairs)
    square = np.array([[4.0, 5.0], [4.0, 9.0], [8.0, 9.0], [8.0, 5.0]])
    for name, shift in (("A", 0.0), ("B", 0.3)):
        drawn = [Outline(square + shift, "slide", zone="ablated", observer=name)]
        write_outlines(folder / "outlines" / f"{name.lower()}.geojson", drawn)
    return folder


@pytest.fixture
def desk():
    """A desk with two viewer models and no window; `desk.said` holds what was told."""
    from napari.components import ViewerModel

    from coreg_napari.desk import Desk

    desk = Desk(ViewerModel(), ViewerModel(), InPlace())
    desk.said = []
    desk.told.connect(lambda level, text: desk.said.append((level, text)))
    yield desk
    desk.close()


@pytest.fixture
def window(monkeypatch):
    """A real window and a hand that moves its mouse and keys."""
    if sys.platform.startswith("linux") and not (
        os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    ):
        pytest.skip("a window needs a display with OpenGL; run under xvfb-run")
    from coreg_napari.panel import open_window

    viewer, panel = open_window()
    hand = Hand(viewer, panel)
    hand.settle()
    yield hand
    viewer.close()
    hand.spin(0.2)


class Hand:
    """What a user can do: click, drag, press keys, and wait."""

    def __init__(self, viewer, panel) -> None:
        self.viewer = viewer
        self.panel = panel
        self.said: list[tuple[str, str]] = []
        panel.desk.told.connect(lambda level, text: self.said.append((level, text)))
        panel.jobs.failed.connect(lambda level, text: self.said.append((level, text)))

    def spin(self, seconds: float) -> None:
        """Let the window work for a while."""
        from qtpy.QtWidgets import QApplication

        end = time.monotonic() + seconds
        while time.monotonic() < end:
            QApplication.processEvents()
            time.sleep(0.002)

    def settle(self) -> None:
        """Wait until nothing runs any more."""
        end = time.monotonic() + WAIT_S
        self.spin(0.15)
        while self.panel.jobs.busy:
            assert time.monotonic() < end, "the window is still busy"
            self.spin(0.05)
        self.spin(0.15)

    def press(self, button) -> None:
        """Click a button with the left mouse button."""
        from qtpy.QtCore import Qt
        from qtpy.QtTest import QTest

        assert button.isEnabled(), f"{button.text()} cannot be pressed: {button.toolTip()}"
        QTest.mouseClick(button, Qt.MouseButton.LeftButton)
        self.settle()

    def step(self, name: str) -> None:
        """Show a step's page."""
        self.press(self.panel.rows[name].name)

    def do(self, name: str) -> None:
        """Press a step's Run button and wait for it."""
        self.press(self.panel.rows[name].go)

    def canvas(self, side: str):
        """The widget that is drawn on."""
        from coreg_napari.compat import canvas_of

        return canvas_of(self.viewer.window if side == "plane" else self.panel.canvas)

    def pixel(self, side: str, mm):
        """Where a place in mm lies on the canvas."""
        import numpy as np
        from qtpy.QtCore import QPoint

        from coreg_napari.compat import camera

        model = self.viewer if side == "plane" else self.panel.canvas.viewer
        world = np.asarray(mm) if side == "plane" else self.panel.turn.to_world(mm)
        native = self.canvas(side)
        view = camera(model)
        offset = (world - np.array(view.center[-2:])) * view.zoom
        return QPoint(round(native.width() / 2 + offset[1]), round(native.height() / 2 + offset[0]))

    def click(self, side: str, mm) -> None:
        """Move the mouse to a place in mm and click."""
        from qtpy.QtCore import Qt
        from qtpy.QtTest import QTest

        native, at = self.canvas(side), self.pixel(side, mm)
        QTest.mouseMove(native, at)
        self.spin(0.02)
        QTest.mouseClick(native, Qt.MouseButton.LeftButton, pos=at)
        self.spin(0.02)

    def drag(self, side: str, start, end) -> None:
        """Press at one place, move to another, let go."""
        from qtpy.QtCore import QEvent, QPointF, Qt
        from qtpy.QtGui import QMouseEvent
        from qtpy.QtTest import QTest
        from qtpy.QtWidgets import QApplication

        native = self.canvas(side)
        first, last = self.pixel(side, start), self.pixel(side, end)
        QTest.mousePress(native, Qt.MouseButton.LeftButton, pos=first)
        for share in (0.3, 0.6, 1.0):
            place = QPointF(first) * (1 - share) + QPointF(last) * share
            moved = QMouseEvent(
                QEvent.Type.MouseMove,
                place,
                native.mapToGlobal(place),
                Qt.MouseButton.NoButton,
                Qt.MouseButton.LeftButton,
                Qt.KeyboardModifier.NoModifier,
            )
            QApplication.sendEvent(native, moved)
            self.spin(0.02)
        QTest.mouseRelease(native, Qt.MouseButton.LeftButton, pos=last)
        self.spin(0.02)

    def key(self, side: str, *args) -> None:
        """Press a key over a canvas."""
        from qtpy.QtTest import QTest

        QTest.keyClick(self.canvas(side), *args)
        self.spin(0.05)
