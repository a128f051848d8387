"""The napari plugin: import, first paint of a very large slide, blocks of the event loop, memory.

Run on a machine with a display, or under Xvfb:
xvfb-run -a -s "-screen 0 1600x1200x24" python tests/benchmarks/bench_plugin.py [CASE]

CASE is a finished case folder; the demo case is made where none is given. A block of the event loop
is the time between two turns of it; its share of processor time is the main thread's own, which a
busy machine does not stretch.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from bench_slides import SIZE, write_pyramid

TURN_MS = 1


def import_seconds(statement: str, repeats: int = 5) -> float:
    """The best time of an import in a fresh process, without Python's own start."""
    program = f"import time; t = time.perf_counter(); {statement}; print(time.perf_counter() - t)"
    runs = [
        float(
            subprocess.run(
                [sys.executable, "-c", program], capture_output=True, text=True, check=True
            ).stdout
        )
        for _ in range(repeats)
    ]
    return min(runs)


def bench_import() -> None:
    """Import of the plugin beside napari's own."""
    ours = import_seconds("import coreg_napari, coreg_napari.readers")
    napari_own = import_seconds("import napari, napari.viewer")
    print(f"import of the plugin {ours:.3f} s (bar 0.3 s); of napari {napari_own:.2f} s")


class Blocks:
    """Notes how long the event loop stands still, and during what."""

    def __init__(self) -> None:
        from qtpy.QtCore import QTimer

        self.doing = ""
        self.found: list[tuple[float, float, str]] = []
        self._last = (time.perf_counter(), time.thread_time())
        self._timer = QTimer()
        self._timer.setInterval(TURN_MS)
        self._timer.timeout.connect(self._turn)
        self._timer.start()

    def _turn(self) -> None:
        now = (time.perf_counter(), time.thread_time())
        self.found.append((now[0] - self._last[0], now[1] - self._last[1], self.doing))
        self._last = now

    def report(self) -> None:
        """The longest blocks by the main thread's processor time, one line an action."""
        worst: dict[str, tuple[float, float]] = {}
        for wall, cpu, doing in self.found:
            before = worst.get(doing, (0.0, 0.0))
            worst[doing] = (max(before[0], wall), max(before[1], cpu))
        for doing, (wall, cpu) in sorted(worst.items(), key=lambda item: -item[1][1]):
            print(
                f"  {doing:34} longest block {1000 * wall:6.0f} ms, processor {1000 * cpu:5.0f} ms"
            )
        inside = [cpu for _, cpu, doing in self.found if doing != "opening the window"]
        print(
            f"  longest after the window is up: {1000 * max(inside):.0f} ms of processor (100 ms)"
        )


def spin(until, most: float = 300.0) -> None:
    """Let the window work until something holds."""
    from qtpy.QtWidgets import QApplication

    end = time.perf_counter() + most
    while not until() and time.perf_counter() < end:
        QApplication.processEvents()
        time.sleep(0.001)


def first_paint(viewer, canvas, make_layer) -> float:
    """Seconds from asking for a layer to the canvas showing it."""
    from napari.layers import Layer

    painted = []
    start = time.perf_counter()
    layer = Layer.create(*make_layer())
    viewer.add_layer(layer)
    viewer.reset_view()
    canvas._scene_canvas.events.draw.connect(lambda event: painted.append(time.perf_counter()))
    spin(lambda: layer.loaded and painted)
    seconds = time.perf_counter() - start
    viewer.layers.clear()
    spin(lambda: True)
    return seconds


def plain_levels(path: Path):
    """The same slide as a napari user without this plugin would open it: tifffile, zarr, Dask."""
    import dask.array as da
    import tifffile
    import zarr

    with tifffile.TiffFile(path) as tiff:
        count = len(tiff.series[0].levels)
    group = zarr.open(tifffile.imread(path, aszarr=True), mode="r")
    levels = [da.from_zarr(group[str(k)]) for k in range(count)]
    return levels, {"rgb": True, "multiscale": True}, "image"


def bench_slide() -> None:
    """First paint of a slide of 100,000 × 80,000 pixels, napari being up."""
    import napari

    from coreg_napari.compat import read_in_threads
    from coreg_napari.readers import read_slide

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "large.tif"
        write_pyramid(path, *SIZE)
        viewer = napari.Viewer()
        read_in_threads(viewer)
        canvas = viewer.window._qt_viewer.canvas
        spin(lambda: False, 1.0)
        viewer.add_image(np.zeros((4, 4, 3), np.uint8), rgb=True)  # napari's own first image
        spin(lambda: False, 1.0)
        viewer.layers.clear()
        ours = [first_paint(viewer, canvas, lambda: read_slide(str(path))[0]) for _ in range(3)]
        plain = [first_paint(viewer, canvas, lambda: plain_levels(path)) for _ in range(3)]
        print(f"first paint of {SIZE[1]:,} x {SIZE[0]:,} pixels, napari being up:")
        print(f"  coreg {ours[0]:.2f} s (first), {min(ours):.2f} s (best of 3); bar 2 s")
        print(f"  tifffile + zarr + Dask {plain[0]:.2f} s (first), {min(plain):.2f} s (best of 3)")
        print(f"  ratio of the best: {min(plain) / min(ours):.2f}")
        viewer.close()


def bench_window(folder: Path) -> None:
    """Blocks of the event loop while a case is worked on."""
    from napari.utils.notifications import notification_manager

    from coreg_napari.panel import open_window

    sys.excepthook = notification_manager.receive_error  # as napari.run does
    viewer, panel = open_window()
    blocks = Blocks()
    blocks.doing = "opening the window"

    def settle(doing: str) -> None:
        blocks.doing = doing
        spin(lambda: False, 0.3)
        spin(lambda: not panel.jobs.busy)
        spin(lambda: False, 0.3)

    settle("opening the window")
    panel.desk.open(folder)
    settle("opening a case")
    for step in panel.pages:
        panel.show_page(step)
        settle(f"page {step}")
    panel.show_page("predict")
    settle("page predict")
    page = panel.pages["predict"]
    blocks.doing = "moving the threshold"
    page.threshold.setSliderDown(True)
    for value in range(-600, -300, 15):
        page.threshold.setValue(value)
        spin(lambda: False, 0.02)
    page.threshold.setSliderDown(False)
    settle("moving the threshold")
    for value in range(page.time.maximum() + 1):
        page.time.setValue(value)
        settle("stepping through time")
    panel.show_page("align")
    settle("page align")
    for k in range(4):
        panel.desk.table.place("plane", (10.0 + k, 2.0 * k))
        panel.desk.table.place("slide", (5.0 + k, 2.0 * k))
        settle("placing landmarks")
    for _ in range(8):
        panel.desk.history.undo()
        settle("undo")
    align = panel.pages["align"]
    align.on_plane.setChecked(True)
    settle("laying the section over the plane")
    for mode in ("checkerboard", "swipe", "opacity"):
        align.mode.setCurrentText(mode)
        settle("comparing")
    panel.show_page("outline")
    settle("page outline")
    drawing = panel.pages["outline"].drawing
    angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    drawing.layer.add_polygons([np.column_stack([8 + np.sin(angle), 10 + np.cos(angle)])])
    settle("drawing an outline")
    panel.desk.history.undo()
    settle("undo")
    for step in ("predict", "outline", "align", "agree", "figure"):
        panel.desk.run([step], again=True)
        settle(f"running {step}")
    print("event loop:")
    blocks.report()
    viewer.close()
    spin(lambda: False, 0.2)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("case", nargs="?", type=Path, help="a finished case folder")
    parser.add_argument("--only", choices=("import", "slide", "window"), help="one part alone")
    options = parser.parse_args()
    if options.only in (None, "import"):
        bench_import()
    if options.only in (None, "slide"):
        bench_slide()
    if options.only in (None, "window"):
        with tempfile.TemporaryDirectory() as place:
            folder = options.case
            if folder is None:
                from coreg.steps.demo import run_demo

                folder = Path(place) / "case"
                run_demo(folder, um_per_px=16.0)
            bench_window(folder)
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"peak memory of this process: {memory:.0f} MB")


if __name__ == "__main__":
    main()
