"""Strips of a study: the images of every case, a row each, several cases a page."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

from coreg.cohort import Study
from coreg.errors import InputError
from coreg.figure import FigureData, Layout, draw_strips, save

CASES_A_PAGE = 6
_VIEW = Layout(view="lesion")


def write_strips(
    study: Study,
    folder: str | os.PathLike[str] | None = None,
    *,
    cases_a_page: int = CASES_A_PAGE,
    gather: Callable[[Path], FigureData] | None = None,
    progress: Callable[[float, str], None] | None = None,
) -> tuple[list[Path], list[tuple[str, str]]]:
    """Write strips-01.pdf and .png, strips-02 and so on, in the study's order.

    Only one page's images are held at a time.

    Parameters
    ----------
    folder : the study's folder "report" unless given
    gather : gives a case folder's figure data; reads the case's results unless given

    Returns
    -------
    The files, and (case, reason) of the cases that could not be shown.

    Raises
    ------
    InputError : no case can be shown, or a file cannot be written
    """
    gather = gather or _from_results
    place = Path(folder) if folder else study.folder / "report"
    paths: list[Path] = []
    left_out: list[tuple[str, str]] = []
    page: list[FigureData] = []

    def write() -> None:
        if page:
            stem = f"strips-{len(paths) // 2 + 1:02d}"
            paths.extend(save(draw_strips(page, _VIEW), place, ("pdf", "png"), stem=stem))
            page.clear()

    for number, case in enumerate(study.cases):
        if progress is not None:
            progress(number / len(study.cases), f"Strip of {case.name}")
        try:
            page.append(gather(case.folder))
        except InputError as error:
            left_out.append((case.name, str(error)))
        if len(page) == cases_a_page:
            write()
    write()
    if not paths:
        raise InputError(
            f"No case of {study.name!r} can be shown: {left_out[0][1]}"
            if left_out
            else f"The study {study.name!r} holds no case."
        )
    return paths, left_out


def _from_results(folder: Path) -> FigureData:
    from coreg.case import open_case
    from coreg.steps.figure import figure_data

    return figure_data(open_case(folder))
