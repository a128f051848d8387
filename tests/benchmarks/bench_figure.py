"""Time and memory of the figure and the report, against a bare matplotlib figure of the same maps.

Run by hand: python tests/benchmarks/bench_figure.py
"""

from __future__ import annotations

import io
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from invented_case_folder import invented_case_folder
from invented_results import invented_case

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


def main() -> None:
    data = invented_case()
    draw(data)  # loads what must be loaded
    reference = seconds(lambda: bare(data))
    print(f"bare matplotlib PDF of the same images  {reference:6.2f} s")
    print(f"draw, four panels                       {seconds(lambda: draw(data)):6.2f} s")
    every = Layout(tuple(name for name, panel in PANELS.items() if not panel.study), 3)
    print(f"draw, all eleven panels                 {seconds(lambda: draw(data, every)):6.2f} s")
    figure = draw(data)
    for name in FORMATS:
        needed = seconds(lambda name=name: to_bytes(figure, name))
        size = len(to_bytes(figure, name)) / 1e6
        print(f"{name:5} {size:6.1f} MB {needed:32.2f} s  {needed / reference:5.1f} × bare PDF")
    tracemalloc.start()
    to_bytes(draw(data), "pdf")
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    print(f"peak memory of drawing and PDF          {peak:6.1f} MB")
    tracemalloc.stop()
    with tempfile.TemporaryDirectory() as folder:
        written = seconds(lambda: write_numbers(data, folder))
        print(f"numbers as CSV                          {written:6.2f} s")
        document = case_document(invented_case_folder(Path(folder) / "case"))
        print(
            f"report as HTML                          {seconds(lambda: to_html(document)):6.2f} s"
        )
        print(f"report as PDF                           {seconds(lambda: to_pdf(document)):6.2f} s")


if __name__ == "__main__":
    main()
