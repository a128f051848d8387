"""Several lesions in a plane: which predicted lesion belongs to which pathology lesion."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class LesionMatch:
    """Lesions matched one to one.

    pairs : (predicted number, pathology number, Dice) of each pair, numbers from 1 in reading order
    missed : pathology lesions without a partner
    false : predicted lesions without a partner
    """

    predicted_count: int
    pathology_count: int
    pairs: tuple[tuple[int, int, float], ...]
    missed: tuple[int, ...]
    false: tuple[int, ...]


def match_lesions(
    predicted: np.ndarray, pathology: np.ndarray, smallest_px: int = 1
) -> LesionMatch:
    """Match the pieces of two masks one to one.

    A lesion is a piece connected over edges or corners with at least `smallest_px` pixels. Pairs
    must overlap; of all pairings the one with the largest sum of Dice is taken (Hungarian
    algorithm), so a predicted lesion that covers two pathology lesions finds one and misses one.

    Parameters
    ----------
    predicted, pathology : (rows, columns) bool
    """
    from scipy.optimize import linear_sum_assignment

    first, first_sizes = _pieces(predicted, smallest_px)
    second, second_sizes = _pieces(pathology, smallest_px)
    n, m = len(first_sizes), len(second_sizes)
    both = (first > 0) & (second > 0)
    codes = (first[both].astype(np.int64) - 1) * max(m, 1) + second[both] - 1
    overlap = np.bincount(codes, minlength=n * m).reshape(n, m) if n and m else np.zeros((n, m))
    total = first_sizes[:, None] + second_sizes[None, :]
    dice = 2 * overlap / np.maximum(total, 1)
    rows, columns = linear_sum_assignment(dice, maximize=True)
    pairs = tuple(
        (int(i) + 1, int(j) + 1, float(dice[i, j]))
        for i, j in zip(rows, columns, strict=True)
        if overlap[i, j] > 0
    )
    found = {j for _, j, _ in pairs}
    used = {i for i, _, _ in pairs}
    return LesionMatch(
        n,
        m,
        pairs,
        missed=tuple(j for j in range(1, m + 1) if j not in found),
        false=tuple(i for i in range(1, n + 1) if i not in used),
    )


def _pieces(mask: np.ndarray, smallest_px: int) -> tuple[np.ndarray, np.ndarray]:
    """Numbered pieces of at least `smallest_px` pixels, and their sizes in pixels."""
    from scipy import ndimage

    labels, count = ndimage.label(mask, structure=np.ones((3, 3)))
    sizes = np.bincount(labels.ravel(), minlength=count + 1)[1:]
    keep = sizes >= smallest_px
    number = np.concatenate([[0], np.where(keep, np.cumsum(keep), 0)])
    return number[labels], sizes[keep]
