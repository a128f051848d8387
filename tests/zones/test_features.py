"""Features mean what their table says, and do not depend on how the section is cut into strips."""

from __future__ import annotations

import numpy as np
import pytest
from zones.sections import paint

from coreg.geometry import Grid, Image
from coreg.stain import combine, stain_set
from coreg.zones import features
from coreg.zones.features import FEATURES, NAMES, block_mean, coarser, compute


@pytest.fixture(scope="module")
def section():
    return paint(1)


@pytest.fixture(scope="module")
def maps(section):
    return compute(section.image)


def test_every_feature_is_named_once_with_meaning_and_source(maps):
    assert len(set(NAMES)) == len(FEATURES) == len(maps.at(50))
    assert all(f.what and f.meaning and f.source for f in FEATURES)


def test_the_core_is_homogeneous_and_the_rim_pale(section, maps):
    truth = section.truth_on(maps.grid)
    at = dict(zip(maps.names, maps.at(40), strict=True))
    middle = {z: {k: np.median(v[truth == z]) for k, v in at.items()} for z in (1, 3, 4)}
    assert middle[4]["nuclear_contrast"] < 0.5 * middle[1]["nuclear_contrast"]
    assert middle[4]["texture"] < 0.7 * middle[1]["texture"]
    assert middle[3]["optical_density"] < 0.8 * middle[1]["optical_density"]
    assert middle[4]["redness"] > middle[1]["redness"]


def test_densities_are_those_that_were_painted():
    """A flat piece of tissue with known amounts of both stains."""
    grid = Grid((300, 300), (0.008, 0.008), (0.004, 0.004), "slide")
    amounts = np.zeros((300, 300, 2))
    amounts[60:240, 60:240] = (0.3, 0.5)
    white = np.array([240.0, 240.0, 240.0])
    maps = compute(Image(combine(amounts, stain_set("H&E"), white), grid))
    middle = tuple(n // 2 for n in maps.grid.shape)
    assert maps["first_stain"][middle] == pytest.approx(0.3, abs=0.01)
    assert maps["second_stain"][middle] == pytest.approx(0.5, abs=0.01)
    assert maps["white_fraction"][middle] == 0
    assert maps["nuclear_contrast"][middle] == pytest.approx(0, abs=1e-3)


def test_nuclei_are_counted_and_measured():
    """Against the number and size of the discs that were painted, a third as many on the right."""
    rng = np.random.default_rng(0)
    grid = Grid((700, 700), (0.002, 0.002), (0.001, 0.001), "slide")
    rows, columns = np.mgrid[0:700, 0:700]
    amounts = np.zeros((700, 700, 2))
    amounts[100:600, 100:600] = (0.08, 0.3)
    placed = {"left": 0, "right": 0}
    # On a jittered lattice, so that no two touch.
    for place in np.argwhere(np.ones((41, 41))) * 12 + 106:
        side = "left" if place[1] < 350 else "right"
        if side == "right" and rng.random() > 1 / 3:
            continue
        middle = place + rng.uniform(-1.5, 1.5, 2)
        amounts[np.hypot(rows - middle[0], columns - middle[1]) <= 2.0] = (0.8, 0.2)
        placed[side] += 1
    rgb = combine(amounts, stain_set("H&E"), np.array([240.0, 240.0, 240.0]))
    maps = compute(Image(rgb, grid), spacing_um=2.0)
    around = dict(zip(maps.names, maps.at(30), strict=True))
    half = maps.grid.columns < 0.7
    for side, part in (("left", half), ("right", ~half)):
        where = maps.tissue & part
        counted = around["nuclear_density"][where].mean() * 100 * 0.5
        assert counted == pytest.approx(placed[side], rel=0.1), side
        # Discs of radius 2 pixels cover 13 pixels: as much as a disc of 8.1 µm.
        assert np.median(around["nuclear_size"][where]) == pytest.approx(8.1, rel=0.15), side


def test_nuclei_are_not_counted_on_coarse_pixels(maps):
    assert not maps["nuclear_density"].any()
    assert not maps["nuclear_size"].any()


@pytest.mark.parametrize("strip", [2, 37, 10_000])
def test_strips_leave_no_seams(section, maps, strip, monkeypatch):
    monkeypatch.setattr(features, "_STRIP_PX", strip)
    again = compute(section.image)
    # A strip lower than the reach of the filters sees less around it, but never a seam of its own.
    tolerance = 1e-5 if strip > 30 else 0.05
    assert np.abs(again.raw - maps.raw).max() < tolerance


def test_ratios_do_not_depend_on_the_stains_strength():
    weak, strong = (compute(paint(2, strength=s).image).at(80) for s in (0.8, 1.2))
    k = NAMES.index("nuclear_contrast")
    inside = weak[k] > 0
    assert np.median(weak[k][inside] / strong[k][inside]) == pytest.approx(1, abs=0.05)


def test_cells_cover_the_image(section, maps):
    step = round(maps.grid.spacing[0] / section.image.grid.spacing[0])
    assert maps.grid == coarser(section.image.grid, step)
    assert maps.grid.bounds[:2] == pytest.approx(section.image.grid.bounds[:2])


def test_block_means_match_a_plain_mean():
    values = np.random.default_rng(0).random((3, 7, 11)).astype(np.float32)
    means = block_mean(values, 4)
    assert means.shape == (3, 2, 3)
    np.testing.assert_allclose(means[:, 0, 0], values[:, :4, :4].mean(axis=(1, 2)), rtol=1e-5)
    np.testing.assert_allclose(means[:, 1, 2], values[:, 4:, 8:].mean(axis=(1, 2)), rtol=1e-5)


def test_a_slide_measured_in_strips_is_as_its_image(section, tmp_path):
    """Through a file and its reader, against the same pixels in memory."""
    import tifffile

    from coreg.sources.slides import open_slide

    path = tmp_path / "section.ome.tif"
    tifffile.imwrite(
        path,
        section.image.data,
        photometric="rgb",
        tile=(128, 128),
        metadata={
            "axes": "YXS",
            "PhysicalSizeX": 16.0,
            "PhysicalSizeXUnit": "µm",
            "PhysicalSizeY": 16.0,
            "PhysicalSizeYUnit": "µm",
        },
    )
    steps = []
    with open_slide(path) as slide:
        read = features.compute_slide(slide, progress=lambda f, _: steps.append(f))
    np.testing.assert_allclose(read.raw, compute(section.image).raw, atol=1e-5)
    assert steps[-1] == 1
