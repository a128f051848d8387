"""Which panels, how wide, how many columns: places every panel in mm and draws the figure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from coreg.errors import InputError
from coreg.figure import style
from coreg.figure.data import FigureData, StudyData
from coreg.figure.panels import PANELS, Panel, available
from coreg.figure.style import LETTER_PT, MM_PER_INCH, SMALL_PT, TEXT_PT
from coreg.figure.words import text_mm

if TYPE_CHECKING:
    from matplotlib.cm import ScalarMappable
    from matplotlib.figure import Figure

DEFAULT_CASE = ("bmode", "change", "section", "mapped")
DEFAULT_STUDY = ("regression", "bland-altman", "per-case")
ONE_COLUMN_MM, TWO_COLUMNS_MM = 85.0, 180.0

# mm: what surrounds the box that a panel draws into
_GAP, _TITLE, _BOTTOM, _LINE, _KEY = 3.0, 4.5, 7.5, 2.9, 4.0
_BAR_GAP, _BAR, _BAR_TEXT = 1.2, 2.2, 8.0
_SMALLEST, _LEAST_PLOT = 18.0, 32.0


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
    from matplotlib.figure import Figure

    layout = layout or Layout()
    panels = layout.chosen(data)
    plan = _plan(data, layout, panels)
    with style.house_style():
        figure = Figure(figsize=(layout.width_mm / MM_PER_INCH, plan.height_mm / MM_PER_INCH))
        for index, (panel, box) in enumerate(zip(panels, plan.boxes, strict=True)):
            _draw_panel(figure, plan, panel, box, data, layout.letter(index), layout.view)
        _draw_key(figure, plan, panels, data)
    return figure


@dataclass(frozen=True)
class _Box:
    """A panel's place: mm from the figure's left and top edge; the box that it draws into."""

    left: float
    top: float
    width: float
    height: float
    cell_left: float
    title_right: float
    notes: list[str]


@dataclass(frozen=True)
class _Plan:
    width_mm: float
    height_mm: float
    boxes: tuple[_Box, ...]
    key_top: float

    def place(
        self, left: float, top: float, width: float, height: float
    ) -> tuple[float, float, float, float]:
        """Matplotlib's figure fractions of a box in mm from the top left."""
        return (
            left / self.width_mm,
            1 - (top + height) / self.height_mm,
            width / self.width_mm,
            height / self.height_mm,
        )


def _plan(data: FigureData | StudyData, layout: Layout, panels: list[Panel]) -> _Plan:
    columns = min(layout.columns, len(panels))
    rows = [panels[i : i + columns] for i in range(0, len(panels), columns)]
    right = [max(_right(p) for p in panels[c::columns]) for c in range(columns)]
    left = [max(p.left_mm for p in panels[c::columns]) for c in range(columns)]
    width = (layout.width_mm - sum(left) - sum(right) - _GAP * (columns - 1)) / columns
    if width < _SMALLEST:
        raise InputError(
            f"[figure] {columns} columns do not fit into {layout.width_mm:g} mm: panels would be "
            f"{max(width, 0):.0f} mm wide, at least {_SMALLEST:g} are needed; take fewer columns."
        )
    boxes, top = [], 0.5
    for row in rows:
        aspects = [panel.aspect(data, layout.view) for panel in row]
        rigid = [a for a, p in zip(aspects, row, strict=True) if p.rigid]
        height = width * min(max(rigid or aspects), 1.25)
        if any(not panel.image for panel in row):
            height = max(height, _LEAST_PLOT)
        own = [panel.height_mm(data) if panel.height_mm else 0.0 for panel in row]
        height = max(height, *own)
        notes = max(len(panel.notes(data, width)) for panel in row)
        cell_left = 0.0
        for c, (panel, aspect) in enumerate(zip(row, aspects, strict=True)):
            inner = min(width, height / aspect) if panel.image else width
            tall = inner * aspect if panel.image else height
            if not panel.image and panel.height_mm is None:
                tall = min(tall, max(1.1 * width, _LEAST_PLOT))
            x = cell_left + left[c] + (width - inner) / 2
            end = x + inner if panel.colour_bar else cell_left + left[c] + width + right[c]
            lines = panel.notes(data, width)
            boxes.append(_Box(x, top + _TITLE, inner, tall, cell_left, end, lines))
            cell_left += left[c] + width + right[c] + _GAP
        foot = max(_BOTTOM if panel.axes else 1.0 for panel in row)
        top += _TITLE + height + foot + notes * _LINE + _GAP / 2
    key_rows = len(_key_rows(_key_entries(panels, data), layout.width_mm))
    return _Plan(layout.width_mm, top + key_rows * _KEY, tuple(boxes), top)


def _right(panel: Panel) -> float:
    return _BAR_GAP + _BAR + _BAR_TEXT if panel.colour_bar else panel.right_mm


def _draw_panel(
    figure: Figure,
    plan: _Plan,
    panel: Panel,
    box: _Box,
    data: FigureData | StudyData,
    letter: str,
    view: str,
) -> None:
    ax = figure.add_axes(plan.place(box.left, box.top, box.width, box.height), label=panel.name)
    shown = panel.draw(ax, data, view)
    baseline = box.top - 1.3

    def write(left: float, top: float, text: str, **look: Any) -> None:
        x, y, _, _ = plan.place(left, top, 0, 0)
        figure.text(x, y, text, ha="left", va="baseline", **look)

    if letter:
        write(box.cell_left + 0.5, baseline, letter, size=LETTER_PT, weight="bold")
    title_left = max(box.left, box.cell_left + 5.0) if letter else box.left
    fits = text_mm(panel.title, TEXT_PT) <= box.title_right - title_left
    write(title_left, baseline, panel.title if fits else panel.short, size=TEXT_PT)
    below = box.top + box.height + (_BOTTOM if panel.axes else 1.0)
    for number, line in enumerate(box.notes):
        write(box.left, below + (number + 0.8) * _LINE, line, size=SMALL_PT)
    if shown is not None and panel.colour_bar:
        place = plan.place(box.left + box.width + _BAR_GAP, box.top, _BAR, box.height)
        cax = figure.add_axes(place, label=f"{panel.name} colour bar")
        bar = figure.colorbar(shown, cax=cax, extend=_beyond(shown))
        # Above the bar, since beside it a word may be longer than the bar.
        write(box.left + box.width + _BAR_GAP, baseline, panel.colour_bar, size=SMALL_PT)
        bar.outline.set_linewidth(style.THIN_PT)


def _beyond(shown: ScalarMappable) -> str:
    """At which ends of its range the colour bar should say that values lie beyond."""
    values: np.ndarray = np.ma.compressed(np.ma.asarray(shown.get_array()))
    low, high = shown.get_clim()
    under, over = bool((values < low).any()), bool((values > high).any())
    if under and over:
        return "both"
    return "min" if under else "max" if over else "neither"


_SWATCH, _SPACE = 7.0, 4.0  # mm


def _key_entries(panels: list[Panel], data: FigureData | StudyData) -> list[tuple[str, Any]]:
    """What the key under the figure explains, each once, in the order in which it appears."""
    entries: dict[str, Any] = {}
    for panel in panels:
        for name, look in panel.key(data):
            entries.setdefault(name, look)
    return list(entries.items())


def _key_rows(entries: list[tuple[str, Any]], width_mm: float) -> list[list[tuple[str, Any]]]:
    """Entries broken into rows that fit the width."""
    rows: list[list[tuple[str, Any]]] = []
    used = width_mm
    for entry in entries:
        needs = _SWATCH + 1.5 + text_mm(entry[0]) + _SPACE
        if used + needs > width_mm:
            rows.append([])
            used = 1.0
        rows[-1].append(entry)
        used += needs
    return rows


def _draw_key(
    figure: Figure, plan: _Plan, panels: list[Panel], data: FigureData | StudyData
) -> None:
    rows = _key_rows(_key_entries(panels, data), plan.width_mm)
    for number, row in enumerate(rows):
        left = 1.0
        for name, make in row:
            place = plan.place(left, plan.key_top + number * _KEY + 0.6, _SWATCH, _KEY - 1.2)
            ax = figure.add_axes(place, label=f"key {name}")
            ax.set(xlim=(0, 1), ylim=(0, 1))
            ax.axis("off")
            make(ax)
            x, y, _, _ = plan.place(
                left + _SWATCH + 1.5, plan.key_top + (number + 0.5) * _KEY, 0, 0
            )
            figure.text(x, y, name, size=SMALL_PT, ha="left", va="center")
            left += _SWATCH + 1.5 + text_mm(name) + _SPACE
