"""A proposal of zones: labels, how sure each is, and the outlines to confirm."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from coreg.geometry import ZONES, Grid, Outline
from coreg.zones.edit import from_labels


@dataclass(frozen=True)
class Proposal:
    """Zones that the program proposes; a qualified pathologist confirms or corrects them.

    labels : uint8 (rows, columns) in the numbers of `ZONES`; 0 outside the tissue
    confidence : float32 (rows, columns), 0–1: the probability of the zone given; 0 outside the
        tissue
    grid : of both, frame "slide"
    found : whether there is a lesion
    reason : one sentence: why there is none, or what was found
    made_by : how it was made, written into the outlines
    details : numbers behind it, for the record
    """

    labels: np.ndarray
    confidence: np.ndarray
    grid: Grid
    found: bool
    reason: str
    made_by: str
    details: dict[str, Any] = field(default_factory=dict)

    def outlines(self, smallest_mm2: float = 0.02, tissue: bool = True) -> list[Outline]:
        """The zones as outlines, without pieces and holes below `smallest_mm2`.

        `tissue` adds the tissue's outline. Viable tissue gets none: it is all that is left.
        """
        from coreg.geometry import outlines_from_mask

        drawn = from_labels(
            np.where(self.labels == ZONES["viable"], 0, self.labels),
            self.grid,
            smallest_mm2=smallest_mm2,
            made_by=self.made_by,
        )
        if tissue:
            drawn += outlines_from_mask(
                self.labels > 0,
                self.grid,
                smallest_mm2=smallest_mm2,
                zone="tissue",
                made_by=self.made_by,
            )
        return drawn

    def area(self, zone: str) -> float:
        """Area of one zone in mm²."""
        return int((self.labels == ZONES[zone]).sum()) * self.grid.pixel_area
