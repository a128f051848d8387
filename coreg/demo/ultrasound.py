"""B-mode of the imaging plane: fully developed speckle from a point-spread function."""

from __future__ import annotations

import numpy as np
from scipy import ndimage, special

from coreg.demo.anatomy import Anatomy, Levels
from coreg.demo.scenario import Scenario
from coreg.geometry import Grid, Image

BMODE_SPACING_MM = (0.1, 0.15)
DYNAMIC_RANGE_DB = 60.0
# Standard deviations in mm of the point-spread function's amplitude: along depth, across it at
# the probe's own focus, and through the slice.
AXIAL_MM, LATERAL_MM, SLICE_MM = 0.13, 0.28, 0.6
PROBE_FOCUS_MM = 22.0


def plane_points(grid: Grid, elevation_mm: float = 0.0) -> np.ndarray:
    """The 3-D points (n, 3) of a plane grid's pixels."""
    centres = grid.centres()
    return np.column_stack([centres, np.full(len(centres), elevation_mm)])


def speckle_envelope(
    echogenicity_db: np.ndarray, grid: Grid, rng: np.random.Generator
) -> np.ndarray:
    """Envelope of the echoes of very many scatterers.

    Each pixel holds a complex circular Gaussian sum of scatterers whose power is the echogenicity,
    convolved with a Gaussian point-spread function that widens laterally away from the probe's
    focus. The result is fully developed speckle: where the echogenicity is even, the envelope is
    Rayleigh distributed.

    Parameters
    ----------
    echogenicity_db : (rows, columns) mean backscatter in dB
    grid : its pixels

    Returns
    -------
    (rows, columns) float64, mean square 1 where the echogenicity is 0 dB
    """
    scatter = rng.standard_normal((2, *grid.shape))
    field = (scatter[0] + 1j * scatter[1]) / np.sqrt(2) * 10 ** (np.asarray(echogenicity_db) / 20)
    sigma = AXIAL_MM / grid.spacing[0]
    field = ndimage.gaussian_filter1d(field, sigma, axis=0, mode="reflect")
    wide = LATERAL_MM * np.sqrt(1 + ((grid.rows - PROBE_FOCUS_MM) / 14.0) ** 2)
    frequency = np.fft.fftfreq(grid.shape[1], grid.spacing[1])
    response = np.exp(-0.5 * (2 * np.pi * frequency * wide[:, None]) ** 2)
    field = np.fft.ifft(np.fft.fft(field, axis=1) * response, axis=1)
    impulse = np.zeros(8 * int(np.ceil(sigma)) + 1)
    impulse[len(impulse) // 2] = 1.0
    axial_power = np.square(ndimage.gaussian_filter1d(impulse, sigma)).sum()
    power = axial_power * np.square(response).mean(axis=1, keepdims=True)
    return np.abs(field) / np.sqrt(power)


def echogenicity(levels: Levels, points: np.ndarray, anatomy: Anatomy) -> np.ndarray:
    """Mean backscatter in dB of each point; the levels between tissues are invented."""
    db = np.full(len(points), -14.0)  # muscle and fat around the kidney
    db += 3.0 * np.sin(points[:, 0] * 1.9 + 0.25 * points[:, 1])  # layers of the body wall
    db = np.where(levels.kidney > 0, -21.0, db)
    db = np.where(levels.medulla > 0, -28.0, db)
    db = np.where(levels.papilla > 0, -25.0, db)
    db = np.where(levels.sinus > 0, -6.0, db)
    db = np.where(levels.tumour > 0, -24.5 + 2.0 * np.sin(points.sum(axis=1)), db)
    db = np.where(levels.vessel > 0, -52.0, db)
    wall = np.abs(levels.vessel) < 0.1
    db = np.where(wall, -17.0, db)
    # The capsule shines where the beam meets it at a right angle.
    capsule = np.exp(-0.5 * (levels.tissue / 0.16) ** 2)
    slope = points[:, 0] - anatomy.kidney_centre[0]
    facing = 0.35 + 0.65 * np.abs(slope) / (1 + np.abs(slope))
    db += 18.0 * capsule * facing
    skin = np.exp(-0.5 * ((points[:, 0] - 1.2) / 0.5) ** 2)
    return db + 14.0 * skin


def shadow_loss_db(scenario: Scenario, grid: Grid) -> np.ndarray:
    """Two-way loss in dB behind a rib near the probe, (rows, columns); 0 without a shadow."""
    if not scenario.shadow:
        return np.zeros(grid.shape)
    rng = scenario.rng("bmode")
    # On the side of the upper pole, so that the treated region stays visible.
    centre = rng.uniform(-0.36, -0.2) * scenario.lateral_mm
    half = rng.uniform(1.2, 2.2)
    rows, columns = grid.rows[:, None], grid.columns[None, :]
    across = (half - np.abs(columns - centre)) / 0.5
    below = (rows - rng.uniform(4, 7)) / 0.8
    return 24.0 * special.expit(across) * special.expit(below)


def bmode(scenario: Scenario, anatomy: Anatomy) -> Image:
    """B-mode of the imaging plane in dB below the brightest echo, float32 in [-60, 0]."""
    rows = round(scenario.depth_mm / BMODE_SPACING_MM[0])
    columns = round(scenario.lateral_mm / BMODE_SPACING_MM[1])
    spacing = (scenario.depth_mm / rows, scenario.lateral_mm / columns)
    grid = Grid(
        (rows, columns), spacing, (spacing[0] / 2, -scenario.lateral_mm / 2 + spacing[1] / 2)
    )
    power = np.zeros(len(grid.centres()))
    for elevation, weight in ((-SLICE_MM, 0.25), (0.0, 0.5), (SLICE_MM, 0.25)):
        points = plane_points(grid, elevation)
        db = echogenicity(anatomy.levels(points), points, anatomy)
        power += weight * 10 ** (db / 10)
    db = 10 * np.log10(power).reshape(grid.shape)
    db -= 0.12 * np.abs(grid.rows - PROBE_FOCUS_MM)[:, None]  # gain that follows depth imperfectly
    db -= shadow_loss_db(scenario, grid)
    rng = scenario.rng("bmode")
    envelope = speckle_envelope(db, grid, rng)
    noise = 10 ** ((-58.0 + 0.35 * grid.rows[:, None]) / 20)
    electronic = rng.standard_normal((2, *grid.shape)) / np.sqrt(2)
    envelope = np.hypot(envelope + noise * electronic[0], noise * electronic[1])
    brightest = np.quantile(envelope, 0.999)
    decibel = 20 * np.log10(np.maximum(envelope / brightest, 1e-6))
    return Image(np.clip(decibel, -DYNAMIC_RANGE_DB, 0).astype(np.float32), grid)
