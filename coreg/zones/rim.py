"""How far the diffusion-damaged rim reaches from the core, direction by direction.

Heat falls off with the distance from the core, so a cell's distance says much of what its look
leaves open. The rim ends where the evidence turns: going outwards, the sum of the log-odds of rim
against the rest is largest there.
"""

from __future__ import annotations

import numpy as np

from coreg.geometry import Grid

SECTORS = 24
# Neighbouring cells look alike, so this many count as one.
_ALIKE = 12.0
_WIDTH_SD_MM = 0.15


def distance_from(mask: np.ndarray, grid: Grid) -> np.ndarray:
    """Distance in mm from the edge of a mask (rows, columns), negative inside."""
    from scipy import ndimage

    outside = ndimage.distance_transform_edt(~mask, sampling=grid.spacing)
    inside = ndimage.distance_transform_edt(mask, sampling=grid.spacing)
    half = float(np.mean(grid.spacing)) / 2
    return np.where(mask, half - inside, outside - half)


def sector_of(core: np.ndarray) -> np.ndarray:
    """The direction of every cell from the core's centre, float (rows, columns) in sectors."""
    centre = np.argwhere(core).mean(axis=0)
    rows, columns = np.ogrid[: core.shape[0], : core.shape[1]]
    angle = np.arctan2(rows - centre[0], columns - centre[1])
    return (angle / (2 * np.pi) % 1.0) * SECTORS


def rim_width(
    log_odds: np.ndarray, distance: np.ndarray, sector: np.ndarray, reach_mm: float
) -> np.ndarray:
    """Width of the rim in mm in every sector, float64 (SECTORS,).

    Parameters
    ----------
    log_odds : (n,), of the cells' look under the rim against that under what lies beyond
    distance : (n,) mm from the core's edge
    sector : (n,), from `sector_of`
    reach_mm : the rim is not wider than this

    Sectors share their evidence with their neighbours, and keep to the width that explains all
    best unless their own evidence is strong.
    """
    from scipy import ndimage

    edges = np.arange(0.0, reach_mm + 0.025, 0.025)
    used = (distance > 0) & (distance < reach_mm)
    place = np.digitize(distance[used], edges) - 1
    whole = sector[used].astype(int) % SECTORS
    evidence = np.zeros((SECTORS, len(edges)))
    np.add.at(evidence, (whole, place), np.clip(log_odds[used], -6, 6) / _ALIKE)
    gain = np.cumsum(evidence, axis=1)
    together = edges[int(np.argmax(gain.sum(axis=0)))] + 0.025
    gain = ndimage.gaussian_filter1d(gain, 1.0, axis=0, mode="wrap")
    gain = gain - 0.5 * ((edges + 0.025 - together) / _WIDTH_SD_MM) ** 2
    width = edges[np.argmax(gain, axis=1)] + 0.025
    return ndimage.gaussian_filter1d(width, 0.8, mode="wrap")


def zone_prior(
    distance: np.ndarray, width: np.ndarray | float, softness_mm: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """How likely a cell is beyond the rim, in the rim and in the core, from its distance alone."""
    beyond = 1 / (1 + np.exp(-np.clip((distance - width) / softness_mm, -40, 40)))
    inside = 1 / (1 + np.exp(np.clip(distance / 0.06, -40, 40)))
    return beyond, (1 - beyond) * (1 - inside), (1 - beyond) * inside


def at_sector(width: np.ndarray, sector: np.ndarray) -> np.ndarray:
    """The width at any direction, linear between the sectors' centres."""
    below = np.floor(sector - 0.5)
    share = sector - 0.5 - below
    first = below.astype(int) % SECTORS
    return width[first] * (1 - share) + width[(first + 1) % SECTORS] * share
