"""Ways to look at the section on the plane: pure functions from RGB to RGBA."""

from __future__ import annotations

import numpy as np

from coreg.errors import InputError

MODES = ("opacity", "checkerboard", "swipe", "contours only")


def compared(rgb: np.ndarray, mode: str, value: float = 0.5, square_px: int = 40) -> np.ndarray:
    """The section as it is laid over the plane.

    Parameters
    ----------
    rgb : (rows, columns, 3), uint8, or float with NaN outside the slide
    mode : "opacity" shows all, with `value` as opacity; "checkerboard" every other square; "swipe"
        what lies left of `value` of the width; "contours only" nothing
    value : 0–1
    square_px : side of the checkerboard's squares

    Returns
    -------
    uint8 (rows, columns, 4): transparent where nothing is shown, and outside the slide.
    """
    inside = np.isfinite(rgb).all(axis=2)
    shown = np.where(inside[..., None], rgb, 0).astype(np.uint8)
    rows, columns = inside.shape
    strength = 1.0
    if mode == "opacity":
        show, strength = inside, min(max(value, 0.0), 1.0)
    elif mode == "checkerboard":
        parity = np.add.outer(np.arange(rows) // square_px, np.arange(columns) // square_px) % 2
        show = inside & (parity == 0)
    elif mode == "swipe":
        show = inside & (np.arange(columns) < value * columns)[None, :]
    elif mode == "contours only":
        show = np.zeros_like(inside)
    else:
        raise InputError(f"Unknown comparison {mode!r}; choose one of {', '.join(MODES)}.")
    alpha = np.where(show, round(255 * strength), 0).astype(np.uint8)
    return np.dstack([shown, alpha])
