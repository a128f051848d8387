"""A lesion that grows over treatment, shared by tests."""

from __future__ import annotations

import numpy as np

from coreg.displacement import change_from_baseline
from coreg.geometry import Grid, Outline

GRID = Grid((60, 50), (0.3, 0.3), (0.0, -7.5))
CENTRE = (9.0, 0.0)


def growing_lesion(times, onset=20.0, noise=0.2, seed=0):
    """A disc that starts at the onset and grows as the square root of time."""
    rng = np.random.default_rng(seed)
    distance = np.hypot(GRID.rows[:, None] - CENTRE[0], GRID.columns[None, :] - CENTRE[1])
    maps = []
    for t in times:
        radius = 0.6 * np.sqrt(max(0.0, t - onset)) if t > onset else -5.0
        maps.append(20 * (1 - 0.6 / (1 + np.exp((distance - radius) / 0.3))))
    maps = np.array(maps)
    change = change_from_baseline(
        maps + rng.normal(0, noise, maps.shape),
        np.full((3, *GRID.shape), 20.0),
    )
    return change


def circle(radius):
    angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    return Outline(
        np.stack([CENTRE[0] + radius * np.cos(angle), radius * np.sin(angle)], 1), "plane"
    )
