"""Figure: the pathology figure as it will print, and saving it elsewhere."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from qtpy.QtGui import QPixmap
from qtpy.QtWidgets import QFileDialog, QWidget

from coreg_napari.forms import SettingsForm
from coreg_napari.widgets import Fold, Picture, button, column, note, row

if TYPE_CHECKING:
    from coreg_napari.desk import Desk

FILTERS = {
    "pdf": "PDF (*.pdf)",
    "svg": "SVG (*.svg)",
    "png": "PNG (*.png)",
    "tiff": "TIFF, 600 dpi (*.tiff)",
}


class FigurePage(QWidget):
    """The page of the step "figure"."""

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self.desk = desk
        self.preview = Picture("The figure is drawn when the steps before it are done.")
        self.preview.clicked.connect(self._clicked)
        self.preview.setToolTip("As it will print; double-click for full size.")
        self.where = note("")
        column(
            row(
                *(
                    button(
                        f"{name.upper()}…",
                        partial(self._ask, name),
                        f"Save the figure as {name.upper()}.",
                    )
                    for name in FILTERS
                )
            ),
            button("Report", self._report, "Write a report of the case that stands alone."),
            self.where,
            self.preview,
            Fold("How the figure is drawn", SettingsForm(desk, "figure")),
            into=self,
        )
        desk.opened.connect(self._load)
        desk.results_changed.connect(self._load)

    def _load(self) -> None:
        result = self.desk.case.result("figure")
        if result is None:
            self.preview.say("Run this step to draw the figure.")
            self.where.setText("")
            return
        picture = result.file("figure.png")
        shown = picture.with_suffix(".pdf").relative_to(self.desk.case.folder)

        def work(progress: Any) -> Any:
            from qtpy.QtGui import QImage

            return QImage(str(picture))

        def show(image: Any) -> None:
            self.preview.show_pixmap(QPixmap.fromImage(image))
            self.where.setText(f"<small>In the case folder: {shown}</small>")

        self.desk.jobs.run("Reading the figure", work, show, key="figure", quiet=True)

    def _report(self) -> None:
        if self.desk.store is None:
            self.desk.told.emit("info", "Open a case first.")
            return
        folder = self.desk.case.folder

        def work(progress: Any) -> Path:
            from coreg.case import open_case
            from coreg.report import case_report

            case = open_case(folder)
            return case_report(case, case.results.folder / "report")[0]

        self.desk.jobs.run(
            "Writing the report", work, lambda path: self.desk.told.emit("info", f"Wrote {path}.")
        )

    def _clicked(self, x: float, y: float, double: bool) -> None:
        if not double:
            return
        from qtpy.QtCore import QUrl
        from qtpy.QtGui import QDesktopServices

        result = self.desk.case.result("figure")
        if result is not None:
            QDesktopServices.openUrl(QUrl.fromLocalFile(str(result.file("figure.pdf"))))

    def _ask(self, kind: str) -> None:
        if self.desk.store is None or self.desk.case.result("agree") is None:
            self.desk.told.emit("info", "Do the steps before the figure first.")
            return
        start = str(self.desk.case.folder / f"{self.desk.case.name}.{kind}")
        named, _ = QFileDialog.getSaveFileName(self, "Save the figure", start, FILTERS[kind])
        if named:
            self.save_as(Path(named), kind)

    def save_as(self, path: Path, kind: str) -> None:
        """Draw the figure from the finished steps and save it as one kind of file."""
        folder = self.desk.case.folder

        def work(progress: Any) -> Path:
            from coreg.case import open_case
            from coreg.figure import Layout, draw, save
            from coreg.steps.figure import figure_data

            case = open_case(folder)
            progress(0.1, "gathering the panels")
            data = figure_data(case)
            settings = case.settings["figure"]
            progress(0.5, "drawing")
            figure = draw(data, Layout.from_settings(settings))
            return save(figure, path.parent, (kind,), settings["dpi"], stem=path.stem)[0]

        def done(saved: Path) -> None:
            self.desk.told.emit("info", f"Saved {saved}.")

        self.desk.jobs.run("Saving the figure", work, done)
