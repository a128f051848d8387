"""Case: open, make, describe and check a case; the demo; a study's list."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from qtpy.QtWidgets import QFileDialog, QListWidget, QListWidgetItem, QWidget

from coreg.errors import CoregError
from coreg.schema import SCHEMA
from coreg_napari.colours import BAD, DOUBTFUL
from coreg_napari.forms import SettingsForm
from coreg_napari.pages.study import StudyList
from coreg_napari.widgets import Fold, button, column, note, row

if TYPE_CHECKING:
    from coreg.steps.check import Finding
    from coreg_napari.desk import Desk, Progress

LEVEL_COLOURS = {"wrong": BAD, "question": DOUBTFUL}


class CasePage(QWidget):
    """The first page."""

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self.desk = desk
        self.open = button("Open…", self._open, "Open a case folder (the one with case.toml).")
        self.new = button("New…", self._new, "Make a case folder for a slide and a recording.")
        self.demo = button("Demo…", self._demo, "Make an invented case to try everything on.")
        self.check = button(
            "Check the files", self._check, "Say what is in the files, and what would fail later."
        )
        self.findings = QListWidget()
        self.findings.setWordWrap(True)
        self.findings.setVisible(False)
        files = column(
            *(
                row(
                    button(
                        f"{name}…",
                        partial(self._choose, section),
                        f"Choose the {name.lower()} file.",
                    ),
                    SettingsForm(desk, section, ["path"]),
                )
                for section, name in (
                    ("slide", "Slide"),
                    ("displacement", "Recording"),
                    ("bmode", "B-mode"),
                )
            )
        )
        self.study = StudyList(desk)
        folds = [
            Fold("About the animal", SettingsForm(desk, "case")),
            Fold("Slide settings", SettingsForm(desk, "slide", _but_path("slide"))),
            Fold(
                "Recording settings", SettingsForm(desk, "displacement", _but_path("displacement"))
            ),
            Fold("B-mode settings", SettingsForm(desk, "bmode", _but_path("bmode"))),
            Fold("Study: all cases of a folder", self.study),
        ]
        column(
            row(self.open, self.new, self.demo),
            files,
            *folds,
            self.check,
            self.findings,
            note(
                "<small>For research. Not for diagnosis, treatment planning or a decision about a "
                "patient.</small>"
            ),
            into=self,
        )

    def _open(self) -> None:
        folder = QFileDialog.getExistingDirectory(self, "Open a case folder")
        if folder:
            self.desk.open(folder)

    def _new(self) -> None:
        folder = QFileDialog.getExistingDirectory(self, "Folder for the new case")
        if not folder:
            return
        slide, _ = QFileDialog.getOpenFileName(self, "The slide", folder)
        recording, _ = QFileDialog.getOpenFileName(self, "The displacement recording", folder)
        self.make(Path(folder), slide, recording)

    def make(self, folder: Path, slide: str, recording: str) -> None:
        """Make a case folder and open it."""
        from coreg.case import new_case

        settings = {
            section: {"path": _from_case(folder, named)}
            for section, named in (("slide", slide), ("displacement", recording))
            if named
        }
        try:
            new_case(folder, settings)
        except CoregError as error:
            self.desk.told.emit("error", str(error))
            return
        self.desk.open(folder)

    def _demo(self) -> None:
        folder = QFileDialog.getExistingDirectory(self, "An empty folder for the demo case")
        if folder:
            self.make_demo(Path(folder))

    def make_demo(self, folder: Path, um_per_px: float = 8.0) -> None:
        """Write the invented case into an empty folder and open it; its steps are left to do."""

        def work(progress: Progress) -> Path:
            from coreg.steps.demo import make_demo

            return make_demo(folder, um_per_px=um_per_px, progress=progress).folder

        self.desk.jobs.run("Making the demo case", work, self.desk.open)

    def _choose(self, section: str) -> None:
        if self.desk.store is None:
            self.desk.told.emit("info", "Open a case or make one first.")
            return
        folder = self.desk.case.folder
        named, _ = QFileDialog.getOpenFileName(self, f"The {section} file", str(folder))
        if named:
            self.desk.change(section, path=_from_case(folder, named))
            self.desk.open(folder)

    def _check(self) -> None:
        if self.desk.store is None:
            self.desk.told.emit("info", "Open a case first.")
            return
        folder = self.desk.case.folder

        def work(progress: Progress) -> list[Finding]:
            from coreg.case import open_case
            from coreg.steps.check import check_case

            return check_case(open_case(folder))

        self.desk.jobs.run("Checking the files", work, self._show)

    def _show(self, findings: list[Finding]) -> None:
        from qtpy.QtGui import QColor

        self.findings.clear()
        for finding in findings:
            item = QListWidgetItem(f"{finding.level} · {finding.where}: {finding.text}")
            if finding.level in LEVEL_COLOURS:
                item.setForeground(QColor(LEVEL_COLOURS[finding.level]))
            self.findings.addItem(item)
        self.findings.setVisible(True)


def _but_path(section: str) -> list[str]:
    return [key for key in SCHEMA[section] if key != "path"]


def _from_case(folder: Path, named: str) -> str:
    """A file inside the case folder by its name there, any other by its absolute path."""
    try:
        return str(Path(named).absolute().relative_to(folder.absolute()))
    except ValueError:
        return str(Path(named).absolute())
