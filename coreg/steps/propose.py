"""Zones that the program proposes for a case: unsupervised, or by a model trained from strokes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from coreg.case import Case, Progress
from coreg.errors import InputError
from coreg.geometry import Outline

if TYPE_CHECKING:
    from coreg.sources.slides import Slide

CAUTION = "Zones proposed by the program; a qualified pathologist confirms them."


def propose_zones(
    case: Case, slide: Slide, progress: Progress
) -> tuple[list[Outline], dict[str, Any]]:
    """The proposed zones and what the record says of them.

    Raises `InputError` where a model is named that does not fit the section. No lesion is no
    error: the list is then empty and the record gives the reason.
    """
    from coreg.zones.features import compute_slide
    from coreg.zones.propose import propose

    settings = case.settings["outlines"]
    features = compute_slide(
        slide,
        case.settings["slide"]["stain"],
        settings["spacing_um"],
        progress=lambda fraction, text: progress(0.2 + 0.5 * fraction, text),
    )
    about: dict[str, Any] = {"source": settings["source"], "observers": [], "spread_mm": None}
    if settings["source"] == "model":
        from coreg.zones.learn import ZoneModel, applicability

        place = Path(case.require("model"))
        model = ZoneModel.load(place)
        judged = applicability(model, features)
        if judged.verdict == "not applicable":
            raise InputError(f"The model {place.name} does not fit this section: {judged.reason}")
        proposal = model.predict(features)
        about["applicability"] = f"{judged.verdict}: {judged.reason}"
    else:
        proposal = propose(
            features, progress=lambda fraction, text: progress(0.7 + 0.2 * fraction, text)
        )
    about.update(
        method=proposal.made_by,
        found=proposal.found,
        reason=proposal.reason,
        notes=[CAUTION],
    )
    return proposal.outlines(tissue=False) if proposal.found else [], about
