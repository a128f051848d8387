"""Where every panel of a figure goes, in mm from its left and top edge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from coreg.errors import InputError
from coreg.figure.data import FigureData, StudyData
from coreg.figure.panels import KeyEntry, Panel
from coreg.figure.words import text_mm

# mm: what surrounds the box that a panel draws into
GAP, TITLE, BOTTOM, LINE, KEY = 3.0, 4.5, 7.5, 2.9, 4.0
BAR_GAP, BAR, BAR_TEXT = 1.2, 2.2, 8.0
SWATCH, SWATCH_GAP, SPACE = 7.0, 1.5, 4.0
SMALLEST, LEAST_PLOT, TALLEST = 18.0, 32.0, 1.25


@dataclass(frozen=True)
class Cell:
    """A panel to draw, from what data, its letter ("" for none) and its title in two lengths."""

    panel: Panel
    data: FigureData | StudyData
    letter: str
    title: str
    short: str


@dataclass(frozen=True)
class Box:
    """A panel's place: mm from the figure's left and top edge; the box that it draws into.

    notes : lines of text under it
    """

    left: float
    top: float
    width: float
    height: float
    cell_left: float
    title_right: float
    notes: list[str]

    def below(self, panel: Panel) -> float:
        """Where the lines under the panel begin, mm from the top."""
        return self.top + self.height + (BOTTOM if panel.axes else 1.0)


@dataclass(frozen=True)
class Plan:
    """A figure's size in mm, the places of its panels, and the rows of its key."""

    width_mm: float
    height_mm: float
    boxes: tuple[Box, ...]
    key: list[list[KeyEntry]]
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


def plan_of(cells: Sequence[Cell], columns: int, width_mm: float, view: str) -> Plan:
    """Place the cells row by row; raise `InputError` where the panels would be too narrow.

    Image panels of a column share its width; a row is as high as its highest plane image, or,
    without one, its highest panel.
    """
    columns = min(columns, len(cells))
    right = [max(_right(c.panel) for c in cells[i::columns]) for i in range(columns)]
    left = [max(c.panel.left_mm for c in cells[i::columns]) for i in range(columns)]
    width = (width_mm - sum(left) - sum(right) - GAP * (columns - 1)) / columns
    if width < SMALLEST:
        raise InputError(
            f"[figure] {columns} columns do not fit into {width_mm:g} mm: panels would be "
            f"{max(width, 0):.0f} mm wide, at least {SMALLEST:g} are needed; take fewer columns."
        )
    boxes: list[Box] = []
    top = 0.5
    for start in range(0, len(cells), columns):
        row = cells[start : start + columns]
        height = _row_height(row, width, view)
        placed: list[Box] = []
        cell_left = 0.0
        for i, cell in enumerate(row):
            inner, tall = _size(cell, width, height, view)
            x = cell_left + left[i] + (width - inner) / 2
            cell_right = cell_left + left[i] + width + right[i]
            end = x + inner if cell.panel.colour_bar else cell_right
            lines = cell.panel.notes(cell.data, width)
            placed.append(Box(x, top + TITLE, inner, tall, cell_left, end, lines))
            cell_left = cell_right + GAP
        ends = [
            box.below(cell.panel) + len(box.notes) * LINE
            for box, cell in zip(placed, row, strict=True)
        ]
        top = max(ends) + GAP / 2
        boxes += placed
    key = _key_rows(_key_entries(cells), width_mm)
    return Plan(width_mm, top + len(key) * KEY, tuple(boxes), key, top)


def _row_height(row: Sequence[Cell], width: float, view: str) -> float:
    aspects = [(cell.panel.aspect(cell.data, view), cell.panel.rigid) for cell in row]
    rigid = [aspect for aspect, holds in aspects if holds]
    height = width * min(max(rigid or [aspect for aspect, _ in aspects]), TALLEST)
    if any(not cell.panel.image for cell in row):
        height = max(height, LEAST_PLOT)
    return max(
        height,
        *(cell.panel.height_mm(cell.data) if cell.panel.height_mm else 0.0 for cell in row),
    )


def _size(cell: Cell, width: float, height: float, view: str) -> tuple[float, float]:
    """Width and height of the box in a row of this height."""
    panel = cell.panel
    if panel.image:
        aspect = panel.aspect(cell.data, view)
        inner = min(width, height / aspect)
        return inner, inner * aspect
    if panel.height_mm is None:
        return width, min(height, max(1.1 * width, LEAST_PLOT))
    return width, height


def _right(panel: Panel) -> float:
    return BAR_GAP + BAR + BAR_TEXT if panel.colour_bar else panel.right_mm


def _key_entries(cells: Sequence[Cell]) -> list[KeyEntry]:
    """What the key under the figure explains, each once, in the order in which it appears."""
    entries: dict[str, KeyEntry] = {}
    for cell in cells:
        for entry in cell.panel.key(cell.data):
            entries.setdefault(entry[0], entry)
    return list(entries.values())


def swatch_mm(name: str) -> float:
    """Room that an entry of the key takes."""
    return SWATCH + SWATCH_GAP + text_mm(name) + SPACE


def _key_rows(entries: Sequence[KeyEntry], width_mm: float) -> list[list[KeyEntry]]:
    """Entries broken into rows that fit the width."""
    rows: list[list[KeyEntry]] = []
    used = width_mm
    for entry in entries:
        needs = swatch_mm(entry[0])
        if used + needs > width_mm:
            rows.append([])
            used = 1.0
        rows[-1].append(entry)
        used += needs
    return rows
