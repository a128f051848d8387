"""Images aligned without any landmark: known maps recovered, mirrored sections told, no folds."""

from __future__ import annotations

import numpy as np
import pytest
from invented_tissue import PLANE, bent, slide_of, texture

from coreg.alignment import IntensityOptions, Level, align_images, coarse_candidates
from coreg.alignment.lattice import Lattice
from coreg.alignment.uncertainty import sample_transforms
from coreg.errors import Cancelled, FrameError, InputError
from coreg.geometry import Grid, Image, Outline
from coreg.landmark_pairs import LandmarkPairs


@pytest.mark.parametrize(
    ("turn", "mirrored", "scale"), [(0, False, 0.85), (140, True, 0.9), (-75, False, 1.2)]
)
def test_turned_mirrored_bent_section_is_found(turn: float, mirrored: bool, scale: float) -> None:
    truth, data = bent(turn, mirrored, scale), texture()
    fit = align_images(Image(data, PLANE), slide_of(data, truth))
    points = PLANE.to_mm(np.argwhere(data > 0)[::37])
    back = fit.transform.to_plane(truth.to_slide(points))
    assert np.median(np.linalg.norm(back - points, axis=1)) < 0.1  # half a pixel
    assert fit.mirrored is mirrored
    assert fit.area_range[0] > 0.3
    assert fit.similarity > 0.5


def test_candidates_are_ranked_and_tell_the_face() -> None:
    data = texture(3)
    found = coarse_candidates(Image(data, PLANE), slide_of(data, bent(60, True, 0.8)))
    assert [c.score for c in found] == sorted((c.score for c in found), reverse=True)
    assert found[0].mirrored
    assert found[0].scale == pytest.approx(0.8, rel=0.08)
    assert "mirrored, scale" in str(found[0])


def test_outlines_and_landmarks_decide_without_images() -> None:
    truth = bent(-100, False, 0.85)
    angle = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    radius = 8 + 1.5 * np.cos(angle) + 1.2 * np.sin(2 * angle) + 0.8 * np.cos(3 * angle)
    ring = np.array([11.5, 14.0]) + radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], 1)
    outline = Outline(ring, "plane", zone="tissue")
    blank = Image(np.zeros(PLANE.shape, dtype=np.float32), PLANE)
    glass = Image(np.zeros((50, 50), dtype=np.float32), Grid((50, 50), (1, 1), (-30, -30), "slide"))
    inside = np.array([11.5, 14.0]) + np.random.default_rng(1).uniform(-4, 4, (60, 2))
    options = IntensityOptions(features=())
    errors = []
    for marks in (None, LandmarkPairs(inside[:6], truth.to_slide(inside[:6]))):
        fit = align_images(
            blank,
            glass,
            options,
            landmarks=marks,
            tissue_plane=[outline],
            tissue_slide=[truth.outline_to_slide(outline)],
        )
        back = fit.transform.to_plane(truth.to_slide(inside))
        errors.append(np.median(np.linalg.norm(back - inside, axis=1)))
        assert not fit.mirrored
    assert errors[0] < 0.5
    assert errors[1] < errors[0]
    draws = sample_transforms(fit, 50, 0)
    spread = [np.linalg.norm(d.to_slide(inside) - fit.transform.to_slide(inside)) for d in draws]
    assert min(spread) > 0


def test_progress_can_stop_the_search() -> None:
    def stop(fraction: float, text: str) -> None:
        raise Cancelled("Stopped.")

    data = texture()
    with pytest.raises(Cancelled, match="Stopped"):
        align_images(Image(data, PLANE), slide_of(data, bent(0, False, 1)), progress=stop)


def test_wrong_input_is_refused() -> None:
    image = Image(texture(), PLANE)
    slide = Image(image.data, Grid(PLANE.shape, PLANE.spacing, frame="slide"))
    with pytest.raises(FrameError, match="image in plane mm, got frame 'slide'"):
        align_images(slide, slide)
    with pytest.raises(InputError, match="has no tissue to align"):
        align_images(image, slide, slide_mask=np.zeros(PLANE.shape, bool))
    with pytest.raises(InputError, match=r"mask of shape \(120, 150\), got \(3, 3\)"):
        align_images(image, slide, plane_mask=np.ones((3, 3), bool))
    ring = np.array([(1, 1), (1, 9), (9, 9)], dtype=float)
    with pytest.raises(InputError, match="on both sides or on none"):
        align_images(image, slide, tissue_plane=[Outline(ring, "plane")])
    with pytest.raises(InputError, match="Unknown feature 'colour'"):
        align_images(image, slide, IntensityOptions(features=("colour",)))  # type: ignore[arg-type]
    with pytest.raises(InputError, match="No level of the options bends the map"):
        align_images(image, slide, IntensityOptions(levels=(Level(56, 0, 1, 4, 6),)))


def test_lattice_sums_equal_the_plain_products() -> None:
    grid = Grid((20, 26), (0.5, 0.4), (1.0, -2.0))
    lattice = Lattice(grid, 3.0)
    rng = np.random.default_rng(0)
    weights = rng.random(grid.shape)
    basis = lattice.at(grid.centres())
    assert np.allclose(basis.sum(axis=1), 1, atol=1e-12)
    assert np.allclose(lattice.gram(weights), basis.T @ (weights.reshape(-1, 1) * basis))
    assert np.allclose(lattice.project(weights), basis.T @ weights.ravel())
    coefficients = rng.normal(size=(lattice.size, 2))
    assert np.allclose(lattice.field(coefficients).reshape(-1, 2), basis @ coefficients)
    flat = lattice.nodes * 0.3 + 1.0  # an affine displacement bends nothing
    assert np.abs(lattice.bending @ flat).max() < 1e-9
