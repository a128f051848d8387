"""The figure's legend, drafted with the numbers in."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from coreg.figure.data import FigureData, StudyData
from coreg.figure.images import change_range, length_text, scale_bar_mm
from coreg.figure.layout import Layout
from coreg.figure.panels import Panel
from coreg.figure.words import (
    estimate_text,
    measure_name,
    number,
    number_of_cases,
    with_interval,
)


def legend(data: FigureData | StudyData, layout: Layout | None = None) -> str:
    """A paragraph that can stand under the figure in a paper: one sentence or two a panel.

    Every number in it is one of the data's; nothing is said of what is missing.
    """
    layout = layout or Layout()
    panels = layout.chosen(data)
    title = (
        f"Predicted lesion and pathology over cases ({data.name})."
        if isinstance(data, StudyData)
        else f"Predicted lesion and pathology ({data.name})."
    )
    sentences, said = [title], ""
    for index, panel in enumerate(panels):
        letter = layout.letter(index)
        words = _SENTENCES[panel.name](data)
        if panel.name in ("mapped", "agreement") and isinstance(data, FigureData) and not said:
            said = _agreement_sentence(data)
            words += said
        sentences.append(f"({letter}) {words}" if letter else words)
    sentences += _common(data, panels, layout.view)
    return " ".join(sentences)


def _common(data: FigureData | StudyData, panels: list[Panel], view: str) -> list[str]:
    """What holds for several panels: outlines, invalid pixels, scale bars, intervals."""
    said = []
    names = {panel.name for panel in panels}
    zones = {o.zone for p in panels for name in p.outlines for o in getattr(data, name)}
    drawn = [f"{zone} {_LINES[zone]}" for zone in _LINES if zone in zones]
    if drawn:
        said.append(f"Outlines: {', '.join(drawn)}.")
    if isinstance(data, FigureData) and data.focus_mm is not None and names & {"bmode", "change"}:
        said.append("Cross: focus.")
    if names & {"baseline", "final", "change", "error"}:
        said.append("Grey: no valid estimate.")
    if bars := _scale_bars(data, panels, view):
        said.append(f"Scale bars {bars}.")
    if names & {"mapped", "agreement", "bland-altman", "per-case"}:
        said.append("Brackets and bars: 95 % intervals.")
    return said


_LINES = {
    "predicted lesion": "dashed",
    "ablated": "thick solid",
    "diffusion-damaged": "thin solid",
    "tumour": "dotted",
    "viable": "dash-dotted",
    "artefact": "short-dashed",
}


def _scale_bars(data: FigureData | StudyData, panels: list[Panel], view: str) -> str:
    if isinstance(data, StudyData):
        return ""
    lengths = {scale_bar_mm(p.extent(data, view)[1]) for p in panels if p.image}
    return " and ".join(length_text(mm) for mm in sorted(lengths))


def _bmode(data: FigureData) -> str:
    return f"B-mode of the imaging plane{_with(data.predicted, 'the predicted lesion')}."


def _amplitude(when: str) -> Callable[[FigureData], str]:
    return lambda data: f"{when} peak-to-peak amplitude of the oscillating displacement (µm)."


def _change(data: FigureData) -> str:
    half = change_range(data)
    return (
        "Change of the amplitude from baseline (negative: stiffer), shown from "
        f"{number(-half, 0)} to {number(half, 0)} %{_with(data.predicted, 'the predicted lesion')}."
    )


def _section(data: FigureData) -> str:
    zones = _with(data.section_outlines, "its zones")
    return f"Stained section as it lies on the slide{zones}."


def _mapped(data: FigureData) -> str:
    lesions = _with((*data.predicted, *data.pathology), "the outlines of both sides")
    return f"The section mapped onto the imaging plane{lesions}."


def _overlap(data: FigureData) -> str:
    return (
        "Overlap of the predicted lesion with the pathology lesion (ablated and "
        "diffusion-damaged); grey: outside the region of validity."
    )


def _error(data: FigureData) -> str:
    assert data.error_mm is not None
    values = data.error_mm.data[np.isfinite(data.error_mm.data)]
    if not len(values):
        return "Expected error of the alignment."
    span = f"{number(float(values.min()), 2)} to {number(float(values.max()), 2)} mm"
    return f"Expected error of the alignment, {span} over the plane."


def _course(data: FigureData) -> str:
    course = data.course
    assert course is not None
    change = course.change_percent[np.isfinite(course.change_percent)]
    end = f", {number(float(change[-1]), 0)} % at the end" if len(change) else ""
    spread = " (band: standard deviation over pixels)" if course.spread_percent is not None else ""
    text = f"Mean change in the lesion during treatment{spread}{end}"
    if course.area_mm2 is None:
        return f"{text}."
    area = course.area_mm2[np.isfinite(course.area_mm2)]
    final = f", {number(float(area[-1]), 1)} mm² at the end" if len(area) else ""
    return f"{text}; dashed: predicted area{final}."


def _agreement(data: FigureData) -> str:
    return "Overlap measures with 95 % intervals."


def _agreement_sentence(data: FigureData) -> str:
    text = ""
    for zone, measures in data.agreement.items():
        parts = [
            f"{_in_sentence(measure)} {with_interval(measure, measures[measure])}"
            for measure in ("dice", "hd95_mm", "predicted_area_mm2", "pathology_area_mm2")
            if measure in measures
        ]
        text += f" {zone[:1].upper()}{zone[1:]}: {', '.join(parts)}." if parts else ""
    return text


def _in_sentence(measure: str) -> str:
    name = measure_name(measure)
    return name if measure in ("dice", "jaccard", "hausdorff_mm") else name[:1].lower() + name[1:]


def _threshold(data: FigureData | StudyData) -> str:
    used = next((c.used_percent for c in data.threshold_curves if c.used_percent is not None), None)
    text = "Dice against the threshold of change below which tissue counts as lesion"
    return (
        f"{text}; dotted: the threshold used, {number(used, 1)} %."
        if used is not None
        else f"{text}."
    )


def _regression(data: StudyData) -> str:
    about = data.comparison
    text = f"Predicted against pathology {about.quantity}, {data.zone} ({number_of_cases(data)})"
    if about.slope is None or about.intercept is None:
        return f"{text}; dotted: identity."
    return (
        f"{text}; dotted: identity; solid: {about.regression}, slope "
        f"{estimate_text(about.slope, '')}, intercept {estimate_text(about.intercept, about.unit)}."
    )


def _bland_altman(data: StudyData) -> str:
    about = data.comparison
    text = f"Difference (predicted − pathology) against mean {about.quantity}, {data.zone}"
    if about.bias is None or about.lower_limit is None or about.upper_limit is None:
        return f"{text} ({number_of_cases(data)})."
    return (
        f"{text} ({number_of_cases(data)}): bias {estimate_text(about.bias, about.unit)}, 95 % "
        f"limits of agreement {estimate_text(about.lower_limit, about.unit)} and "
        f"{estimate_text(about.upper_limit, about.unit)}."
    )


def _per_case(data: StudyData) -> str:
    measure = next(iter(data.per_case))
    return f"{measure_name(measure)} of each case, {data.zone}; one mark an animal."


def _with(outlines: tuple[Any, ...], what: str) -> str:
    return f" with {what}" if outlines else ""


_SENTENCES: dict[str, Callable[[Any], str]] = {
    "bmode": _bmode,
    "baseline": _amplitude("Baseline"),
    "final": _amplitude("Final"),
    "change": _change,
    "section": _section,
    "mapped": _mapped,
    "overlap": _overlap,
    "error": _error,
    "course": _course,
    "agreement": _agreement,
    "threshold": _threshold,
    "regression": _regression,
    "bland-altman": _bland_altman,
    "per-case": _per_case,
}
