"""Facts of the trade and scores on the invented case, whose truth is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from coreg.demo import Scenario, simulate
from coreg.displacement import (
    LesionOptions,
    change_from_baseline,
    check_frequency,
    fit_oscillation,
    predict_lesion,
    quality_mask,
    repeatability,
)
from coreg.geometry import ZONES, Image, resample

SMALL = {"plane_shape": (100, 64), "frames": 60, "treatment_times": 4}


@pytest.fixture(scope="module")
def case():
    return simulate(Scenario(seed=3, **SMALL))


@pytest.fixture(scope="module")
def fit(case):
    scenario = case.scenario
    return fit_oscillation(
        case.displacement, scenario.frame_rate_hz, scenario.modulation_frequency_hz
    )


@pytest.fixture(scope="module")
def change(fit):
    return change_from_baseline(
        fit.amplitude[1:],
        fit.amplitude[0],
        error=fit.standard_error[1:],
        baseline_error=fit.standard_error[0],
    )


def near(case, radius):
    grid = case.plane
    depth, lateral = case.scenario.focus_mm
    return np.hypot(grid.rows[:, None] - depth, grid.columns[None, :] - lateral) < radius


def ablated(case):
    inside = (case.zones_plane == ZONES["ablated"]).astype(np.float32)
    return resample(Image(inside, case.zones_plane_grid), case.plane) > 0.5


def dice(a, b):
    return 2 * (a & b).sum() / (a.sum() + b.sum())


def test_amplitude_is_that_of_the_truth_within_error_and_repeatability(case, fit):
    """The generator's push differs by a few per cent between recordings; the rest is fit error."""
    from coreg.demo.recording import GAIN_SD

    strong = (case.correlation > 0.99) & (case.amplitude_truth.min(axis=0) > 5)
    gain = GAIN_SD * case.scenario.noise * case.amplitude_truth
    z = (fit.amplitude - case.amplitude_truth) / np.hypot(fit.standard_error, gain)
    assert strong.sum() > 500
    assert np.abs(np.median(z[:, strong])) < 0.15
    assert 0.85 < z[:, strong].std() < 1.15


def test_repeatability_of_the_demo_is_found_from_its_untreated_tissue(case, change):
    from coreg.demo.recording import GAIN_SD

    away = (case.correlation > 0.99) & ~near(case, 9.0)
    found = repeatability(change, away)
    assert found == pytest.approx(100 * GAIN_SD * case.scenario.noise, rel=0.25)


def test_the_recording_oscillates_as_stated(case):
    scenario = case.scenario
    assert check_frequency(
        case.displacement, scenario.frame_rate_hz, scenario.modulation_frequency_hz
    ).ok


def test_softer_tissue_moves_more():
    """Common practice, no source: at one force, softer tissue has the larger amplitude."""
    soft, stiff = (
        simulate(Scenario(seed=3, tumour_stiffness=s, noise=0.0, **SMALL)) for s in (1.2, 2.0)
    )
    at = near(soft, 2.0)
    amplitude = [
        fit_oscillation(c.displacement[:1], 1000.0, 50.0).amplitude[0][at].mean()
        for c in (soft, stiff)
    ]
    assert amplitude[0] / amplitude[1] == pytest.approx(2.0 / 1.2, rel=0.05)


def test_ablated_tissue_changes_downwards(case, change):
    """Common practice, no source: a reduction of the order of a half or more, never a rise."""
    core = ablated(case) & near(case, 2.0)
    assert core.sum() > 10
    assert np.median(change.last().percent[core]) < -50
    assert (change.last().percent[core] < 0).mean() > 0.99


def test_the_decrease_spreads_beyond_a_fixed_focus(case, change):
    """Common practice, no source: heat diffuses, so the region with a decrease grows outwards."""
    grid = case.plane
    areas = [predict_lesion(change.at(i), LesionOptions(), grid=grid).area for i in range(3)]
    assert areas[0] < areas[-1]
    lesion = predict_lesion(change, LesionOptions(), grid=grid).mask
    # The beam's Gaussian focus has sigma 2.2 x 1.2 mm: beyond its half-maximum contour lies damage.
    depth, lateral = case.scenario.focus_mm
    sigma = case.scenario.beam_sigma_mm
    beam = (
        ((grid.rows[:, None] - depth) / sigma[0]) ** 2
        + ((grid.columns[None, :] - lateral) / sigma[1]) ** 2
    ) < 2 * np.log(2)
    assert (lesion & ~beam).sum() > 0.3 * lesion.sum()


def test_change_is_found_in_an_already_stiff_tumour():
    """Common practice, no source: low baseline amplitude, and still a change that is found."""
    stiff = simulate(Scenario(seed=4, tumour_stiffness=8.0, **SMALL))
    fit = fit_oscillation(stiff.displacement[[0, -1]], 1000.0, 50.0)
    change = change_from_baseline(
        fit.amplitude[1],
        fit.amplitude[0],
        error=fit.standard_error[1],
        baseline_error=fit.standard_error[0],
    )
    at = near(stiff, 1.5)
    assert change.baseline[at].mean() < 8
    options = LesionOptions(focus=stiff.scenario.focus_mm, connected_to_focus=True)
    lesion = predict_lesion(change, options, grid=stiff.plane)
    assert dice(lesion.mask, ablated(stiff)) > 0.85


def test_decorrelated_patches_are_masked_and_the_lesion_is_not(case, fit):
    found = quality_mask(
        fit.amplitude,
        grid=case.plane,
        error=fit.standard_error,
        baseline=fit.amplitude[0],
        correlation=case.correlation,
    )
    assert not found.mask[case.correlation < 0.75].any()
    assert found.mask[near(case, 3.0)].mean() > 0.99


@pytest.mark.parametrize("rule", ["threshold", "otsu", "half-way", "growing"])
@pytest.mark.parametrize(("noise", "bar"), [(1.0, 0.9), (2.0, 0.88)])
def test_each_rule_scores_on_the_demo(case, rule, noise, bar):
    from coreg.demo.recording import record

    scenario = replace(case.scenario, noise=noise)
    data = record(scenario, case.plane, case.amplitude_truth[[0, -1]], case.correlation)
    fit = fit_oscillation(data, scenario.frame_rate_hz, scenario.modulation_frequency_hz)
    change = change_from_baseline(
        fit.amplitude[1],
        fit.amplitude[0],
        error=fit.standard_error[1],
        baseline_error=fit.standard_error[0],
    )
    options = LesionOptions(rule=rule, focus=scenario.focus_mm, connected_to_focus=True)
    lesion = predict_lesion(change, options, grid=case.plane)
    assert dice(lesion.mask, ablated(case)) > bar


def test_an_untreated_animal_has_no_lesion():
    plain = simulate(Scenario(seed=5, treated=False, decorrelated_regions=0, shadow=False, **SMALL))
    fit = fit_oscillation(plain.displacement[[0, -1]], 1000.0, 50.0)
    change = change_from_baseline(
        fit.amplitude[1],
        fit.amplitude[0],
        error=fit.standard_error[1],
        baseline_error=fit.standard_error[0],
    )
    for rule in ("threshold", "otsu", "half-way", "growing"):
        options = LesionOptions(
            rule=rule, focus=plain.scenario.focus_mm, connected_to_focus=True, standard_errors=2.0
        )
        lesion = predict_lesion(change, options, grid=plain.plane)
        assert not lesion.mask.any(), rule
        assert lesion.reason
