"""Which section of a block an imaging plane shows: planes of known place and angle are found."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, map_coordinates

from coreg.alignment import IntensityOptions, Level, SectionChoice, which_section
from coreg.errors import InputError
from coreg.geometry import Grid, Image
from coreg.transforms import Affine

STEP = 0.4  # mm between pixels and between layers of the invented block
SHAPE = (64, 80)
QUICK = IntensityOptions(levels=(Level(80, 0, 1.0, 4, 9), Level(80, 6, 1.2, 6, 4)))
START = Affine(np.eye(2), np.array([0.3, -0.2]))


def block(seed: int = 0) -> np.ndarray:
    """Tissue that changes over about a millimetre in every direction; (layers, rows, columns)."""
    noise = np.random.default_rng(seed).standard_normal((40, *SHAPE))
    grain = gaussian_filter(noise, 2.5)
    return (1 + 0.5 * grain / grain.std()).clip(0)


def cut(tissue: np.ndarray, elevation: float, slope=(0.0, 0.0), frame: str = "plane") -> Image:
    """The block at an elevation in mm at its middle, rising by `slope` along rows and columns."""
    grid = Grid(SHAPE, (STEP, STEP), frame=frame)  # type: ignore[arg-type]
    rows, columns = np.indices(SHAPE)
    middle = (np.array(SHAPE) - 1) / 2
    height = elevation / STEP + slope[0] * (rows - middle[0]) + slope[1] * (columns - middle[1])
    return Image(map_coordinates(tissue, [height, rows, columns], order=1), grid)


def chosen(elevation: float, slope=(0.0, 0.0), at=(6.0, 7.0, 8.0, 9.0), seed=0) -> SectionChoice:
    tissue = block(seed)
    sections = [cut(tissue, z, frame="slide") for z in at]
    return which_section(
        cut(tissue, elevation, slope), sections, at, QUICK, initial=[START] * len(at)
    )


@pytest.mark.parametrize("elevation", [7.0, 7.4])
def test_the_nearest_section_and_the_place_between_are_found(elevation: float) -> None:
    found = chosen(elevation)
    assert found.best == 1
    assert found.scores[1] == np.max(found.scores)
    assert found.elevation_mm == pytest.approx(elevation, abs=0.15)
    assert found.out_of_plane_mm == pytest.approx(elevation - 7.0, abs=0.25)
    assert found.reason == ""
    there = np.array([(10.0, 10.0), (15.0, 20.0)])
    assert np.abs(found.fit.transform.to_slide(there) - there).max() < STEP


def test_an_oblique_plane_is_told_with_its_direction() -> None:
    """A slope of 0.05 along the columns: 2.9° towards lateral, 0.8 mm up at the edge."""
    found = chosen(7.5, slope=(0.0, 0.05))
    assert found.elevation_mm == pytest.approx(7.5, abs=0.2)
    assert found.tilt_deg == pytest.approx(2.9, abs=1.2)
    assert abs(found.tilt_direction_deg) < 35
    assert found.out_of_plane_mm > 0.4


def test_the_stated_spread_holds_the_true_elevation() -> None:
    """Three planes between the sections: none misses by more than four standard deviations or a
    fifth of the spacing."""
    for seed, elevation in enumerate((6.9, 7.3, 7.8), start=1):
        found = chosen(elevation, seed=seed)
        miss = abs(found.elevation_mm - elevation)
        assert miss < max(4 * found.sd_mm, 0.2)
        assert found.sd_mm < 0.5


def test_two_sections_name_the_nearer_one_only() -> None:
    found = chosen(7.1, at=(7.0, 8.0))
    assert found.best == 0
    assert found.elevation_mm == 7.0
    assert found.out_of_plane_mm == pytest.approx(1 / np.sqrt(12))
    assert "Fewer than three sections" in found.reason
    assert np.isnan(found.tilt_deg)


def test_a_plane_beyond_the_sections_is_said_to_be() -> None:
    found = chosen(5.2)
    assert found.best == 0
    assert "beyond" in found.reason


def test_wrong_blocks_are_refused() -> None:
    tissue = block()
    plane, one = cut(tissue, 7), cut(tissue, 7, frame="slide")
    with pytest.raises(InputError, match="at least two sections"):
        which_section(plane, [one], [0.0])
    with pytest.raises(InputError, match="none twice"):
        which_section(plane, [one, one], [1.0, 1.0])
    with pytest.raises(InputError, match="needs images to compare"):
        which_section(plane, [one, one], [0.0, 1.0], replace(QUICK, features=()))
    with pytest.raises(InputError, match="a start and a mask for each of 2 sections"):
        which_section(plane, [one, one], [0.0, 1.0], initial=[START])
