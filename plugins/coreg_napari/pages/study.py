"""A study: the cases of a folder with their numbers, and the Bland–Altman plot over them."""

from __future__ import annotations

from collections.abc import Callable
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
        self.folder: Path | None = None
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
                button("Run all cases", self._run, "Do every case, then the study's statistics."),
                button("Report", self._report, "Write the study's report as HTML and PDF."),
            ),
            self.zone,
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
        self.folder = folder

        def show(rows: list[Row]) -> None:
            self.rows = rows
            self._show()

        self.desk.jobs.run("Reading the study", lambda progress: read_study(folder, progress), show)

    def _run(self) -> None:
        self._study("Running the study", run_cases)

    def _report(self) -> None:
        self._study("Writing the report", write_report)

    def _study(self, title: str, work: Callable[[Path, Progress], str]) -> None:
        folder = self.folder
        if folder is None:
            self.desk.told.emit("info", "Choose the folder with the cases first.")
            return

        def done(text: str) -> None:
            self.desk.told.emit("info", text)
            self.load(folder)

        self.desk.jobs.run(title, lambda progress: work(folder, progress), done)

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
    """Every case of the study in a folder, by name; unreadable ones with their trouble."""
    from coreg.cohort import load_study

    cases = load_study(folder).cases
    rows = []
    for number, case in enumerate(cases):
        progress(number / len(cases), case.name)
        rows.append(_row(case.folder, case.name, case.animal))
    return rows


def run_cases(folder: Path, progress: Progress) -> str:
    """Run all cases and write the study's tables, as the command line does; what came of it."""
    from coreg.cohort import load_study, run_study

    # In this process: the window's thread gives way between cases and can be stopped there.
    return " ".join(run_study(load_study(folder), progress=progress, workers=0).lines())


def write_report(folder: Path, progress: Progress) -> str:
    """Write the study's report; where it is."""
    from coreg.cohort import load_study
    from coreg.report import study_report

    return f"Wrote {study_report(load_study(folder))[0]}."


def _row(place: Path, name: str, animal: str) -> Row:
    from coreg.case import open_case

    unknown = dict.fromkeys(LESIONS, float("nan"))
    try:
        agree = open_case(place).result("agree")
    except CoregError as error:
        return Row(place, name, animal, unknown, unknown, unknown, str(error))
    if agree is None:
        return Row(place, name, animal, unknown, unknown, unknown, "Agreement is to do.")
    zones = agree.summary["zones"]

    def column_of(measure: str) -> dict[str, float]:
        values = {zone: zones.get(zone, {}).get(measure, {}).get("value") for zone in LESIONS}
        return {zone: float("nan") if v is None else float(v) for zone, v in values.items()}

    return Row(
        place,
        name,
        animal,
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
