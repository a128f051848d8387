"""The cautions that stand in every report."""

from __future__ import annotations

CAUTIONS: tuple[str, ...] = (
    "For research. Not for diagnosis, treatment planning or a decision about a patient.",
    "Zones proposed by the program are proposals: a qualified pathologist confirms them.",
    "Animal work follows the local ethics approval and rules.",
    "Focused ultrasound can burn: exposure follows the equipment's and the site's safety rules.",
)
