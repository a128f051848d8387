"""What the report of a case says, from the results of its steps."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from coreg.case import Case
from coreg.errors import InputError
from coreg.figure.words import in_order, measure_name, number, with_interval
from coreg.report.cautions import CAUTIONS
from coreg.report.document import (
    Block,
    Bullets,
    Document,
    Paragraph,
    Picture,
    Section,
    Table,
)
from coreg.report.methods import case_methods
from coreg.report.provenance import provenance
from coreg.report.words import plain_words
from coreg.results import StepResult

STEPS = ("predict", "outline", "align", "agree")


def case_document(case: Case) -> Document:
    """The report of a case.

    Raises
    ------
    InputError : a step before the figure is to do; results that are only stale are reported, and
        the report says so at its top
    """
    results = {step: _finished(case, step) for step in STEPS}
    found = {step: result.summary for step, result in results.items()}
    sections = [
        Section("Cautions", (Bullets(CAUTIONS), *_stale(case))),
        Section("What was compared", _compared(case, found)),
    ]
    figure = case.result("figure")
    if figure is not None:
        sections.append(Section("Figure", (_figure(case, figure),)))
    sections += [
        Section("Agreement", _agreement(found["agree"])),
        Section("Alignment", _alignment(found["align"])),
        Section("What was left out, and why", _left_out(found)),
        Section("Methods", case_methods(case.settings, found)),
        Section("Settings, versions and files", provenance(case, results)),
    ]
    return Document(
        f"Predicted lesion and pathology: {case.name}",
        _verdict_line(found),
        tuple(sections),
    )


def _finished(case: Case, step: str) -> StepResult:
    result = case.result(step)
    if result is None:
        raise InputError(
            f"A report needs the step {step}, which is to do; run 'coreg run {case.folder}'."
        )
    return result


def _stale(case: Case) -> tuple[Block, ...]:
    late = [s for s in case.status().values() if s.state == "stale"]
    if not late:
        return ()
    why = "; ".join(f"{status.step} ({status.reason})" for status in late)
    return (
        Paragraph(
            f"These results no longer belong to the present inputs and settings: {why}. Run the "
            "case again before using this report.",
            marked=True,
        ),
    )


def _verdict_line(found: Mapping[str, Any]) -> str:
    parts = [
        f"{zone}: Dice {with_interval('dice', measures['dice'])}"
        for zone, measures in found["agree"]["zones"].items()
        if "dice" in measures
    ]
    verdict = found["align"].get("verdict")
    return "; ".join([*parts, f"alignment: {verdict}"] if verdict else parts) + "."


def _compared(case: Case, found: Mapping[str, Any]) -> tuple[Block, ...]:
    about = case.settings["case"]
    predict, outline, agree = found["predict"], found["outline"], found["agree"]
    rows = [("Case", case.name)]
    rows += [
        (label, about[key])
        for key, label in (
            ("animal", "Animal"),
            ("group", "Group"),
            ("time", "Section taken"),
            ("note", "Note"),
        )
        if about.get(key)
    ]
    rows.append(("Predicted lesion", _predicted_words(predict)))
    rows.append(("Pathology", _pathology_words(outline)))
    rows.append(
        (
            "Region of validity",
            f"{number(agree.get('valid_area_mm2'), 1)} mm² of the imaging plane, where both sides "
            "can be judged",
        )
    )
    return (Table("The case in short", ("What", "Which"), tuple(rows), (1, 4)),)


def _predicted_words(predict: Mapping[str, Any]) -> str:
    text = f"{number(predict.get('predicted_area_mm2'), 1)} mm²"
    threshold = predict.get("threshold_percent")
    if threshold is not None:
        text += f", where the amplitude fell by {number(-threshold, 0)} % or more from baseline"
    return f"{text} (rule: {predict.get('rule', 'not known')})"


def _pathology_words(outline: Mapping[str, Any]) -> str:
    areas = outline.get("areas_as_cut_mm2", {})
    parts = [f"{zone} {number(area, 1)} mm²" for zone, area in areas.items()]
    if outline.get("source") != "by hand":
        by = "a trained model" if outline.get("source") == "model" else "the program"
        who = f"zones proposed by {by}, to be confirmed by a pathologist"
    else:
        observers = [name or "unnamed" for name in outline.get("observers", [])]
        who = f"outlined by hand ({', '.join(observers)}; {outline.get('method')})"
    return f"{', '.join(parts)} as cut; {who}"


def _figure(case: Case, figure: StepResult) -> Picture:
    try:
        png = figure.file("figure.png").read_bytes()
        text = figure.file("figure-legend.txt").read_text(encoding="utf-8").strip()
    except OSError as error:
        raise InputError(
            f"The figure in {figure.folder} cannot be read ({error.strerror}); run "
            f"'coreg figure {case.folder} --again'."
        ) from error
    panels = figure.summary.get("panels")
    named = f" Panels: {', '.join(panels)}." if panels else ""
    return Picture(
        png,
        f"Pathology figure of {case.name}: imaging beside the section, with the outlines of the "
        f"predicted lesion and of the pathology zones.{named} The legend below describes each "
        "panel with its numbers.",
        text,
    )


def _agreement(agree: Mapping[str, Any]) -> tuple[Block, ...]:
    blocks: list[Block] = [
        Paragraph(
            "Brackets hold 95 % intervals: they carry what is known of the uncertainty of "
            "landmarks, outlines and displacement. Differences are predicted minus pathology."
        )
    ]
    for zone, measures in agree["zones"].items():
        reasons = agree.get("reasons", {}).get(zone, {})
        rows = [
            (
                measure_name(measure),
                with_interval(measure, estimate),
                plain_words(measure, estimate) or _sentence(reasons.get(measure, "")),
            )
            for measure, estimate in in_order(measures).items()
        ]
        blocks.append(
            Table(
                f"Predicted lesion against {zone}",
                ("Measure", "Value (95 % interval)", "In words"),
                tuple(rows),
                (2.2, 2, 4),
            )
        )
        missing = agree.get("sources_without_information", {}).get(zone) or []
        if missing:
            blocks.append(
                Paragraph(
                    f"The intervals of {zone} leave out {', '.join(missing)}: nothing is known of "
                    "it, so they are too narrow.",
                    marked=True,
                )
            )
    limits = agree.get("dice_that_resolution_allows", {})
    known = [f"{number(value, 2)} for {zone}" for zone, value in limits.items() if value]
    if known:
        blocks.append(
            Paragraph(
                "The resolution of the displacement alone would allow a Dice of at most "
                f"{' and '.join(known)}."
            )
        )
    return tuple(blocks)


def _alignment(align: Mapping[str, Any]) -> tuple[Block, ...]:
    verdict = align.get("verdict", "not judged")
    blocks: list[Block] = [
        Paragraph(f"Verdict: {verdict}.", marked=verdict != "good"),
        Bullets(tuple(align.get("reasons") or ("No reason is stored.",))),
    ]
    rows: list[tuple[str, str]] = [
        ("Model", str(align.get("model"))),
        ("Landmarks", str(align.get("landmarks", "none"))),
        (
            f"Expected error over {align.get('judged_over', 'the plane')}",
            _mm_with_interval(align.get("error_mm"), align.get("error_interval_mm")),
        ),
        ("Leave-one-out error, median", _mm(align.get("leave_one_out_median_mm"))),
        ("Residual at the landmarks, median", _mm(align.get("residual_median_mm"))),
        ("Landmark that fits worst", align.get("worst_landmark") or "none"),
        ("Shrinkage along depth", _share(align.get("shrinkage_depth"))),
        ("Shrinkage along lateral", _share(align.get("shrinkage_lateral"))),
        ("Section mirrored", "yes" if align.get("mirrored") else "no"),
        ("Share of the map that folds", _share(align.get("folded_share"))),
    ]
    if align.get("area_range"):
        low, high = align["area_range"]
        rows.append(("Local change of area", f"{number(low, 2)}- to {number(high, 2)}-fold"))
    blocks.append(Table("Quality of the alignment", ("What", "Value"), tuple(rows), (2, 3)))
    return tuple(blocks)


def _left_out(found: Mapping[str, Any]) -> tuple[Block, ...]:
    agree, predict, outline = found["agree"], found["predict"], found["outline"]
    blocks: list[Block] = []
    areas = agree.get("left_out_mm2", {})
    if areas:
        rows = tuple((why, f"{number(area, 1)} mm²") for why, area in areas.items())
        blocks.append(
            Table("Left out of the region of validity", ("Why", "Area of the plane"), rows, (3, 2))
        )
    items = [
        f"Displacement left out for {why}: {_share(share)} of the map."
        for why, share in predict.get("left_out_shares", {}).items()
        if share
    ]
    for zone, measures in agree["zones"].items():
        for side in ("predicted", "pathology"):
            share = measures.get(f"{side}_outside_valid_share", {}).get("value")
            if share:
                items.append(
                    f"{_share(share)} of the {side} lesion ({zone}) lies outside the region of "
                    "validity and is not counted."
                )
    if outline.get("artefact_share"):
        items.append(f"Artefacts take {_share(outline['artefact_share'])} of the section.")
    items += [
        f"{zone}: no {measure_name(measure)}, since {why}."
        for zone, reasons in agree.get("reasons", {}).items()
        for measure, why in reasons.items()
    ]
    if outline.get("found") is False:
        items.append(f"No lesion was found on the section: {_sentence(outline.get('reason', ''))}")
    if outline.get("applicability"):
        items.append(f"Trained model: {_sentence(outline['applicability'])}")
    if predict.get("reason"):
        items.append(f"Predicted lesion: {_sentence(predict['reason'])}")
    items += [
        f"Landmark {name!r} does not fit the others." for name in found["align"].get("suspects", ())
    ]
    items += [_sentence(note) for note in (*predict.get("notes", ()), *outline.get("notes", ()))]
    items += [f"Open question: {_sentence(text)}" for text in predict.get("questions", ())]
    blocks.append(Bullets(tuple(items)) if items else Paragraph("Nothing else was left out."))
    return tuple(blocks)


def _sentence(text: str) -> str:
    if not text:
        return ""
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "?", "!")) else ".")


def _share(value: float | None) -> str:
    return "not known" if value is None else f"{number(100 * value, 1)} %"


def _mm(value: float | None) -> str:
    return "not known" if value is None else f"{number(value, 2)} mm"


def _mm_with_interval(value: float | None, interval: Any) -> str:
    if value is None or not interval or None in interval:
        return _mm(value)
    return f"{_mm(value)} ({number(interval[0], 2)}–{number(interval[1], 2)})"
