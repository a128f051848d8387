"""Colours of the section: amounts of stain to RGB by the Beer–Lambert law."""

from __future__ import annotations

import numpy as np

from coreg.demo.scenario import Scenario

# Optical density per unit of stain in (R, G, B), rows of length 1: haematoxylin, eosin, and the
# red cells' own colour under eosin. Chosen to look like a scanned section, between the vectors in
# common use; not measured.
REFERENCE = np.array([[0.62, 0.70, 0.36], [0.13, 0.88, 0.46], [0.09, 0.76, 0.64]])
GLASS = np.array([243.0, 243.0, 241.0])


def stain_matrix(scenario: Scenario) -> np.ndarray:
    """Optical density (natural logarithm) per unit of stain, (3 stains, RGB), rows of length 1.

    `stain_shift` moves the rows of haematoxylin and eosin in a seeded direction, about 0.08 at 1.
    """
    rng = scenario.rng("texture", 1)
    moved = REFERENCE.copy()
    moved[:2] += scenario.stain_shift * rng.normal(0, 0.045, size=(2, 3))
    moved = np.clip(moved, 0.02, None)
    return moved / np.linalg.norm(moved, axis=1, keepdims=True)


def to_rgb(amounts: np.ndarray, matrix: np.ndarray) -> np.ndarray:
    """Light that passes amounts of stain (..., 3): float32 RGB (..., 3), `GLASS` where none is.

    Beer–Lambert: I = I0 exp(−Σ amount × density).
    """
    density = amounts.astype(np.float32) @ matrix.astype(np.float32)
    return GLASS.astype(np.float32) * np.exp(-density)
