"""Pictures of the window for README and docs, made from a finished case.

Run: xvfb-run -a -s "-screen 0 1600x1200x24" python plugins/screenshots.py CASE FOLDER
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

WIDTH_PX = 1200
QUALITY = 85  # of the JPEG; a palette would swallow the thin coloured outlines


def settle(panel: Any, most: float = 300.0) -> None:
    """Let the window work until nothing runs any more."""
    from qtpy.QtWidgets import QApplication

    end = time.monotonic() + most
    quiet = 0
    while quiet < 40 and time.monotonic() < end:
        QApplication.processEvents()
        time.sleep(0.01)
        quiet = 0 if panel.jobs.busy else quiet + 1


def save(window: Any, path: Path) -> None:
    """Save what the window shows as a small JPEG."""
    from PIL import Image

    shown = path.with_suffix(".png")
    window.grab().save(str(shown))
    with Image.open(shown) as full:
        height = round(full.height * WIDTH_PX / full.width)
        small = full.convert("RGB").resize((WIDTH_PX, height), Image.Resampling.LANCZOS)
    shown.unlink()
    small.save(path, quality=QUALITY, subsampling=0, optimize=True)


def views(panel: Any) -> dict[str, Callable[[], None]]:
    """Name of each picture → what brings the window there."""
    align, outline = panel.pages["align"], panel.pages["outline"]

    def compare() -> None:
        align.turn.like_plane(panel.desk.fit.affine)
        align.mode.setCurrentText("checkerboard")
        align.on_plane.setChecked(True)

    def errors() -> None:
        align.on_plane.setChecked(False)
        align.error.setChecked(True)

    def draw() -> None:
        align.error.setChecked(False)
        panel.turn.reset()
        panel.show_page("outline")
        outline.use("points")

    return {
        "case": lambda: panel.show_page("case"),
        "displacement": lambda: panel.show_page("predict"),
        "align": lambda: panel.show_page("align"),
        "compare": compare,
        "errors": errors,
        "outline": draw,
        "agreement": lambda: panel.show_page("agree"),
        "figure": lambda: panel.show_page("figure"),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("case", type=Path, help="a finished case folder")
    parser.add_argument("folder", type=Path, help="where the pictures go")
    options = parser.parse_args()
    from coreg_napari.panel import open_window

    options.folder.mkdir(parents=True, exist_ok=True)
    viewer, panel = open_window(options.case)
    settle(panel)
    for name, bring in views(panel).items():
        bring()
        settle(panel)
        save(viewer.window._qt_window, options.folder / f"window-{name}.jpg")
    viewer.close()


if __name__ == "__main__":
    main()
