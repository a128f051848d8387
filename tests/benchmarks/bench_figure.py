"""Time and memory of the figure and the report, against a bare matplotlib figure of the same maps.

Run by hand: python tests/benchmarks/bench_figure.py [--save]
"""

from __future__ import annotations

import argparse
import io
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from invented_case_folder import invented_case_folder
from invented_results import invented_case
from measured import Row, save, table

from coreg.figure import FORMATS, PANELS, Layout, draw, to_bytes, write_numbers
from coreg.report import case_document
from coreg.report.html import to_html
from coreg.report.pdf import to_pdf


def seconds(function: Callable[[], Any], repeats: int = 3) -> float:
    """The best processor time of some calls."""
    best = float("inf")
    for _ in range(repeats):
        start = time.process_time()
        function()
        best = min(best, time.process_time() - start)
    return best


def bare(data: Any) -> bytes:
    """The same four images without outlines, keys, scale bars and text, as PDF."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.1, 6.5))
    images = (data.bmode, data.change_percent, data.section, data.section_on_plane)
    for ax, image in zip(figure.subplots(2, 2).ravel(), images, strict=True):
        ax.imshow(image.data)
    file = io.BytesIO()
    figure.savefig(file, format="pdf", dpi=300)
    return file.getvalue()


def measure() -> list[Row]:
    """Every output, as time beside the bare figure's."""
    data = invented_case()
    draw(data)  # loads what must be loaded
    reference = seconds(lambda: bare(data))

    def row(what: str, function: Callable[[], Any], note: str = "") -> Row:
        other = "bare matplotlib PDF of the same four images"
        return Row("figure", what, seconds(function), "s", "", other, reference, note)

    every = Layout(tuple(name for name, panel in PANELS.items() if not panel.study), 3)
    rows = [
        row("drawing four panels", lambda: draw(data)),
        row("drawing all panels", lambda: draw(data, every)),
    ]
    figure = draw(data)
    for name in FORMATS:
        size = len(to_bytes(figure, name)) / 1e6
        rows.append(row(f"{name} of four", lambda n=name: to_bytes(figure, n), f"{size:.1f} MB"))
    with tempfile.TemporaryDirectory() as folder:
        rows.append(row("numbers as CSV", lambda: write_numbers(data, folder)))
        document = case_document(invented_case_folder(Path(folder) / "case"))
        rows.append(row("report as HTML", lambda: to_html(document)))
        rows.append(row("report as PDF", lambda: to_pdf(document)))
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--save", action="store_true", help="keep the rows for the page")
    parser.add_argument("--quick", action="store_true", help="the same: it takes a minute")
    options = parser.parse_args()
    rows = measure()
    print(table(rows))
    if options.save:
        save("figure", rows)


if __name__ == "__main__":
    main()
