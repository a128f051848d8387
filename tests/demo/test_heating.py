"""Heat and thermal dose against closed forms."""

import numpy as np
import pytest
from scipy import integrate

from coreg.demo import heating
from coreg.demo.heating import DIFFUSIVITY_MM2_PER_S as ALPHA
from coreg.demo.heating import HEAT_CAPACITY_J_PER_MM3_K as CAPACITY
from coreg.demo.heating import HeatGrid


def analytic_rise(
    r: np.ndarray, time_s: float, on_s: float, sigma: np.ndarray, power_w: float, perfusion: float
) -> float:
    """Rise in an endless even medium heated by a Gaussian source, from the heat kernel (computed).

    Each moment's heat has spread into a Gaussian of variance sigma² + 2 α age and has been carried
    off by blood as exp(−w age).
    """

    def kernel(age: float) -> float:
        variance = sigma**2 + 2 * ALPHA * age
        shape = np.exp(-0.5 * np.sum(r**2 / variance)) / np.sqrt(np.prod(2 * np.pi * variance))
        return power_w / CAPACITY * np.exp(-perfusion * age) * shape

    return integrate.quad(kernel, max(time_s - on_s, 0.0), time_s)[0]


@pytest.mark.parametrize("perfusion", [0.0, 0.02])
def test_pennes_matches_the_heat_kernel_of_a_gaussian_source(perfusion: float) -> None:
    sigma, power = np.array([2.2, 1.5, 1.5]), 0.3
    grid = HeatGrid.around((0.0, 0.0, 0.0), (14.0, 12.0, 12.0), 0.5)
    source = heating.gaussian_source(grid, (0.0, 0.0, 0.0), tuple(sigma), power)
    times = np.array([20.0, 35.0])
    peaks = []
    for time in times:
        found = heating.heat(
            grid,
            source,
            np.full(grid.shape, perfusion),
            20.0,
            np.array([time]),
            shutdown=False,
        )
        for r in ((0.0, 0.0, 0.0), (3.0, 0.0, 0.0), (0.0, 2.0, 2.0), (0.0, 5.0, 0.0)):
            want = analytic_rise(np.array(r), time, 20.0, sigma, power, perfusion)
            got = grid.sample(found.last_c, np.array([r]), heating.BODY_C)[0] - heating.BODY_C
            peaks.append((got - want) / analytic_rise(np.zeros(3), 20, 20, sigma, power, perfusion))
    assert np.abs(peaks).max() < 0.01


def test_source_sums_to_its_power() -> None:
    grid = HeatGrid.around((20.0, 5.0, 0.0), (14.0, 9.0, 9.0), 0.5)
    source = heating.gaussian_source(grid, (20.0, 5.0, 0.0), (2.2, 1.2, 1.2), 0.8)
    assert source.sum() * 0.5**3 == pytest.approx(0.8, rel=1e-6)


@pytest.mark.parametrize(
    ("temperature", "seconds"),
    [(43.0, 14400.0), (47.0, 900.0), (55.0, 3.515625), (57.0, 0.87890625), (42.0, 57600.0)],
)
def test_time_to_240_equivalent_minutes(temperature: float, seconds: float) -> None:
    """R^(43 − T) with R 0.5 above 43 °C and 0.25 below: Sapareto & Dewey 1984 (from memory); the
    times are computed."""
    rate = heating.dose_rate(np.array(temperature))
    assert 240.0 / rate * 60 == pytest.approx(seconds)


def test_dose_of_a_ramp() -> None:
    """37 to 57 °C in 10 s: closed form of the integral on either side of 43 °C (computed)."""
    step = 1e-3
    temperature = 37 + 2 * (np.arange(10_000) + 0.5) * step
    want = ((1 - 4.0**-6) / (2 * np.log(4)) + (2.0**14 - 1) / (2 * np.log(2))) / 60
    assert heating.cem43(temperature[:, None], step)[0] == pytest.approx(want, rel=1e-4)


def test_dead_tissue_is_not_cooled_by_blood() -> None:
    grid = HeatGrid.around((0.0, 0.0, 0.0), (10.0, 8.0, 8.0), 0.8)
    source = heating.gaussian_source(grid, (0.0, 0.0, 0.0), (2.0, 1.5, 1.5), 1.0)
    flow, end = np.full(grid.shape, 0.03), np.array([60.0])
    open_, shut = (heating.heat(grid, source, flow, 60.0, end, shutdown=s) for s in (False, True))
    assert (shut.log_dose >= open_.log_dose - 1e-6).all()
    assert (shut.log_dose > open_.log_dose + 0.3).any()


def test_nothing_passes_boiling() -> None:
    grid = HeatGrid.around((0.0, 0.0, 0.0), (8.0, 8.0, 8.0), 1.0)
    source = heating.gaussian_source(grid, (0.0, 0.0, 0.0), (1.5, 1.5, 1.5), 5.0)
    found = heating.heat(grid, source, np.zeros(grid.shape), 30.0, np.array([30.0]))
    assert found.peak_c.max() == pytest.approx(heating.BOILING_C)
