"""Check: what is in a case's files, and what would fail later."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from coreg.case import Case
from coreg.errors import CoregError, InputError

if TYPE_CHECKING:
    from coreg.sources.slides import Slide


# Landmarks that fit this badly for their spread are rather mixed up than badly placed (own choice).
MOST_LEFT_OUT_SHARE = 0.15


@dataclass(frozen=True)
class Finding:
    """One thing found: level "good", "note", "question" or "wrong"; where; and one sentence."""

    level: str
    where: str
    text: str


def check_case(case: Case) -> list[Finding]:
    """Look at every input of a case without computing anything."""
    findings: list[Finding] = []
    findings += _links(case)
    for where, look in _LOOKS.items():
        try:
            findings += [Finding(level, where, text) for level, text in look(case)]
        except CoregError as error:
            findings.append(Finding("wrong", where, str(error)))
    for step, status in case.status().items():
        findings.append(Finding("note", step, f"{status.state}: {status.reason}"))
    return findings


def _links(case: Case) -> list[Finding]:
    """Where inputs inside the case folder are links that lead out of it."""
    found = []
    for where in ("slide", "displacement", "baseline", "bmode", "model"):
        place = case.locate(where)
        if not isinstance(place, Path) or not place.is_relative_to(case.folder):
            continue
        real = Path(os.path.realpath(place))
        if not real.is_relative_to(os.path.realpath(case.folder)):
            found.append(Finding("note", where, f"{place.name} is a link to {real}"))
    return found


def list_file(path: Path) -> list[str]:
    """What one file holds: a slide's levels, and arrays with shapes and likely roles."""
    from coreg.sources.recordings import list_arrays
    from coreg.sources.slides import open_slide

    try:
        with open(path, "rb") as file:
            file.read(1)
    except OSError as error:
        raise InputError(
            f"{path} cannot be read ({error.strerror}); check that you may read it."
        ) from error
    lines: list[str] = []
    refusals: list[str] = []
    try:
        with open_slide(path) as slide:
            lines += _levels(slide)
    except CoregError as error:
        refusals.append(f"not as a slide: {error}".rstrip("."))
    try:
        for array in list_arrays(path):
            shape = " x ".join(str(n) for n in array.shape) or "one value"
            about = array.role if array.readable else "cannot be read safely: it holds objects"
            lines.append(f"{array.name or 'array'}: {shape} {array.dtype}, {about}".rstrip(", "))
    except CoregError as error:
        refusals.append(f"not as arrays: {error}".rstrip("."))
    if not lines:
        raise InputError(f"{path.name} cannot be read: {', '.join(refusals)}.")
    return lines


def _levels(slide: Slide) -> list[str]:
    lines = [
        f"level {number}: {level.grid.shape[0]} x {level.grid.shape[1]} px, "
        f"{1000 * level.grid.spacing[0]:.4g} x {1000 * level.grid.spacing[1]:.4g} µm/px"
        for number, level in enumerate(slide.levels)
    ]
    return [*lines, f"pixel size from {slide.pixel_size_source}", *slide.warnings]


def _slide(case: Case) -> Iterator[tuple[str, str]]:
    from coreg.stain import stain_set
    from coreg.steps.slides import open_case_slide

    stain_set(case.settings["slide"]["stain"])
    with open_case_slide(case) as slide:
        rows, columns = slide.shape
        height, width = slide.levels[0].grid.size
        yield (
            "good",
            f"{rows} x {columns} px in {len(slide.levels)} levels, {height:.1f} x {width:.1f} mm, "
            f"pixel size {1000 * slide.pixel_size[0]:.4g} x {1000 * slide.pixel_size[1]:.4g} µm "
            f"({slide.pixel_size_source})",
        )
        for warning in slide.warnings:
            yield "question", warning


def _displacement(case: Case) -> Iterator[tuple[str, str]]:
    from coreg.sources.recordings import read_recording
    from coreg.sources.recordings.reading import require_signal
    from coreg.steps.predict import recording_spec, require_focus_inside

    spec = recording_spec(case)
    recording = read_recording(spec)
    require_signal(recording, spec.array or spec.path.name)
    require_focus_inside(case, recording.grid)
    depth, lateral = recording.grid.size
    yield (
        "good",
        f"{recording.kind} of shape {tuple(recording.data.shape)}, {depth:.1f} x {lateral:.1f} mm, "
        f"{len(recording.times_s)} treatment times",
    )
    for note in recording.notes:
        yield "note", note
    for question in recording.questions:
        yield "question", question


def _bmode(case: Case) -> Iterator[tuple[str, str]]:
    from coreg.steps.bmode import case_bmode

    found = case_bmode(case)
    if found is None:
        yield "note", "none is named; the figure will do without"
        return
    image = found.image
    for note in found.notes:
        yield "note", note
    for question in found.questions:
        yield "question", question
    depth, lateral = image.grid.size
    yield (
        "good",
        f"{image.grid.shape[0]} x {image.grid.shape[1]} px, {depth:.1f} x {lateral:.1f} mm",
    )


def _landmarks(case: Case) -> Iterator[tuple[str, str]]:
    from coreg.steps.align import case_fit

    fit = case_fit(case)
    yield "good", f"{len(fit.pairs)} pairs"
    if fit.suspects:
        yield "question", f"{', '.join(fit.suspects)} does not fit the others; look at it again"
    if fit.reason:
        yield "question", fit.reason
    left_out = fit.leave_one_out[np.isfinite(fit.leave_one_out)]
    extent = float(np.ptp(fit.pairs.plane, axis=0).max())
    if left_out.size and np.median(left_out) > MOST_LEFT_OUT_SHARE * extent:
        yield (
            "question",
            f"left out in turn, the landmarks are off by {np.median(left_out):.2g} mm (median) of "
            f"the {extent:.2g} mm that they span: are plane and slide paired in the right order?",
        )


def _outlines(case: Case) -> Iterator[tuple[str, str]]:
    from coreg.sources.outlines import read_outlines
    from coreg.steps.outline import require_lesion_on_slide
    from coreg.steps.slides import open_case_slide

    outlines = read_outlines(case.outlines_folder) if case.outlines_folder.is_dir() else []
    source = case.settings["outlines"]["source"]
    if not outlines and source == "by hand":
        yield "wrong", 'there is none; draw the zones, or set [outlines] source = "proposal"'
        return
    with open_case_slide(case) as slide:
        grid = slide.levels[0].grid
    if source == "by hand":
        require_lesion_on_slide(case, outlines, grid)
    else:
        yield from _proposal(case, 1000 * max(grid.spacing))
    observers = {outline.observer or "unnamed" for outline in outlines}
    zones = {outline.zone for outline in outlines}
    yield (
        "good",
        f"{len(outlines)} outlines ({', '.join(sorted(zones)) or 'none'}) by {len(observers)} "
        "observer(s)",
    )
    mended = (outline.extra["mended"] for outline in outlines if "mended" in outline.extra)
    for sentence in dict.fromkeys(mended):  # once, of however many pieces
        yield "question", sentence


def _proposal(case: Case, pixel_um: float) -> Iterator[tuple[str, str]]:
    """What would stop the program's own zones."""
    from coreg.zones.features import LARGEST_PIXEL_UM

    if case.settings["outlines"]["source"] == "model":
        from coreg.zones import ZoneModel

        ZoneModel.load(case.require("model"))
    if pixel_um > LARGEST_PIXEL_UM:
        yield (
            "wrong",
            f"zones cannot be told apart at {pixel_um:.3g} µm per pixel; give a slide of at most "
            f"{LARGEST_PIXEL_UM:g} µm",
        )


def _results(case: Case) -> Iterator[tuple[str, str]]:
    place = case.results.folder
    there = place if place.exists() else case.folder
    if not there.is_dir() or not os.access(there, os.W_OK):
        yield "wrong", f"{there} cannot be written to; choose a folder that you may write to"
    elif (place / ".lock").is_dir():
        yield "wrong", f"{place / '.lock'} is a folder; remove it"


_LOOKS: dict[str, Callable[[Case], Iterator[tuple[str, str]]]] = {
    "slide": _slide,
    "displacement": _displacement,
    "bmode": _bmode,
    "landmarks": _landmarks,
    "outlines": _outlines,
    "results": _results,
}
