"""A study: the cases of a folder with their numbers, and the Bland–Altman plot over them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from qtpy.QtWidgets import (
    QAbstractItemView,
    QComboBox,
    QFileDialog,
    QHeaderView,
    QTableWidget,
    QTableWidgetItem,
    QWidget,
)

from coreg.errors import CoregError
from coreg.steps.outline import LESIONS
from coreg_napari.widgets import Picture, button, column, note, row

if TYPE_CHECKING:
    from coreg_napari.desk import Desk, Progress

HEADINGS = ("case", "animal", "Dice", "predicted (mm²)", "pathology (mm²)")
# A click this near to a point of the plot opens its case.
NEAR_PX = 25.0


@dataclass(frozen=True)
class Row:
    """One case of a study; NaN where a number is not known."""

    folder: Path
    name: str
    animal: str
    dice: dict[str, float]
    predicted_mm2: dict[str, float]
    pathology_mm2: dict[str, float]
    trouble: str = ""


@dataclass(frozen=True)
class Plot:
    """A picture and where its points lie: (n, 2) pixels, NaN for cases without numbers."""

    rgba: np.ndarray
    places: np.ndarray


class StudyList(QWidget):
    """The list; double-click opens a case."""

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self.desk = desk
        self.rows: list[Row] = []
        self.plot: Plot | None = None
        self.zone = QComboBox()
        self.zone.addItems(list(LESIONS))
        self.zone.setToolTip("Against which pathology lesion.")
        self.zone.currentTextChanged.connect(lambda text: self._show())
        self.table = QTableWidget(0, len(HEADINGS))
        self.table.setHorizontalHeaderLabels(HEADINGS)
        self.table.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.table.horizontalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Stretch)
        self.table.verticalHeader().setVisible(False)
        self.table.setMinimumHeight(160)
        self.table.setToolTip("Double-click a case to open it.")
        self.table.cellDoubleClicked.connect(lambda r, c: self.desk.open(self.rows[r].folder))
        self.picture = Picture("The Bland–Altman plot needs three cases with agreement.")
        self.picture.setToolTip("Double-click a point to open its case.")
        self.picture.clicked.connect(self._clicked)
        self.said = note("")
        column(
            row(
                button("Folder…", self._ask, "Choose the folder that holds the case folders."),
                self.zone,
                stretch=True,
            ),
            self.table,
            self.said,
            self.picture,
            into=self,
        )

    def _ask(self) -> None:
        folder = QFileDialog.getExistingDirectory(self, "The folder with the cases")
        if folder:
            self.load(Path(folder))

    def load(self, folder: Path) -> None:
        """Read all cases of a folder in the background."""

        def show(rows: list[Row]) -> None:
            self.rows = rows
            self._show()

        self.desk.jobs.run("Reading the study", lambda progress: read_study(folder, progress), show)

    def _show(self) -> None:
        zone = self.zone.currentText()
        self.table.setRowCount(len(self.rows))
        for i, case in enumerate(self.rows):
            texts = (
                case.name,
                case.animal,
                *(f"{v:.2f}" if np.isfinite(v) else "–" for v in (case.dice[zone],)),
                *(
                    f"{v:.1f}" if np.isfinite(v) else "–"
                    for v in (case.predicted_mm2[zone], case.pathology_mm2[zone])
                ),
            )
            for j, text in enumerate(texts):
                item = QTableWidgetItem(text)
                item.setToolTip(case.trouble or str(case.folder))
                self.table.setItem(i, j, item)
        known = sum(np.isfinite(case.dice[zone]) for case in self.rows)
        self.said.setText(f"{len(self.rows)} cases, {known} with an agreement.")
        rows = self.rows

        def draw(plot: Plot | None) -> None:
            self.plot = plot
            if plot is None:
                self.picture.say("The Bland–Altman plot needs three cases with agreement.")
            else:
                self.picture.show_array(plot.rgba)

        self.desk.jobs.run(
            "Drawing the study",
            lambda progress: study_plot(rows, zone),
            draw,
            key="study",
            quiet=True,
        )

    def _clicked(self, x: float, y: float, double: bool) -> None:
        if self.plot is None or not double:
            return
        distance = np.hypot(*(self.plot.places - (x, y)).T)
        if np.isfinite(distance).any() and np.nanmin(distance) <= NEAR_PX:
            self.desk.open(self.rows[int(np.nanargmin(distance))].folder)


def read_study(folder: Path, progress: Progress) -> list[Row]:
    """Every case folder right inside `folder`, by name; unreadable ones with their trouble."""
    from coreg.case import CASE_FILE

    places = sorted(path.parent for path in folder.glob(f"*/{CASE_FILE}"))
    rows = []
    for number, place in enumerate(places):
        progress(number / len(places), place.name)
        rows.append(_row(place))
    return rows


def _row(place: Path) -> Row:
    from coreg.case import open_case

    unknown = dict.fromkeys(LESIONS, float("nan"))
    try:
        case = open_case(place)
    except CoregError as error:
        return Row(place, place.name, "", unknown, unknown, unknown, str(error))
    agree = case.result("agree")
    if agree is None:
        animal = case.settings["case"]["animal"]
        return Row(place, case.name, animal, unknown, unknown, unknown, "Agreement is to do.")
    zones = agree.summary["zones"]

    def column_of(measure: str) -> dict[str, float]:
        values = {zone: zones.get(zone, {}).get(measure, {}).get("value") for zone in LESIONS}
        return {zone: float("nan") if v is None else float(v) for zone, v in values.items()}

    return Row(
        place,
        case.name,
        case.settings["case"]["animal"] or case.name,
        column_of("dice"),
        column_of("predicted_area_mm2"),
        column_of("pathology_area_mm2"),
    )


def study_plot(rows: list[Row], zone: str) -> Plot | None:
    """The Bland–Altman plot of the areas; None below three cases."""
    from coreg.cohort.bland_altman import bland_altman
    from coreg.figure import Estimate, MethodComparison, StudyData
    from coreg_napari.plots import figure_of, places, rendered

    predicted = np.array([row.predicted_mm2[zone] for row in rows], dtype=np.float64)
    pathology = np.array([row.pathology_mm2[zone] for row in rows], dtype=np.float64)
    if (np.isfinite(predicted) & np.isfinite(pathology)).sum() < 3:
        return None
    animals = tuple(row.animal for row in rows)
    limits = bland_altman(predicted, pathology, np.array(animals))
    data = StudyData(
        "study",
        tuple(row.name for row in rows),
        animals,
        predicted,
        pathology,
        MethodComparison(
            "area",
            "mm²",
            Estimate(limits.bias, *limits.bias_ci),
            Estimate(limits.lower, *limits.lower_ci),
            Estimate(limits.upper, *limits.upper_ci),
        ),
        zone,
    )
    figure = figure_of(data, ["bland-altman"])
    rgba = rendered(figure)
    return Plot(rgba, places(figure, (predicted + pathology) / 2, predicted - pathology))
