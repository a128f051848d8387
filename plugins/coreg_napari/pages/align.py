"""Align: landmark pairs on two canvases, their errors live, and ways to compare both sides."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
from qtpy.QtCore import Qt
from qtpy.QtGui import QColor
from qtpy.QtWidgets import (
    QAbstractItemView,
    QCheckBox,
    QComboBox,
    QHeaderView,
    QLabel,
    QSlider,
    QTableWidget,
    QTableWidgetItem,
    QWidget,
)

from coreg.errors import CoregError
from coreg.geometry import Grid
from coreg_napari import scene
from coreg_napari.colours import BAD
from coreg_napari.compare import MODES, compared
from coreg_napari.compat import show_colour_bar
from coreg_napari.forms import SettingsForm
from coreg_napari.landmarks import worst_of
from coreg_napari.layers import LayerData, error_layer, tagged, world
from coreg_napari.pointing import Pointing
from coreg_napari.section_view import STEP_DEGREES, Turn
from coreg_napari.widgets import Fold, button, column, note, row, toggle

if TYPE_CHECKING:
    from coreg.case import Case
    from coreg_napari.desk import Desk

COLUMNS = ("", "landmark", "residual", "left out", "observer")
NAME = 1
# The section on the plane need not be finer than this to be compared with B-mode.
COMPARE_MM = 0.05


class AlignPage(QWidget):
    """The page of the step "align"."""

    def __init__(self, desk: Desk, turn: Turn) -> None:
        super().__init__()
        self.desk = desk
        self.turn = turn
        self.pointing = Pointing(desk, turn)
        self.pointing.chosen = self._select_row
        self.place = toggle(
            "Place landmarks",
            self.pointing.set_active,
            "Click the same structure on both canvases, one after the other (key N). Drag a "
            "landmark to move it.",
        )
        self.hint = note("")
        self.table = self._make_table()
        self.said = note("")
        self.mode = QComboBox()
        self.mode.addItems(MODES)
        self.mode.setToolTip("How the section is laid over the plane (key W).")
        self.mode.currentTextChanged.connect(lambda mode: self._compare())
        self.share = QSlider(Qt.Orientation.Horizontal)
        self.share.setRange(0, 100)
        self.share.setValue(50)
        self.share.setToolTip("How much of the section is seen, or how far it is swiped over.")
        self.share.valueChanged.connect(lambda value: self._compare())
        self.on_plane = QCheckBox("Section on the plane")
        self.on_plane.setToolTip("Lay the aligned section over the imaging plane (key H).")
        self.on_plane.toggled.connect(lambda on: self._lay_over())
        self.error = QCheckBox("Error map")
        self.error.setToolTip("The alignment's expected error over the plane, in mm.")
        self.error.toggled.connect(lambda on: self._show_error())
        self._rgb: tuple[np.ndarray, Grid] | None = None
        column(
            row(
                self.place,
                button("Remove", self.remove, "Remove the chosen landmark (Shift + Backspace)."),
                button("Worst", self.go_to_worst, "Go to the landmark with the largest error (J)."),
            ),
            self.hint,
            self.table,
            self.said,
            row(
                QLabel("Section"),
                button("⟲", lambda: turn.turn(-STEP_DEGREES), "Turn the section to the left."),
                button("⟳", lambda: turn.turn(STEP_DEGREES), "Turn the section to the right."),
                button("Mirror", turn.mirror, "Swap left and right of the section."),
                button("Like plane", self._like_plane, "Lay the section as the plane lies."),
                button("As scanned", turn.reset, "Neither turned nor mirrored."),
            ),
            row(self.on_plane, self.error, stretch=True),
            row(self.mode, self.share),
            Fold("How the section is fitted", SettingsForm(desk, "align")),
            Fold("How well landmarks are placed", SettingsForm(desk, "landmarks", ["error_mm"])),
            into=self,
        )
        desk.landmarks_changed.connect(self.refresh)
        desk.fitted.connect(self.refresh)
        desk.opened.connect(self._opened)
        desk.results_changed.connect(self._results)

    def _make_table(self) -> QTableWidget:
        table = QTableWidget(0, len(COLUMNS))
        table.setHorizontalHeaderLabels(COLUMNS)
        header = table.horizontalHeader()
        header.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        header.setSectionResizeMode(NAME, QHeaderView.ResizeMode.Stretch)
        for number, tip in enumerate(
            (
                "The number on both canvases.",
                "The structure's name; double-click to change it.",
                "Distance from the fit, mm in the plane.",
                "The same with this landmark left out of the fit: the honest error, mm.",
                "Who placed it.",
            )
        ):
            table.horizontalHeaderItem(number).setToolTip(tip)
        table.verticalHeader().setVisible(False)
        table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        table.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        table.setMinimumHeight(220)
        table.setToolTip("Double-click a name to change it; double-click a number to go there.")
        table.itemSelectionChanged.connect(self._row_selected)
        table.itemChanged.connect(self._renamed)
        table.cellDoubleClicked.connect(self._double_clicked)
        return table

    def key_actions(self) -> dict[str, Callable[[], Any]]:
        """What the keyboard does here."""
        return {
            "place": self.place.toggle,
            "worst": self.go_to_worst,
            "remove": self.remove,
            "compare": lambda: self.mode.setCurrentIndex(
                (self.mode.currentIndex() + 1) % self.mode.count()
            ),
            "hide": self.on_plane.toggle,
        }

    def left(self) -> None:
        """Another page was chosen: give the mouse back."""
        self.place.setChecked(False)

    # --- the table -----------------------------------------------------

    def refresh(self) -> None:
        """Landmarks with their errors; the worst is marked."""
        rows = self.desk.table.rows
        fit = self.desk.fit
        errors = self.pointing.errors()
        worst = worst_of(rows, fit) if errors and not isinstance(fit, str) else None
        self.table.blockSignals(True)
        self.table.setRowCount(len(rows))
        for i, landmark in enumerate(rows):
            residual, left_out = errors.get(i, (float("nan"), float("nan")))
            waits = "" if landmark.complete else self._waits(landmark.plane is None)
            numbers = (waits or _mm(residual), _mm(left_out))
            for j, text in enumerate((str(i + 1), landmark.name, *numbers, landmark.observer)):
                item = QTableWidgetItem(text)
                if j != NAME:
                    item.setFlags(item.flags() & ~Qt.ItemFlag.ItemIsEditable)
                if i == worst:
                    item.setForeground(QColor(BAD))
                self.table.setItem(i, j, item)
        self.table.blockSignals(False)
        self._select_row(self.pointing.selected)
        self.hint.setText(self._hint())
        self.said.setText(self._fit_in_words())

    @staticmethod
    def _waits(for_plane: bool) -> str:
        return "plane?" if for_plane else "section?"

    def _hint(self) -> str:
        table = self.desk.table
        if (waiting := table.open_row("slide")) is not None:
            return f"Now click landmark {table.rows[waiting].name} on the section."
        if (waiting := table.open_row("plane")) is not None:
            return f"Now click landmark {table.rows[waiting].name} on the imaging plane."
        if self.place.isChecked() or not table.rows:
            return "Click a structure on either canvas to start a landmark."
        return ""

    def _fit_in_words(self) -> str:
        fit = self.desk.fit
        if isinstance(fit, str):
            return fit
        depth, lateral = fit.shrinkage
        text = (
            f"<b>{fit.model}</b>, leave-one-out error <b>{_mm(fit.error_mm)} mm</b> (median); "
            f"section {'mirrored' if fit.mirrored else 'not mirrored'}, shrunk by "
            f"{100 * depth:.0f} % in depth and {100 * lateral:.0f} % laterally."
        )
        if fit.suspects:
            text += f" Does not fit the others: {', '.join(fit.suspects)}."
        return f"{text} {fit.reason}"

    def _double_clicked(self, index: int, column: int) -> None:
        if column != NAME:
            self.go_to(index)

    def _row_selected(self) -> None:
        chosen = self.table.selectionModel().selectedRows()
        self.pointing.choose(chosen[0].row() if chosen else None)

    def _select_row(self, index: int | None) -> None:
        self.table.blockSignals(True)
        if index is None or index >= self.table.rowCount():
            self.table.clearSelection()
        else:
            self.table.selectRow(index)
        self.table.blockSignals(False)

    def _renamed(self, item: QTableWidgetItem) -> None:
        if item.column() != NAME:
            return
        try:
            self.desk.table.rename(item.row(), item.text())
        except CoregError as error:
            self.desk.told.emit("error", str(error))
            self.refresh()

    def remove(self) -> None:
        """Remove the chosen landmark, both sides."""
        index = self.pointing.selected
        if index is None or index >= len(self.desk.table.rows):
            self.desk.told.emit("info", "Choose a landmark in the table first.")
            return
        self.pointing.selected = None
        self.desk.table.remove(index)

    def go_to_worst(self) -> None:
        """Bring the landmark with the largest error to the middle of both canvases."""
        fit = self.desk.fit
        if isinstance(fit, str) or not self.pointing.errors():
            self.desk.told.emit("info", "There is no fit yet.")
            return
        self.go_to(worst_of(self.desk.table.rows, fit))

    def go_to(self, index: int) -> None:
        """Bring one landmark to the middle of both canvases."""
        from coreg_napari.compat import camera

        landmark = self.desk.table.rows[index]
        if landmark.plane is not None:
            camera(self.desk.plane).center = (0.0, *landmark.plane)
        if landmark.slide is not None:
            camera(self.desk.section).center = (0.0, *self.turn.to_world(landmark.slide))
        self.pointing.choose(index)
        self._select_row(index)

    def _like_plane(self) -> None:
        if isinstance(self.desk.fit, str):
            self.desk.told.emit("info", f"Not yet: {self.desk.fit}")
        else:
            self.turn.like_plane(self.desk.fit.affine)

    # --- comparing -----------------------------------------------------

    def _opened(self) -> None:
        self._results()

    def _results(self) -> None:
        self._rgb = None
        if self.on_plane.isChecked():
            self._lay_over()
        if self.error.isChecked():
            self._show_error()

    def _lay_over(self) -> None:
        layer = scene.find(self.desk.plane, "section on plane")
        if not self.on_plane.isChecked():
            if layer is not None:
                layer.visible = False
            return
        if self._rgb is not None:
            self._compare()
            return
        if self.desk.store is None or self.desk.case.result("align") is None:
            self.desk.told.emit("info", "Run the step 'Align' first.")
            self.on_plane.setChecked(False)
            return
        folder = self.desk.case.folder

        def work(progress: Any) -> tuple[np.ndarray, Grid]:
            from coreg.case import open_case

            return section_on_plane(open_case(folder))

        def show(found: tuple[np.ndarray, Grid]) -> None:
            self._rgb = found
            self._compare()

        self.desk.jobs.run("Laying the section over the plane", work, show, key="lay over")

    def _compare(self) -> None:
        if self._rgb is None or not self.on_plane.isChecked():
            return
        rgb, grid = self._rgb
        shown = compared(rgb, self.mode.currentText(), self.share.value() / 100)
        layer = scene.find(self.desk.plane, "section on plane")
        if layer is None:
            scene.put(self.desk.plane, _overlay(shown, grid))
        else:
            layer.data = shown
            layer.visible = True

    def _show_error(self) -> None:
        layer = scene.find(self.desk.plane, "error")
        if not self.error.isChecked():
            if layer is not None:
                layer.visible = False
            return
        if self.desk.store is None or self.desk.case.result("align") is None:
            self.desk.told.emit("info", "Run the step 'Align' first.")
            self.error.setChecked(False)
            return
        from coreg.sources.maps import load_maps

        result = self.desk.case.result("align")
        assert result is not None
        grid, maps = load_maps(result.file("quality.npz"))
        layer = scene.put(self.desk.plane, error_layer(maps["expected_error_mm"], grid))
        layer.visible = True
        show_colour_bar(layer)


def section_on_plane(case: Case) -> tuple[np.ndarray, Grid]:
    """The section pulled onto the imaging plane by the finished alignment."""
    from coreg.sources.maps import load_maps
    from coreg.sources.slides import resample_slide
    from coreg.steps import need
    from coreg.steps.align import read_alignment
    from coreg.steps.slides import open_case_slide

    align = need(case, "align")
    grid, _ = load_maps(align.file("quality.npz"))
    target = grid.with_spacing(COMPARE_MM)
    with open_case_slide(case) as slide:
        image = resample_slide(slide, read_alignment(align).transform, target)
    return image.data, target


def _overlay(rgba: np.ndarray, grid: Grid) -> LayerData:
    return (
        rgba,
        {
            "name": "section on the plane",
            **world(grid),
            "rgb": True,
            "metadata": tagged("plane", "section on plane"),
        },
        "image",
    )


def _mm(value: float) -> str:
    return f"{value:.2f}" if np.isfinite(value) else "–"
