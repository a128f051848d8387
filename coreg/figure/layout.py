"""Which panels, how wide, how many columns; draws the figure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from coreg.errors import InputError
from coreg.figure import style
from coreg.figure.data import FigureData, StudyData
from coreg.figure.panels import PANELS, Panel, available
from coreg.figure.plan import (
    BAR,
    BAR_GAP,
    KEY,
    LINE,
    SWATCH,
    SWATCH_GAP,
    Box,
    Cell,
    Plan,
    plan_of,
    swatch_mm,
)
from coreg.figure.style import LETTER_PT, MM_PER_INCH, SMALL_PT, TEXT_PT
from coreg.figure.words import shortened, text_mm

if TYPE_CHECKING:
    from matplotlib.cm import ScalarMappable
    from matplotlib.figure import Figure

DEFAULT_CASE = ("bmode", "change", "section", "mapped")
DEFAULT_STUDY = ("regression", "bland-altman", "per-case")
DEFAULT_STRIP = ("bmode", "change", "mapped", "overlap")
ONE_COLUMN_MM, TWO_COLUMNS_MM = 85.0, 180.0


@dataclass(frozen=True)
class Layout:
    """How a figure is put together.

    Parameters
    ----------
    panels : names from `PANELS`, row by row; () takes the default ones that there is data for
    columns : panels in a row
    width_mm : width in print; 85 is common for one column, 180 for two
    letters : "A", "a" or "" for none
    view : "plane" shows the whole map in plane panels, "lesion" the lesions and some margin
    """

    panels: tuple[str, ...] = ()
    columns: int = 2
    width_mm: float = TWO_COLUMNS_MM
    letters: str = "A"
    view: str = "plane"

    def __post_init__(self) -> None:
        for name in self.panels:
            if name not in PANELS:
                raise InputError(
                    f"[figure] panels: {name!r} is not a panel; known are {', '.join(PANELS)}."
                )
        if self.columns < 1:
            raise InputError(f"[figure] columns should be at least 1, got {self.columns}.")

    @classmethod
    def from_settings(cls, figure: Mapping[str, Any]) -> Layout:
        """The layout of the section [figure] of case.toml; keys that are absent keep defaults."""
        known = {key: figure[key] for key in cls.__dataclass_fields__ if key in figure}
        if "panels" in known:
            known["panels"] = tuple(known["panels"] or ())
        return cls(**known)

    def chosen(self, data: FigureData | StudyData) -> list[Panel]:
        """The panels to draw; raise `InputError` where one was asked for that has no data."""
        if not self.panels:
            names = DEFAULT_STUDY if isinstance(data, StudyData) else DEFAULT_CASE
            found = [PANELS[name] for name in names if available(PANELS[name], data)]
            if not found:
                raise InputError(
                    f"There is nothing to draw for {data.name!r}; run the steps first."
                )
            return found
        for name in self.panels:
            if not available(PANELS[name], data):
                raise InputError(
                    f"[figure] panels: {name!r} cannot be drawn for {data.name!r}: it needs "
                    f"{PANELS[name].needs_text}; take it out or add that."
                )
        return [PANELS[name] for name in self.panels]

    def letter(self, index: int) -> str:
        """The letter of a panel, "" where letters are off."""
        return chr(ord(self.letters) + index) if self.letters else ""


def draw(data: FigureData | StudyData, layout: Layout | None = None) -> Figure:
    """Draw the figure at its size in print.

    Raises
    ------
    InputError : a panel has no data, or the panels would be narrower than 18 mm
    """
    layout = layout or Layout()
    cells = [
        Cell(panel, data, layout.letter(index), panel.title, panel.short)
        for index, panel in enumerate(layout.chosen(data))
    ]
    return _draw(cells, layout.columns, layout.width_mm, layout.view)


def draw_strips(cases: Sequence[FigureData], layout: Layout | None = None) -> Figure:
    """Draw a strip a case: the same panels of every case, each case in a row of its own.

    The first panel of a row bears the case's name. `layout.columns` and `layout.letters` have no
    effect. Without panels in the layout, those of B-mode, change, mapped section and overlap are
    drawn that every case has data for; a page then holds five to seven cases.

    Raises
    ------
    InputError : no case, or a case without data for a panel
    """
    layout = layout or Layout(view="lesion")
    if not cases:
        raise InputError("A figure of strips needs at least one case.")
    shared = tuple(
        name for name in DEFAULT_STRIP if all(available(PANELS[name], data) for data in cases)
    )
    chosen = replace(layout, panels=layout.panels or shared)
    cells = []
    for data in cases:
        for number, panel in enumerate(chosen.chosen(data)):
            titles = (panel.title, panel.short) if number else (data.name, data.name)
            cells.append(Cell(panel, data, "", *titles))
    return _draw(cells, len(cells) // len(cases), layout.width_mm, layout.view)


def _draw(cells: Sequence[Cell], columns: int, width_mm: float, view: str) -> Figure:
    from matplotlib.figure import Figure

    plan = plan_of(cells, columns, width_mm, view)
    with style.house_style():
        figure = Figure(figsize=(width_mm / MM_PER_INCH, plan.height_mm / MM_PER_INCH))
        for cell, box in zip(cells, plan.boxes, strict=True):
            _draw_panel(figure, plan, cell, box, view)
        _draw_key(figure, plan)
    return figure


def _draw_panel(figure: Figure, plan: Plan, cell: Cell, box: Box, view: str) -> None:
    panel = cell.panel
    ax = figure.add_axes(plan.place(box.left, box.top, box.width, box.height), label=panel.name)
    shown = panel.draw(ax, cell.data, view)
    baseline = box.top - 1.3

    def write(left: float, top: float, text: str, **look: Any) -> None:
        x, y, _, _ = plan.place(left, top, 0, 0)
        figure.text(x, y, text, ha="left", va="baseline", **look)

    if cell.letter:
        write(box.cell_left + 0.5, baseline, cell.letter, size=LETTER_PT, weight="bold")
    title_left = max(box.left, box.cell_left + 5.0) if cell.letter else box.left
    room = box.title_right - title_left
    fits = text_mm(cell.title, TEXT_PT) <= room
    title = cell.title if fits else shortened(cell.short, room, TEXT_PT)
    write(title_left, baseline, title, size=TEXT_PT)
    for number, line in enumerate(box.notes):
        write(box.left, box.below(panel) + (number + 0.8) * LINE, line, size=SMALL_PT)
    if shown is not None and panel.colour_bar:
        place = plan.place(box.left + box.width + BAR_GAP, box.top, BAR, box.height)
        cax = figure.add_axes(place, label=f"{panel.name} colour bar")
        bar = figure.colorbar(shown, cax=cax, extend=_beyond(shown))
        # Above the bar, since beside it a word may be longer than the bar.
        write(box.left + box.width + BAR_GAP, baseline, panel.colour_bar, size=SMALL_PT)
        bar.outline.set_linewidth(style.THIN_PT)


def _beyond(shown: ScalarMappable) -> str:
    """At which ends of its range the colour bar should say that values lie beyond."""
    values: np.ndarray = np.ma.compressed(np.ma.asarray(shown.get_array()))
    low, high = shown.get_clim()
    under, over = bool((values < low).any()), bool((values > high).any())
    if under and over:
        return "both"
    return "min" if under else "max" if over else "neither"


def _draw_key(figure: Figure, plan: Plan) -> None:
    for number, row in enumerate(plan.key):
        left = 1.0
        for name, make in row:
            place = plan.place(left, plan.key_top + number * KEY + 0.6, SWATCH, KEY - 1.2)
            ax = figure.add_axes(place, label=f"key {name}")
            ax.set(xlim=(0, 1), ylim=(0, 1))
            ax.axis("off")
            make(ax)
            x, y, _, _ = plan.place(
                left + SWATCH + SWATCH_GAP, plan.key_top + (number + 0.5) * KEY, 0, 0
            )
            figure.text(x, y, name, size=SMALL_PT, ha="left", va="center")
            left += swatch_mm(name)
