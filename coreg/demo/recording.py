"""The oscillating displacement that the tracking sees over the treatment.

Amplitude is the force of the modulated beam over the tissue's stiffness: coagulation stiffens, so
the amplitude falls. Softer tissue moves more and ablation makes the change negative: common
practice, no source.
"""

from __future__ import annotations

import numpy as np
from scipy import ndimage, special

from coreg.demo.anatomy import Levels
from coreg.demo.heating import ABLATED_CEM43_MIN
from coreg.demo.scenario import Scenario
from coreg.demo.ultrasound import shadow_loss_db
from coreg.geometry import Grid

SOUND_SPEED_MM_PER_US = 1.54
CENTRE_MHZ, BANDWIDTH, WINDOW_US = 7.8, 0.6, 1.5
SHEAR_SPEED_MM_PER_S = 2500.0
GAIN_SD, GAIN_PATCH_MM = 0.06, 0.6


def plane_grid(scenario: Scenario) -> Grid:
    """The pixels of the recording: depth from 0, lateral centred on 0."""
    rows, columns = scenario.plane_shape
    spacing = (scenario.depth_mm / rows, scenario.lateral_mm / columns)
    return Grid(
        scenario.plane_shape, spacing, (spacing[0] / 2, -scenario.lateral_mm / 2 + spacing[1] / 2)
    )


def coagulated_fraction(log_dose: np.ndarray, sensitivity: np.ndarray) -> np.ndarray:
    """Share of coagulated protein, 0 to 1: half at 240 min of dose times the tissue's sensitivity.

    Falls from 0.9 to 0.1 over about two thirds of a decade of dose (invented).
    """
    excess = log_dose + sensitivity - np.log10(ABLATED_CEM43_MIN)
    return special.expit(excess / 0.15)


def native_stiffness(levels: Levels, scenario: Scenario) -> np.ndarray:
    """Stiffness against kidney cortex, (n,); smooth over a quarter of a millimetre."""

    def inside(level: np.ndarray) -> np.ndarray:
        return special.expit(level / 0.1)

    stiffness = 1.3 - 0.3 * inside(levels.kidney)
    stiffness += (0.85 - stiffness) * inside(levels.medulla)
    stiffness += (0.7 - stiffness) * inside(levels.sinus)
    return stiffness + (scenario.tumour_stiffness - stiffness) * inside(levels.tumour)


def force(scenario: Scenario, grid: Grid) -> np.ndarray:
    """Relative force of the modulated beam: a broad Gaussian about the focus, 1 there."""
    depth, lateral = scenario.focus_mm
    across = ((grid.columns - lateral) / 9.0) ** 2
    along = ((grid.rows - depth) / 12.0) ** 2
    return np.exp(-0.5 * (along[:, None] + across[None, :]))


def amplitude(
    scenario: Scenario, grid: Grid, stiffness: np.ndarray, fraction: np.ndarray
) -> np.ndarray:
    """Peak-to-peak amplitude in µm as the tracking sees it, (times, rows, columns).

    Parameters
    ----------
    stiffness : (rows, columns) before treatment, against kidney
    fraction : (times, rows, columns) coagulated
    """
    now = stiffness * (1 + (scenario.stiffness_ratio - 1) * fraction)
    moved = scenario.peak_amplitude_um * force(scenario, grid) / now
    sigma = np.asarray(scenario.tracking_fwhm_mm) / 2.3548 / grid.spacing
    return ndimage.gaussian_filter(moved, (0, *sigma), mode="nearest").astype(np.float32)


def correlation(scenario: Scenario, grid: Grid, levels: Levels) -> np.ndarray:
    """Correlation of successive echoes, (rows, columns) float32 in 0–1.

    Falls with depth (signal to noise), in flowing blood, behind the rib and in random patches.
    """
    rng = scenario.rng("recording")
    rho = 0.9995 - 0.0012 * (grid.rows[:, None] / scenario.depth_mm) ** 2 + np.zeros(grid.shape)
    rows, columns = grid.rows[:, None], grid.columns[None, :]
    loss = shadow_loss_db(scenario, grid) / 24.0
    focus = np.asarray(scenario.focus_mm)
    for _ in range(scenario.decorrelated_regions):
        # Patches of motion out of the plane; the treated region itself stays judgeable.
        away = rng.uniform(0, 2 * np.pi)
        centre = focus + rng.uniform(8, 13) * np.array([np.sin(away), np.cos(away)])
        radii = rng.uniform(0.8, 2.5, size=2)
        q = ((rows - centre[0]) / radii[0]) ** 2 + ((columns - centre[1]) / radii[1]) ** 2
        loss = np.maximum(loss, special.expit((1 - q) / 0.15))
    blood = special.expit(levels.vessel.reshape(grid.shape) / 0.08)
    loss = np.maximum(loss, 0.9 * blood)
    return np.clip(rho - 0.55 * loss, 0.0, 1.0).astype(np.float32)


def jitter_um(rho: np.ndarray, snr: np.ndarray) -> np.ndarray:
    """Standard deviation in µm of one displacement estimate.

    The bound on time-delay jitter of Walker & Trahey, IEEE UFFC 1995;42:301-308 (formula from
    memory): correlation `rho`, amplitude ratio `snr`, band and window of the invented system.
    """
    f, b = CENTRE_MHZ, BANDWIDTH
    factor = 3 / (2 * f**3 * np.pi**2 * WINDOW_US * (b**3 + 12 * b))
    variance = factor * ((1 + 1 / np.square(snr)) ** 2 / np.square(np.maximum(rho, 0.05)) - 1)
    return np.sqrt(variance) * SOUND_SPEED_MM_PER_US / 2 * 1e3


def record(scenario: Scenario, grid: Grid, amplitude_um: np.ndarray, rho: np.ndarray) -> np.ndarray:
    """The displacement recording, float32 (times, frames, rows, columns) in µm.

    A sine at the modulation frequency whose phase lags with distance from the focus, a slow drift
    from breathing, tracking noise that grows with depth and with lost correlation, a gain that
    differs a little from place to place at every treatment time (echoes and push are never quite
    the same twice), and in badly decorrelated places now and then a jump to the next wave.
    """
    rng = scenario.rng("recording")
    depth, lateral = scenario.focus_mm
    away = np.hypot(grid.rows[:, None] - depth, grid.columns[None, :] - lateral)
    lag = 2 * np.pi * scenario.modulation_frequency_hz * away / SHEAR_SPEED_MM_PER_S
    time = np.arange(scenario.frames) / scenario.frame_rate_hz
    phase = 2 * np.pi * scenario.modulation_frequency_hz * time
    snr = 10 ** ((28.0 - 0.45 * grid.rows[:, None]) / 20)
    sd = (scenario.noise * jitter_um(rho, snr)).astype(np.float32)
    patch = GAIN_PATCH_MM / np.asarray(grid.spacing)
    smooth = 0.7  # neighbouring estimates share part of their window
    impulse = np.zeros((9, 9))
    impulse[4, 4] = 1
    gain = 1 / np.sqrt(np.square(ndimage.gaussian_filter(impulse, smooth, truncate=3)).sum())
    out = np.empty((len(amplitude_um), scenario.frames, *grid.shape), dtype=np.float32)
    cosine, sine = np.cos(lag).astype(np.float32), np.sin(lag).astype(np.float32)
    wave_um = SOUND_SPEED_MM_PER_US / 2 / CENTRE_MHZ * 1e3
    lost = np.argwhere(rho < 0.8)
    for k, peak_to_peak in enumerate(amplitude_um):
        start = rng.uniform(0, 2 * np.pi)
        drift = rng.normal(0, 6.0) * np.sin(2 * np.pi * 0.9 * time + rng.uniform(0, 6.28))
        uneven = ndimage.gaussian_filter(rng.standard_normal(grid.shape, dtype=np.float32), patch)
        gained = peak_to_peak * (1 + scenario.noise * GAIN_SD * uneven / uneven.std()) / 2
        in_phase, out_of_phase = gained * cosine, gained * sine
        for j in range(scenario.frames):
            frame = out[k, j]
            wave = np.float32(np.sin(phase[j] + start)), np.float32(np.cos(phase[j] + start))
            np.multiply(in_phase, wave[0], out=frame)
            frame -= out_of_phase * wave[1]
            frame += np.float32(drift[j] - drift[0])
            if scenario.noise > 0:
                noise = rng.standard_normal(grid.shape, dtype=np.float32)
                noise = ndimage.gaussian_filter(noise, smooth, truncate=3, mode="wrap")
                frame += noise * (sd * np.float32(gain))
        if scenario.noise > 0 and len(lost):
            jumps = lost[rng.random(len(lost)) < 0.3]
            frames = rng.integers(0, scenario.frames, size=len(jumps))
            signs = rng.choice([-1.0, 1.0], size=len(jumps))
            out[k, frames, jumps[:, 0], jumps[:, 1]] += (signs * wave_um).astype(np.float32)
    return out
