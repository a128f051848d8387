"""ITK transform files: exact round trips, ITK moves points as we do, unclear files are refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import SimpleITK as sitk

from coreg.errors import InputError
from coreg.geometry import Grid, Image, resample
from coreg.sources.itk_transforms import as_warp, read_itk_transform, write_itk_transform
from coreg.transforms import Affine, ThinPlate, Warp

AFFINE = Affine(np.array([[0.31, -0.77], [0.85, 0.2]]), np.array([12.3456789012345, -1 / 3]))
GRID = Grid((12, 15), (2.5, 3.0), (-1.0, 0.7))


def warp() -> Warp:
    rows, columns = np.meshgrid(GRID.rows, GRID.columns, indexing="ij")
    return Warp(AFFINE, GRID, np.stack([np.sin(columns / 7), np.cos(rows / 9) / 3], axis=-1))


@pytest.mark.parametrize("ending", [".tfm", ".h5"])
def test_affine_comes_back_exactly(tmp_path: Path, ending: str) -> None:
    write_itk_transform(tmp_path / f"map{ending}", AFFINE)
    back = read_itk_transform(tmp_path / f"map{ending}")
    assert isinstance(back, Affine)
    assert np.array_equal(back.matrix, AFFINE.matrix)
    assert np.array_equal(back.offset, AFFINE.offset)


@pytest.mark.parametrize("ending", [".tfm", ".h5"])
def test_warp_comes_back_exactly(tmp_path: Path, ending: str) -> None:
    write_itk_transform(tmp_path / f"map{ending}", warp())
    back = read_itk_transform(tmp_path / f"map{ending}")
    assert isinstance(back, Warp)
    assert back.grid == GRID
    assert np.array_equal(back.displacement, warp().displacement)
    assert np.array_equal(back.affine.matrix, AFFINE.matrix)
    assert [p.name for p in tmp_path.iterdir()] == [f"map{ending}"]


def test_itk_moves_points_as_we_do(tmp_path: Path) -> None:
    """At the grid's nodes, where linear and cubic interpolation agree."""
    write_itk_transform(tmp_path / "map.h5", warp())
    other = sitk.ReadTransform(str(tmp_path / "map.h5"))
    points = GRID.centres()[20:60]
    moved = np.array([other.TransformPoint(tuple(p[::-1]))[::-1] for p in points])
    assert np.allclose(moved, warp().to_slide(points), atol=1e-9)


def test_a_dot_in_an_image_moves_as_its_point_does() -> None:
    """One bright pixel of the slide is pulled to where `to_plane` takes its centre."""
    slide = Grid((120, 140), (0.3, 0.3), (-10, -5), "slide")
    image = np.zeros(slide.shape)
    plane = Grid((200, 240), (0.1, 0.1), (4.0, 8.0))
    at = np.round(slide.to_index(warp().to_slide([14.0, 20.0])))[0].astype(int)
    image[tuple(at)] = 1.0
    pulled = resample(Image(image, slide), plane, warp().to_slide, fill=0.0)
    weights = pulled / pulled.sum()
    centre = (weights.ravel()[:, None] * plane.centres()).sum(axis=0)
    assert np.allclose(centre, warp().to_plane(slide.to_mm(at))[0], atol=0.02)


def test_rigid_parts_of_another_program_are_one_affine(tmp_path: Path) -> None:
    rigid = sitk.Euler2DTransform((3.0, 4.0), 0.4, (1.0, -2.0))
    composite = sitk.CompositeTransform(2)
    composite.AddTransform(sitk.TranslationTransform(2, (5.0, 6.0)))
    composite.AddTransform(rigid)
    sitk.WriteTransform(composite, str(tmp_path / "map.tfm"))
    back = read_itk_transform(tmp_path / "map.tfm")
    expected = composite.TransformPoint((7.0, 9.0))[::-1]
    assert np.allclose(back.to_slide([9.0, 7.0])[0], expected, atol=1e-12)


def test_a_spline_is_sampled_on_a_grid(tmp_path: Path) -> None:
    rng = np.random.default_rng(0)
    nodes = rng.uniform((0, 3), (25, 40), (6, 2))
    basis = np.column_stack([np.ones(6), nodes])
    weights = rng.normal(0, 0.002, (6, 2))
    weights -= basis @ np.linalg.lstsq(basis, weights, rcond=None)[0]
    spline = ThinPlate(AFFINE, nodes, weights, 10.0)
    fine = GRID.with_spacing(0.5)
    write_itk_transform(tmp_path / "map.h5", spline, fine)
    probe = rng.uniform((2, 5), (22, 38), (30, 2))
    back = read_itk_transform(tmp_path / "map.h5")
    assert np.allclose(back.to_slide(probe), spline.to_slide(probe), atol=1e-4)
    assert np.allclose(as_warp(spline, fine).to_slide(probe), back.to_slide(probe), atol=1e-12)


def test_unclear_files_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="is not there"):
        read_itk_transform(tmp_path / "none.tfm")
    (tmp_path / "text.tfm").write_text("hello")
    with pytest.raises(InputError, match=r"text.tfm cannot be read as an ITK transform"):
        read_itk_transform(tmp_path / "text.tfm")
    sitk.WriteTransform(sitk.AffineTransform(3), str(tmp_path / "three.tfm"))
    with pytest.raises(InputError, match="transform of 3 dimensions; expected 2"):
        read_itk_transform(tmp_path / "three.tfm")
    with pytest.raises(InputError, match="no ending of an ITK transform file"):
        write_itk_transform(tmp_path / "map.xml", AFFINE)
    spline = ThinPlate(AFFINE, np.zeros((1, 2)), np.zeros((1, 2)))
    with pytest.raises(InputError, match="give a plane grid to sample it on"):
        write_itk_transform(tmp_path / "map.tfm", spline)
    with pytest.raises(InputError, match="could not be written"):
        write_itk_transform(tmp_path / "no folder" / "map.tfm", AFFINE)
