"""What the tracking sees."""

import numpy as np
import pytest

from coreg.demo import Scenario, recording, simulate
from coreg.geometry import ZONES, Image, resample


def fitted(scenario: Scenario, frames: np.ndarray) -> np.ndarray:
    """Peak-to-peak amplitude by least squares of a sine and a parabola, (times, depth, lateral)."""
    time = np.arange(scenario.frames) / scenario.frame_rate_hz
    phase = 2 * np.pi * scenario.modulation_frequency_hz * time
    centred = time / time.max() - 0.5
    model = np.stack([np.cos(phase), np.sin(phase), centred**0, centred, centred**2], axis=1)
    flat = np.moveaxis(frames, 1, 0).reshape(scenario.frames, -1).astype(float)
    found = np.linalg.lstsq(model, flat, rcond=None)[0]
    return 2 * np.hypot(found[0], found[1]).reshape(len(frames), *frames.shape[2:])


def test_noise_free_recording_gives_back_the_true_amplitude() -> None:
    scenario = Scenario(seed=2, noise=0.0, plane_shape=(80, 60), treatment_times=3)
    simulated = simulate(scenario)
    found = fitted(scenario, simulated.displacement)
    assert np.abs(found - simulated.amplitude_truth).max() < 0.02


def test_coagulation_lowers_the_amplitude_by_half_or_more() -> None:
    """A fall of the order of a half or more: common practice, no source."""
    simulated = simulate(Scenario(seed=2))
    zone = resample(
        Image(simulated.zones_plane, simulated.zones_plane_grid), simulated.plane, order=0
    )
    change = simulated.change_truth
    core = zone == ZONES["ablated"]
    assert np.median(change[core]) < -55
    assert change[core].max() < -15  # the tracking's point spread blurs the edge
    assert np.abs(change[(zone == ZONES["viable"])]).max() < 20
    assert np.median(np.abs(change[zone == ZONES["viable"]])) < 0.1


def test_the_change_grows_over_the_treatment() -> None:
    simulated = simulate(Scenario(seed=2))
    relative = simulated.amplitude_truth / simulated.amplitude_truth[0] - 1
    areas = (relative <= -0.4).sum(axis=(1, 2)) * simulated.plane.pixel_area
    assert areas[0] == 0
    assert (np.diff(areas) >= 0).all()
    # Heat diffuses: the lesion ends wider than the focus itself and grows late.
    assert areas[-1] > areas[2] * 1.2


def test_stiffer_tissue_moves_less() -> None:
    soft, hard = (simulate(Scenario(tumour_stiffness=s, treated=False)) for s in (1.0, 2.0))
    at = soft.plane.to_index(soft.scenario.focus_mm)[0].round().astype(int)
    ratio = hard.amplitude_truth[0][tuple(at)] / soft.amplitude_truth[0][tuple(at)]
    assert ratio == pytest.approx(0.5, abs=0.01)


def test_noise_grows_with_depth_and_with_lost_correlation() -> None:
    scenario = Scenario(seed=6, decorrelated_regions=0, shadow=False)
    simulated = simulate(scenario)
    clean = simulate(Scenario(seed=6, decorrelated_regions=0, shadow=False, noise=0.0))
    frames = simulated.displacement[0].astype(float)
    steps = np.diff(frames, axis=0) - np.diff(clean.displacement[0].astype(float), axis=0)
    noise = np.median(np.abs(steps), axis=0)
    rows = simulated.plane.rows
    edge = np.abs(simulated.plane.columns - scenario.focus_mm[1]) > 14  # little push, little gain
    shallow, deep = noise[rows < 8][:, edge], noise[rows > 32][:, edge]
    assert np.median(deep) > 1.3 * np.median(shallow)
    assert recording.jitter_um(np.array(0.95), np.array(20.0)) > 3 * recording.jitter_um(
        np.array(0.9995), np.array(20.0)
    )


def test_jitter_without_decorrelation_is_the_flat_band_bound() -> None:
    """For correlation 1 the formula reduces to 3/(8π²T)·(1+2S)/S²/(f2³−f1³) (from memory)."""
    f, b, window = recording.CENTRE_MHZ, recording.BANDWIDTH, recording.WINDOW_US
    s = 10.0 ** (30 / 10)
    cubes = (f * (1 + b / 2)) ** 3 - (f * (1 - b / 2)) ** 3
    delay_us = np.sqrt(3 / (8 * np.pi**2 * window) * (1 + 2 * s) / s**2 / cubes)
    got = recording.jitter_um(np.array(1.0), np.array(np.sqrt(s)))
    assert got == pytest.approx(delay_us * recording.SOUND_SPEED_MM_PER_US / 2 * 1000, rel=1e-6)


def test_untreated_animal_does_not_change() -> None:
    simulated = simulate(Scenario(treated=False))
    assert np.array_equal(simulated.amplitude_truth[0], simulated.amplitude_truth[-1])
    assert set(np.unique(simulated.zones_plane)) == {0, ZONES["viable"], ZONES["tumour"]}
    assert np.isnan(simulated.truth_agreement()["ablated"]["dice"])
