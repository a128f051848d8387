"""The label that each observer gave to each place: what kappa between observers is taken from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coreg.errors import InputError
from coreg.geometry import Grid, Outline, mask_from_outlines

# The zones of a thermal lesion are nested; whatever else lies there is neither.
LABELS = ("neither", "diffusion-damaged", "ablated")


@dataclass(frozen=True)
class ObserverLabels:
    """How much area was labelled how by whom.

    observers : (m,) names
    patterns : (k, m) int, numbers of `LABELS`, the label of each observer; each pattern once
    areas_mm2 : (k,) area that was labelled so
    """

    observers: tuple[str, ...]
    patterns: np.ndarray
    areas_mm2: np.ndarray

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "observers": list(self.observers),
            "labels": list(LABELS),
            "patterns": self.patterns.tolist(),
            "areas_mm2": self.areas_mm2.tolist(),
        }


def observer_labels(drawn: Mapping[str, Sequence[Outline]], grid: Grid) -> ObserverLabels:
    """Count the area of every combination of labels on a grid.

    Parameters
    ----------
    drawn : the outlines of each observer by name, in the grid's frame; zones other than those of
        `LABELS` count as neither, and the core goes before the rim
    grid : all of its pixels count, so it should hold what was drawn and little else

    Raises
    ------
    InputError : fewer than 2 observers
    """
    if len(drawn) < 2:
        raise InputError(f"Kappa needs at least 2 observers, got {len(drawn)}; add another's.")
    labels = np.zeros((len(drawn), *grid.shape), dtype=np.uint8)
    for number, outlines in enumerate(drawn.values()):
        for label, zone in enumerate(LABELS):
            mask = mask_from_outlines([o for o in outlines if o.zone == zone], grid)
            labels[number][mask] = label
    patterns, pixels = np.unique(labels.reshape(len(drawn), -1).T, axis=0, return_counts=True)
    return ObserverLabels(tuple(drawn), patterns.astype(int), pixels * grid.pixel_area)
