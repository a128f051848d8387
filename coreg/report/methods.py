"""A methods paragraph for a paper: every parameter of a case, and references."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from coreg.figure.words import number
from coreg.report.document import Block, Bullets, Paragraph
from coreg.report.provenance import shown
from coreg.report.references import Cited

# What the sentences below say; all other settings of these sections are named at the end, so that
# a setting added later is not forgotten.
_SAID = {
    "predict": {
        *("leave_out_breathing", "motion", "stand_in_baseline", "rule", "threshold_percent"),
        *("standard_errors", "focus_mm", "focus_radius_mm", "window_mm", "connected_to_focus"),
        *("smallest_mm2", "fill_holes_mm2", "smooth_mm", "low_baseline"),
    },
    "outlines": {"folder", "source", "model", "consensus", "error_mm", "spacing_um"},
    "align": {"model", "smoothing", "robust", "refine"},
    "agree": {"draws", "seed", "point_spread_mm", "tissue_only"},
}

Settings = Mapping[str, Mapping[str, Any]]


def case_methods(settings: Settings, found: Mapping[str, Any]) -> tuple[Block, ...]:
    """Paragraphs ready to be pasted, and the references that they cite.

    Parameters
    ----------
    settings : the case's, defaults filled in
    found : the summaries of predict, outline, align and agree
    """
    cite = Cited()
    paragraphs = [
        _displacement(settings, found["predict"]),
        _prediction(settings["predict"], found["predict"], cite),
        _pathology(settings, found["outline"], cite),
        _alignment(settings, found["align"], cite),
        _agreement(settings["agree"], found["agree"], cite),
        _further(settings),
        f"Computations used coreg with NumPy, SciPy and scikit-image "
        f"{cite('numpy', 'scipy', 'scikit-image')}; versions are listed below.",
    ]
    blocks: list[Block] = [Paragraph(" ".join(sentence for sentence in paragraphs if sentence))]
    return (*blocks, Bullets(tuple(cite.listed()), numbered=True))


def _displacement(settings: Settings, predict: Mapping[str, Any]) -> str:
    about = settings["displacement"]
    text = "Displacement was imaged in the plane of treatment"
    grid = predict.get("grid")
    if grid:
        depth, lateral = grid["spacing"]
        text += (
            f" ({grid['shape'][0]} × {grid['shape'][1]} pixels of {depth:.3g} mm in depth × "
            f"{lateral:.3g} mm laterally)"
        )
    text += "."
    if about["kind"] == "oscillation":
        rates = "".join(
            f" {link} {shown(about[key])} {unit}"
            for key, link, unit in (
                ("modulation_frequency_hz", "of", "Hz"),
                ("frame_rate_hz", "at", "frames/s"),
            )
            if about[key] is not None
        )
        text += (
            " The peak-to-peak amplitude in each pixel was that of a sinusoid at the modulation "
            f"frequency{rates}, fitted by least squares."
        )
        breathing = settings["predict"].get("leave_out_breathing")
        if breathing is not None:
            text += (
                " Frames in which the whole plane moved abruptly were "
                f"{'left out' if breathing else 'kept'}."
            )
    else:
        text += " Peak-to-peak amplitude maps were taken as recorded."
    times = predict.get("treatment_times_s") or (predict.get("course") or {}).get("times_s")
    if times:
        text += f" Maps of {len(times)} treatment times ({_span(times)} s) were used."
    if about["baseline"] or about["baseline_path"]:
        text += " The baseline was recorded separately."
    else:
        count = about["baseline_times"]
        text += f" The first {'time was' if count == 1 else f'{count} times were'} the baseline."
    if settings["predict"].get("motion", "none") != "none":
        text += f" Motion between baseline and treatment was undone from the {_motion(settings)}."
    if settings["predict"].get("stand_in_baseline"):
        text += " A missing baseline was made up from the surroundings in the final map."
    return text + " Change is (final − baseline) / baseline."


def _further(settings: Settings) -> str:
    further = [
        f"{key.replace('_', ' ')} {shown(value)}"
        for section, said in _SAID.items()
        for key, value in settings[section].items()
        if key not in said and value is not None
    ]
    return f"Further settings: {', '.join(further)}." if further else ""


def _motion(settings: Settings) -> str:
    return str(settings["predict"]["motion"])


def _span(times: Any) -> str:
    first, last = float(min(times)), float(max(times))
    return f"{first:g}" if first == last else f"{first:g} to {last:g}"


def _prediction(options: Mapping[str, Any], predict: Mapping[str, Any], cite: Cited) -> str:
    rule, threshold = options["rule"], predict.get("threshold_percent")
    fell = "a stated amount" if threshold is None else f"{number(-threshold, 1)} % or more"
    sentences = {
        "threshold": f"Tissue was predicted as lesion where the amplitude had fallen by {fell}.",
        "otsu": "The threshold split the change map into the two classes with the least variance "
        f"{cite('otsu') if rule == 'otsu' else ''}; the amplitude had fallen by {fell}.",
        "half-way": "The threshold lay half-way between the plateau of change and its background: "
        f"the amplitude had fallen by {fell}.",
        "growing": "The region was grown from the focus up to half-way between its change and that "
        f"of its surroundings: the amplitude had fallen by {fell}.",
    }
    text = sentences[rule]
    if rule == "growing":
        text += " The map was smoothed beforehand so that edges stay."
    else:
        text += (
            " The change map was smoothed with a Gaussian of "
            f"{shown(options['smooth_mm'])} mm standard deviation."
        )
    if options["standard_errors"]:
        text += (
            f" The change also had to exceed {shown(options['standard_errors'])} of its standard "
            "errors."
        )
    low = {
        "strict": "counted only where the change was at least two standard errors",
        "keep": "treated like all others",
        "leave out": "left out",
    }[options["low_baseline"]]
    text += (
        f" Pixels with a baseline too low for a stable ratio were {low}. Regions below "
        f"{shown(options['smallest_mm2'])} mm² were dropped and holes up to "
        f"{shown(options['fill_holes_mm2'])} mm² filled."
    )
    if options["focus_mm"] is not None:
        depth, lateral = options["focus_mm"]
        text += f" The focus lay at {shown(depth)} mm depth and {shown(lateral)} mm laterally"
        if options["connected_to_focus"]:
            text += (
                f"; only the region within {shown(options['focus_radius_mm'])} mm of it was kept"
            )
        text += "."
    if options["window_mm"] is not None and rule != "threshold":
        text += f" The threshold was sought within {shown(options['window_mm'])} mm of the focus."
    return text


def _pathology(settings: Settings, outline: Mapping[str, Any], cite: Cited) -> str:
    about = settings["outlines"]
    text = f"Sections ({settings['slide']['stain']}) were scanned"
    if outline.get("slide_pixel_size_mm"):
        y, x = (1000 * size for size in outline["slide_pixel_size_mm"])
        text += f" at {y:.3g} × {x:.3g} µm per pixel"
    if settings["case"].get("time"):
        text += f", taken at {settings['case']['time']}"
    text += "."
    if outline.get("source") != "by hand":
        by = f"the trained model {about['model']}" if about["source"] == "model" else "the program"
        return (
            f"{text} Zones were proposed by {by} after colour deconvolution "
            f"{cite('deconvolution')} at {shown(about['spacing_um'])} µm per pixel."
        )
    observers = len(outline.get("observers", ()))
    if observers <= 1:
        return (
            f"{text} One observer outlined the zones by hand; an error of "
            f"{shown(about['error_mm'])} mm (standard deviation) was assumed for the outlines."
        )
    how = (
        f"the STAPLE estimate {cite('staple')}"
        if about["consensus"] == "staple"
        else "the majority"
    )
    spread = outline.get("spread_mm") or {}
    spreads = ", ".join(f"{zone} {number(mm, 2)} mm" for zone, mm in spread.items())
    text += (
        f" {observers} observers outlined the zones by hand; {how} of their outlines counted, at "
        f"{shown(about['spacing_um'])} µm per pixel"
    )
    return f"{text} (spread between observers: {spreads})." if spreads else f"{text}."


def _alignment(settings: Settings, align: Mapping[str, Any], cite: Cited) -> str:
    about, model = settings["align"], settings["align"]["model"]
    named = {
        "rigid": f"a rigid map {cite('similarity') if model == 'rigid' else ''}",
        "similarity": f"a similarity {cite('similarity') if model == 'similarity' else ''}",
        "affine": "an affine map",
        "thin-plate": f"a thin-plate spline {cite('thin-plate') if model == 'thin-plate' else ''}",
    }[model].rstrip()
    text = (
        f"The section was brought to the imaging plane with {named} fitted to "
        f"{align.get('landmarks')} pairs of landmarks"
    )
    if model == "thin-plate":
        chosen = "as set" if about["smoothing"] is not None else "chosen by leave-one-out"
        value = align.get("smoothing")
        amount = "" if value is None else f" of {value:.3g}"
        text += f", with a smoothing{amount} {chosen}"
    text += "; landmarks that did not fit were weighted down." if about["robust"] else "."
    if about["refine"] != "none":
        text += f" The fit was refined with {about['refine']}."
    error = settings["landmarks"]["error_mm"]
    text += (
        f" Landmarks were taken as placed to {shown(error)} mm (standard deviation along an axis)."
        if error is not None
        else " The landmarks' error was taken from the leave-one-out errors."
    )
    expected, left_out = align.get("error_mm"), align.get("leave_one_out_median_mm")
    if expected is not None:
        text += (
            f" The expected error over {align.get('judged_over', 'the plane')} was "
            f"{number(expected, 2)} mm"
        )
        text += (
            f", the median leave-one-out error {number(left_out, 2)} mm."
            if left_out is not None
            else "."
        )
    return text


def _agreement(options: Mapping[str, Any], agree: Mapping[str, Any], cite: Cited) -> str:
    text = (
        "Predicted and pathology lesion (ablated, and ablated with diffusion-damaged) were "
        "compared in the plane's millimetres inside the region of validity "
        f"({number(agree.get('valid_area_mm2'), 1)} mm²)"
    )
    text += ", which leaves out what is not tissue on the section" if options["tissue_only"] else ""
    text += (
        f": Dice {cite('dice')} and Jaccard {cite('jaccard')} coefficients, sensitivity, "
        "specificity, precision, areas, mean, 95th percentile and Hausdorff "
        f"{cite('hausdorff')} distance of the boundaries, and offset of the centroids. "
        f"95 % intervals come from {options['draws']} Monte-Carlo draws (seed {options['seed']}) "
        "that disturbed landmarks, outlines and displacement"
    )
    spread = options.get("point_spread_mm")
    if spread:
        text += (
            f"; the displacement's point spread was taken as {shown(spread[0])} mm in depth and "
            f"{shown(spread[1])} mm laterally (full width at half maximum)"
        )
    return text + "."
