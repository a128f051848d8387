"""coreg's figure panels as pictures for a page: drawn in a thread, shown as they would print."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from coreg.figure import FigureData, StudyData

WIDTH_MM = 95.0
DPI = 200


def panel(data: FigureData | StudyData, *names: str, width_mm: float = WIDTH_MM) -> np.ndarray:
    """Some panels of the figure as uint8 (rows, columns, 4)."""
    return rendered(figure_of(data, names, width_mm))


def figure_of(
    data: FigureData | StudyData, names: Sequence[str], width_mm: float = WIDTH_MM
) -> Figure:
    """The figure of these panels alone, without letters."""
    from coreg.figure import Layout, draw

    return draw(data, Layout(panels=tuple(names), columns=1, width_mm=width_mm, letters=""))


def rendered(figure: Figure, dpi: int = DPI) -> np.ndarray:
    """A figure's pixels, uint8 (rows, columns, 4)."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    from coreg.figure.style import house_style

    with house_style():
        figure.set_dpi(dpi)
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        return np.array(canvas.buffer_rgba())


def places(figure: Figure, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Where data of the first axes lie on the rendered pixels: (n, 2) x, y from the top left."""
    at = figure.axes[0].transData.transform(np.column_stack([x, y]))
    height = figure.get_figheight() * figure.get_dpi()
    return np.column_stack([at[:, 0], height - at[:, 1]])
