"""Colours of zones and masks: told apart with the common kinds of colour blindness.

Chosen for this project by lightness first (tests/plugins checks the distances as seen with
deuteranopia and protanopia), and to stand out from pink sections as well as from grey speckle.
"""

from __future__ import annotations

ZONE_COLOURS: dict[str, str] = {
    "ablated": "#0a57d0",
    "diffusion-damaged": "#18c5b5",
    "tumour": "#f2a100",
    "viable": "#c9f29b",
    "artefact": "#6b6b6b",
    "tissue": "#3b3b3b",
    "predicted lesion": "#ffe14d",
}
OTHER = "#d0d0d0"

# The overlap of predicted lesion and pathology, by label number.
OVERLAP_COLOURS: dict[int, str] = {1: "#f4f4f4", 2: "#ffe14d", 3: "#0a57d0"}
OVERLAP_NAMES = {1: "both", 2: "predicted only", 3: "pathology only"}

STATE_COLOURS = {"to do": "#8c8c8c", "done": "#2f9e77", "stale": "#e08a1e"}
GOOD, DOUBTFUL, BAD = "#2f9e77", "#f2a100", "#d1495b"


def zone_colour(zone: str) -> str:
    """A zone's colour as hexadecimal RGB."""
    return ZONE_COLOURS.get(zone, OTHER)
