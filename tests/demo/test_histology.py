"""The painted section."""

import numpy as np
import pytest

from coreg.demo import Scenario, simulate
from coreg.demo.simulated import Simulated
from coreg.demo.stains import GLASS, stain_matrix
from coreg.geometry import ZONES, Image, resample


@pytest.fixture(scope="module")
def simulated() -> Simulated:
    return simulate(Scenario(seed=0, power_w=1.15, offset_mm=0.0))


@pytest.fixture(scope="module")
def picture(simulated: Simulated) -> Image:
    return simulated.section_image(20.0)


def test_tiles_painted_apart_have_the_bytes_of_the_whole(
    simulated: Simulated, picture: Image
) -> None:
    grid = picture.grid
    for start, shape in (((0, 0), (100, 130)), ((211, 307), (97, 201)), ((400, 600), (64, 64))):
        part = simulated.renderer.region(grid, start, shape)
        whole = picture.data[start[0] : start[0] + shape[0], start[1] : start[1] + shape[1]]
        assert np.array_equal(part, whole)


def test_glass_is_white_and_tissue_lies_where_the_truth_has_it(
    simulated: Simulated, picture: Image
) -> None:
    labels = resample(
        Image(simulated.zones_slide, simulated.zones_slide_grid), picture.grid, order=0
    )
    assert np.abs(picture.data[labels == 0][:2000].astype(float).mean(axis=0) - GLASS).max() < 2
    stained = picture.data.min(axis=2) < 215
    solid = (labels > 0) & (labels != ZONES["artefact"])
    assert stained[solid].mean() > 0.85  # sinus fat and vacuoles are empty
    assert stained[labels == 0].mean() < 0.02
    assert stained[labels == ZONES["artefact"]].mean() < 0.35


def test_unmixing_gives_back_the_stains_that_were_laid(simulated: Simulated) -> None:
    """Beer–Lambert inverted with the scenario's own densities, at cells' size."""
    grid = simulated.zones_slide_grid.with_spacing(0.002)
    at = grid.to_index(simulated.truth.to_slide(simulated.scenario.focus_mm))[0].astype(int)
    rgb = simulated.renderer.region(grid, (int(at[0]), int(at[1]) + 1900), (200, 200))
    density = -np.log(np.maximum(rgb, 1) / GLASS)
    amounts = density.reshape(-1, 3) @ np.linalg.inv(stain_matrix(simulated.scenario))
    haematoxylin, eosin, red = amounts.T
    # Nuclei of the tumour are laid at 1.45 × 0.75–1.1 above 0.16, its cell bodies at about 0.3.
    assert np.quantile(haematoxylin, 0.98) == pytest.approx(1.5, abs=0.35)
    assert np.quantile(haematoxylin, 0.05) == pytest.approx(0.15, abs=0.15)
    assert 0.15 < np.median(eosin) < 0.5
    assert np.quantile(np.abs(red), 0.5) < 0.08


def test_mean_colour_does_not_depend_on_the_pixel_size(simulated: Simulated) -> None:
    at = simulated.truth.to_slide(np.add(simulated.scenario.focus_mm, (0.0, 4.8)))[0]
    means = []
    for um, n in ((2.0, 512), (8.0, 128), (16.0, 64)):
        grid = simulated.zones_slide_grid.with_spacing(um / 1000)
        first = grid.to_index(at)[0].astype(int) - n // 2
        part = simulated.renderer.region(grid, (int(first[0]), int(first[1])), (n, n))
        means.append(-np.log(part.astype(float).mean(axis=(0, 1)) / 243))
    assert np.ptp(np.array(means), axis=0).max() < 0.12


def test_no_single_colour_threshold_gives_the_core(simulated: Simulated, picture: Image) -> None:
    """The best threshold on any channel, either side, within the tissue."""
    labels = resample(
        Image(simulated.zones_slide, simulated.zones_slide_grid), picture.grid, order=0
    )
    inside = labels > 0
    core = labels[inside] == ZONES["ablated"]
    density = -np.log(np.maximum(picture.data[inside], 1) / GLASS)
    unmixed = density @ np.linalg.inv(stain_matrix(simulated.scenario))
    best = 0.0
    for values in np.concatenate([density, unmixed], axis=1).T:
        for threshold in np.quantile(values, np.linspace(0.02, 0.98, 49)):
            for chosen in (values > threshold, values <= threshold):
                best = max(best, 2 * (chosen & core).sum() / (chosen.sum() + core.sum()))
    assert best < 0.6


def test_the_boiled_centre_is_full_of_holes(simulated: Simulated) -> None:
    assert simulated.animal.heating is not None
    assert simulated.animal.heating.peak_c.max() > 95
    grid = simulated.zones_slide_grid.with_spacing(0.004)
    at = grid.to_index(simulated.truth.to_slide(simulated.scenario.focus_mm))[0].astype(int)
    part = simulated.renderer.region(grid, (int(at[0]) - 64, int(at[1]) - 64), (128, 128))
    holes = (part.min(axis=2) > 225).mean()
    assert 0.15 < holes < 0.8


def test_stain_strength_and_shift_change_the_colour() -> None:
    shifted = stain_matrix(Scenario(seed=1, stain_shift=1.0))
    plain = stain_matrix(Scenario(seed=1))
    assert np.allclose(np.linalg.norm(shifted, axis=1), 1)
    assert 0.01 < np.linalg.norm(shifted[:2] - plain[:2]) < 0.4
