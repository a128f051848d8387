"""Disks, rights, files that vanish, and Ctrl-C."""

from __future__ import annotations

import io
import os
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, redirect_stdout
from functools import partial
from pathlib import Path

from hard_use.bad_inputs.table import Arguments, bad

from coreg import cli
from coreg.results import versions

PART = "Disk, rights and interruption"
NOBODY = 65534


@contextmanager
def full_disk(case: Path, after: int = 0) -> Iterator[None]:
    """No file grows beyond some bytes: what writing meets where the disk is full."""
    import resource

    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (after, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@contextmanager
def without_rights(case: Path) -> Iterator[None]:
    """As a user who may read what others may, where the tests run as root."""
    above = [
        place for place in case.parents if place.owner() == case.owner() and place != Path("/")
    ]
    modes = {place: place.stat().st_mode for place in above}
    if os.geteuid() != 0:
        yield
        return
    # What that user might not be able to import any more where the interpreter is root's own.
    with redirect_stdout(io.StringIO()):
        cli.main(["outline", str(case), "--quiet"])
        cli.main(["check", str(case)])
    "".encode("utf-8-sig")
    versions()
    for place, mode in modes.items():
        place.chmod(mode | 0o055)
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)
        for place, mode in modes.items():
            place.chmod(mode)


@contextmanager
def at_progress(case: Path, text: str, act: Callable[[Path], None]) -> Iterator[None]:
    """Do something to the case when the progress first says a text."""
    before = cli._progress
    done = []

    def show(fraction: float, said: str) -> None:
        if text in said and not done:
            done.append(said)
            act(case)

    cli._progress = lambda options: show
    try:
        yield
    finally:
        cli._progress = before
        assert done, f"the progress never said {text!r}"


def when(text: str, act: Callable[[Path], None]) -> Callable[[Path], AbstractContextManager[None]]:
    """`at_progress` as `Bad.within` takes it."""
    return partial(at_progress, text=text, act=act)


@contextmanager
def in_this_process(case: Path, inner: AbstractContextManager[None]) -> Iterator[None]:
    """A study's cases without workers of their own, which take seconds to start."""
    from coreg.cohort import run

    before = run.work_through
    run.work_through = lambda folders, work, **_: before(folders, work, workers=0)
    try:
        with inner:
            yield
    finally:
        run.work_through = before


def interrupt(_: Path) -> None:
    """Ctrl-C."""
    raise KeyboardInterrupt


def remove(name: str) -> Callable[[Path], None]:
    """Take a file of the case away."""
    return lambda case: (case / name).unlink()


@bad(
    PART,
    "a full disk, at the first byte",
    ("course.csv could not be written to … ; free some space or choose a folder you may write to."),
    within=full_disk,
)
def disk_full_at_once(case: Path) -> Arguments:
    return "predict", case, "--again"


@bad(
    PART,
    "a full disk, in the midst of the maps",
    (
        "The results of predict could not be written to … ; free some space or choose a "
        "folder you may write to. Earlier results are untouched."
    ),
    within=partial(full_disk, after=5000),
)
def disk_full_later(case: Path) -> Arguments:
    return "predict", case, "--again"


@bad(
    PART,
    "a full disk, in the midst of the figure",
    ("figure.pdf could not be written to … ; free some space or choose a folder you may write to."),
    within=partial(full_disk, after=5000),
)
def disk_full_figure(case: Path) -> Arguments:
    return "figure", case, "--again"


@bad(
    PART,
    "a full disk, in the midst of the transform",
    (
        "The results of align could not be written to … ; free some space or choose a "
        "folder you may write to. Earlier results are untouched."
    ),
    within=partial(full_disk, after=200),
)
def disk_full_align(case: Path) -> Arguments:
    return "align", case, "--again"


@bad(
    PART,
    "a full disk while a report is written",
    (
        "report.html could not be written to … ; free some space or choose a folder you may "
        "write to."
    ),
    within=partial(full_disk, after=5000),
)
def disk_full_report(case: Path) -> Arguments:
    return "report", case


@bad(
    PART,
    "a full disk while images are exported",
    (
        "section.ome.tif could not be written to … ; free some space or choose a folder you "
        "may write to."
    ),
    within=partial(full_disk, after=5000),
)
def disk_full_export(case: Path) -> Arguments:
    return "export", case, "--um-per-px", "40"


def study_disk(case: Path) -> AbstractContextManager[None]:
    """A full disk under a study."""
    return in_this_process(case, full_disk(case, after=300))


def study_stop(case: Path) -> AbstractContextManager[None]:
    """Ctrl-C under a study."""
    return in_this_process(case, at_progress(case, "case", interrupt))


@bad(
    PART,
    "a full disk while a study is written",
    ("case.json could not be written to … ; free some space or choose a folder you may write to."),
    within=study_disk,
)
def disk_full_study(case: Path) -> Arguments:
    return "cohort", case.parent


@bad(
    PART,
    "a full disk while a new case is made",
    (
        "landmarks.csv could not be written to … ; free some space or choose a folder you "
        "may write to."
    ),
    within=full_disk,
)
def disk_full_new(case: Path) -> Arguments:
    return "new", case.with_name("other")


@bad(
    PART,
    "a folder that may only be read",
    "cannot be written to … ; choose a folder you may write to.",
    within=without_rights,
)
def read_only_folder(case: Path) -> Arguments:
    for place in (case, *case.rglob("*")):
        place.chmod(0o555 if place.is_dir() else 0o444)
    return "predict", case, "--again"


@bad(
    PART,
    "a new case in a folder that may only be read",
    "cannot be made … ; choose a folder you may write to.",
    within=without_rights,
)
def read_only_new(case: Path) -> Arguments:
    case.chmod(0o555)
    return "new", case / "inner"


@bad(
    PART,
    "case.toml may not be read",
    "cannot be read … ; check that it is a file that you may read.",
    within=without_rights,
)
def unreadable_case_file(case: Path) -> Arguments:
    (case / "case.toml").chmod(0)
    return "check", case


@bad(
    PART,
    "the slide may not be read",
    "cannot be opened … ; check that you may read it.",
    within=without_rights,
)
def unreadable_slide(case: Path) -> Arguments:
    for place in (case / "results", *(case / "results").rglob("*")):
        place.chmod(0o777 if place.is_dir() else 0o666)
    (case / "slide.ome.tif").chmod(0)
    return "outline", case, "--again"


@bad(
    PART,
    "the recording may not be read",
    "cannot be read … ; check that you may read it.",
    within=without_rights,
)
def unreadable_recording(case: Path) -> Arguments:
    (case / "recording.npz").chmod(0)
    return "check", case / "recording.npz"


@bad(
    PART,
    "the case folder may not be entered",
    "may not be entered; ask for the right to read it.",
    within=without_rights,
)
def unreadable_folder(case: Path) -> Arguments:
    case.chmod(0)
    return "check", case


@bad(
    PART,
    "the recording vanishes half-way",
    "is not there; correct [displacement] path in",
    within=when("Reading", remove("recording.npz")),
)
def recording_vanishes(case: Path) -> Arguments:
    return "predict", case, "--again"


@bad(
    PART,
    "the slide vanishes half-way",
    "is not there; correct [slide] path in",
    within=when("outline", remove("slide.ome.tif")),
)
def slide_vanishes(case: Path) -> Arguments:
    return "outline", case, "--again"


@bad(
    PART,
    "the landmarks vanish half-way",
    "is not there; correct [landmarks] path in",
    within=when("Fitting", remove("landmarks.csv")),
)
def landmarks_vanish(case: Path) -> Arguments:
    return "align", case, "--again"


@bad(
    PART,
    "Ctrl-C while amplitudes are computed",
    "Stopped; earlier results are untouched.",
    within=when("Finding the pre", interrupt),
)
def stop_predict(case: Path) -> Arguments:
    return "run", case, "--again"


@bad(
    PART,
    "Ctrl-C while tissue is found",
    "Stopped; earlier results are untouched.",
    within=when("Finding the tissue", interrupt),
)
def stop_outline(case: Path) -> Arguments:
    return "outline", case, "--again"


@bad(
    PART,
    "Ctrl-C while the alignment is judged",
    "Stopped; earlier results are untouched.",
    within=when("Judging", interrupt),
)
def stop_align(case: Path) -> Arguments:
    return "align", case, "--again"


@bad(
    PART,
    "Ctrl-C while intervals are drawn",
    "Stopped; earlier results are untouched.",
    within=when("agree", interrupt),
)
def stop_agree(case: Path) -> Arguments:
    return "agree", case, "--again"


@bad(
    PART,
    "Ctrl-C while the figure is drawn",
    "Stopped; earlier results are untouched.",
    within=when("figure", interrupt),
)
def stop_figure(case: Path) -> Arguments:
    return "figure", case, "--again"


@bad(
    PART,
    "Ctrl-C between two cases of a study",
    "Stopped; earlier results are untouched.",
    within=study_stop,
)
def stop_study(case: Path) -> Arguments:
    return "cohort", case.parent


@bad(
    PART,
    "Ctrl-C while the demo is written",
    "Stopped; earlier results are untouched.",
    within=when("", interrupt),
)
def stop_demo(case: Path) -> Arguments:
    return "demo", case.with_name("demo"), "--um-per-px", "50"
