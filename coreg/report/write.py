"""Write a case's or a study's report as HTML and PDF."""

from __future__ import annotations

import os
from pathlib import Path

from coreg.case import Case
from coreg.cohort import Study
from coreg.errors import InputError
from coreg.report.case import case_document
from coreg.report.document import Document
from coreg.report.html import write_html
from coreg.report.pdf import write_pdf
from coreg.report.study import study_document, study_figure_files
from coreg.results import refuse_leading_out


def case_report(case: Case, folder: str | os.PathLike[str] | None = None) -> list[Path]:
    """Write report.html and report.pdf of a case; into the case's folder "report" unless given.

    Raises
    ------
    InputError : a step is to do, or the files cannot be written
    """
    place = Path(folder) if folder else case.folder / "report"
    if place.is_relative_to(case.folder):
        refuse_leading_out(place, case.folder)
    return _write(case_document(case), place)


def study_report(study: Study, folder: str | os.PathLike[str] | None = None) -> list[Path]:
    """Write report.html and report.pdf of a study, and its figure with legend and numbers.

    Into the study's folder "report" unless given.

    Raises
    ------
    InputError : the study has not been run, or the files cannot be written
    """
    place = Path(folder) if folder else study.folder / "report"
    if place.is_relative_to(study.folder):
        refuse_leading_out(place, study.folder)
    document, figures = study_document(study)
    return [*_write(document, place), *study_figure_files(figures, place)]


def _write(document: Document, folder: Path) -> list[Path]:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"{folder} cannot be made ({error.strerror}); choose a folder you may write to."
        ) from error
    html = write_html(document, folder / "report.html")
    return [html, write_pdf(document, folder / "report.pdf")]
