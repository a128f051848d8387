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
from measured import Row, save, table

TURN_MS = 1
OPENING = "opening the window"


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


def bench_import() -> list[Row]:
    """Import of the plugin beside napari's own."""
    ours = import_seconds("import coreg_napari, coreg_napari.readers")
    napari_own = import_seconds("import napari, napari.viewer")
    return [Row("window", "import of the plugin", ours, "s", "≤ 0.3 s", "napari's own", napari_own)]


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

    def stop(self) -> None:
        """Note no more."""
        self._timer.stop()

    def rows(self, alone: float) -> list[Row]:
        """The longest blocks by the main thread's processor time, a row an action."""
        worst: dict[str, tuple[float, float]] = {}
        for wall, cpu, doing in self.found:
            before = worst.get(doing, (0.0, 0.0))
            worst[doing] = (max(before[0], wall), max(before[1], cpu))
        return [
            Row(
                "window",
                f"longest block of the event loop, {doing}",
                1000 * cpu,
                "ms",
                "" if doing == OPENING else "≤ 100 ms",
                "napari adding one layer of contours",
                alone,
                f"processor time; {1000 * wall:.0f} ms by the clock",
            )
            for doing, (wall, cpu) in sorted(worst.items(), key=lambda item: -item[1][1])
        ]


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


def bench_slide() -> list[Row]:
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
        viewer.close()
    best = (min(ours), min(plain))
    what = f"first paint of a slide of {SIZE[1]:,} × {SIZE[0]:,}, napari being up"
    other = "tifffile + zarr + Dask in napari"
    return [
        Row("window", f"{what}: first", ours[0], "s", "≤ 2 s", other, plain[0]),
        Row("window", f"{what}: best of 3", best[0], "s", "≤ 2 s", other, best[1], readme=True),
    ]


def bench_alone() -> float:
    """napari without this plugin: its longest block, ms, while it adds one layer of contours."""
    import napari

    viewer = napari.Viewer()
    angle = np.linspace(0, 2 * np.pi, 100)
    ring = np.column_stack([np.sin(angle), np.cos(angle)])
    blocks = Blocks()
    blocks.doing = OPENING
    spin(lambda: False, 1.0)
    viewer.add_shapes([5 * ring, 3 * ring], shape_type="polygon")  # napari's first layer
    spin(lambda: False, 1.0)
    blocks.doing = "adding"
    viewer.add_shapes([4 * ring, 2 * ring], shape_type="polygon")
    spin(lambda: False, 1.0)
    blocks.stop()
    viewer.close()
    return 1000 * max(cpu for _, cpu, doing in blocks.found if doing == "adding")


def bench_window(folder: Path, alone: float) -> list[Row]:
    """Blocks of the event loop while a case is worked on."""
    from napari.utils.notifications import notification_manager

    from coreg_napari.panel import open_window

    sys.excepthook = notification_manager.receive_error  # as napari.run does
    viewer, panel = open_window()
    blocks = Blocks()
    blocks.doing = OPENING

    def settle(doing: str) -> None:
        blocks.doing = doing
        spin(lambda: False, 0.3)
        spin(lambda: not panel.jobs.busy)
        spin(lambda: False, 0.3)

    settle(OPENING)
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
    blocks.stop()
    viewer.close()
    spin(lambda: False, 0.2)
    return blocks.rows(alone)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("case", nargs="?", type=Path, help="a finished case folder")
    parser.add_argument("--only", choices=("import", "slide", "window"), help="one part alone")
    parser.add_argument("--save", action="store_true", help="keep the rows for the page")
    parser.add_argument("--quick", action="store_true", help="a coarser demo case")
    options = parser.parse_args()
    rows: list[Row] = []
    if options.only in (None, "import"):
        rows += bench_import()
    if options.only in (None, "slide"):
        rows += bench_slide()
    if options.only in (None, "window"):
        with tempfile.TemporaryDirectory() as place:
            folder = options.case
            if folder is None:
                from coreg.steps.demo import run_demo

                folder = Path(place) / "case"
                run_demo(folder, um_per_px=30.0 if options.quick else 16.0)
            rows += bench_window(folder, bench_alone())
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    rows.append(Row("window", "peak memory of all this in one process", peak, "GB"))
    print(table(rows))
    if options.save:
        save("plugin", rows, options.quick)


if __name__ == "__main__":
    main()
