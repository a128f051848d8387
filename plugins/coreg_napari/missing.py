"""What each step still lacks, in the user's words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from coreg.case import STEPS
from coreg.steps.outline import LESIONS
from coreg_napari.landmarks import ENOUGH

if TYPE_CHECKING:
    from coreg_napari.desk import Desk

TITLES = {
    "predict": "Displacement",
    "outline": "Outline",
    "align": "Align",
    "agree": "Agreement",
    "figure": "Figure",
}


def missing(desk: Desk) -> dict[str, str]:
    """Step → one sentence on what is missing; steps that lack nothing are not in it."""
    store = desk.store
    if store is None:
        return {"case": "Open a case, make a new one, or make the demo."}
    found: dict[str, str] = {}
    if not store.setting("displacement", "path"):
        found["predict"] = "Choose the displacement recording on the page 'Case'."
    if not store.setting("slide", "path"):
        found["outline"] = found["align"] = "Choose the slide on the page 'Case'."
    else:
        drawn = {outline.zone for outlines in desk.outlines.values() for outline in outlines}
        by_hand = store.setting("outlines", "source") == "by hand"
        if by_hand and not drawn & set(LESIONS["ablated + diffusion-damaged"]):
            found["outline"] = "Draw the ablated zone, or take the program's proposal."
        pairs = sum(row.complete for row in desk.table.rows)
        least = 2 if store.setting("align", "model") in ("rigid", "similarity") else ENOUGH
        if pairs < least:
            found["align"] = f"Place {least - pairs} more landmark pair(s)."
    for step, needs in STEPS.items():
        waits = [
            TITLES[before]
            for before in needs["after"]
            if before in found or (s := desk.states.get(before)) is None or s.state != "done"
        ]
        if waits and step not in found:
            found[step] = f"First: {', '.join(waits)}."
    return found
