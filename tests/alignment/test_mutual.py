"""Mutual information as scikit-learn has it, and as a metric where squared differences fail."""

from __future__ import annotations

import numpy as np
import pytest
from invented_tissue import PLANE, bent, slide_of, texture
from sklearn.metrics import mutual_info_score

from coreg.alignment import IntensityOptions, align_images
from coreg.alignment.contrast import Channel, mind
from coreg.alignment.lattice import Tilted
from coreg.alignment.mutual import JointHistogram, MutualTerm
from coreg.alignment.terms import Sums
from coreg.errors import InputError
from coreg.geometry import Grid, Image
from coreg.transforms import Affine


def test_information_is_that_of_scikit_learn() -> None:
    rng = np.random.default_rng(0)
    a, b = rng.normal(size=(2, 5000))
    b = 0.7 * a**2 + 0.5 * b
    joint = JointHistogram.of(a, b, np.ones(5000), bins=20, window=0)
    labels = []
    for k, values in enumerate((a, b)):
        edges = joint.low[k] + joint.step[k] * (np.arange(1, 20) - 0.5)
        labels.append(np.digitize(values, edges))
    assert joint.information == pytest.approx(mutual_info_score(*labels), abs=1e-9)
    apart = JointHistogram.of(a, rng.permutation(b), np.ones(5000))
    assert apart.information < 0.1 * JointHistogram.of(a, b, np.ones(5000)).information


def test_information_is_near_that_of_simpleitk() -> None:
    """Mattes' estimate spreads each value over bins by a cubic B-spline, ours by a normal curve of
    the same width; on maps of bounded values both agree within a tenth."""
    import SimpleITK as sitk
    from scipy.ndimage import gaussian_filter

    rng = np.random.default_rng(1)
    a = gaussian_filter(rng.normal(size=(150, 150)), 3)
    a = np.argsort(np.argsort(a.ravel())).reshape(a.shape) / a.size
    b = np.abs(a - 0.4) + 0.2 * rng.uniform(size=a.shape)
    method = sitk.ImageRegistrationMethod()
    method.SetMetricAsMattesMutualInformation(32)
    method.SetInitialTransform(sitk.TranslationTransform(2))
    theirs = -method.MetricEvaluate(sitk.GetImageFromArray(a), sitk.GetImageFromArray(b))
    ours = JointHistogram.of(a.ravel(), b.ravel(), np.ones(a.size), window=0.58).information
    assert ours == pytest.approx(theirs, rel=0.1)


def test_slope_is_the_derivative_of_the_information() -> None:
    grid = Grid((60, 60), (1.0, 1.0))
    data = texture(2)[30:100, 40:110].astype(np.float64)
    fixed = Channel(np.cos(data[5:65, 5:65]), 1.0)
    known = (np.ones((60, 60), bool), np.ones((70, 70), bool))
    term = MutualTerm(grid, [fixed], [Channel(data, 1.0)], *known, 5)
    basis = Tilted(grid)

    def energy(shift: float) -> tuple[float, float]:
        sums = Sums(3)
        term.add(sums, basis, np.array([[shift, 0.0], [0, 0], [0, 0]]))
        return sums.energy, sums.slope[0, 0]

    for shift in (-1.5, 1.5):
        numeric = (energy(shift + 0.1)[0] - energy(shift - 0.1)[0]) / 0.2
        assert energy(shift)[1] == pytest.approx(numeric, rel=0.4)
    assert energy(0.0)[0] < min(energy(-1.5)[0], energy(1.5)[0])
    assert energy(-1.5)[1] < 0 < energy(1.5)[1]


def test_contrast_that_turns_back_is_aligned_by_information_alone() -> None:
    """Middle grey is bright on the slide, dark and light both dark: no linear relation is left."""
    truth, data = bent(8, False, 0.95, 0.3), texture(4)
    slide = slide_of(data, truth)
    levels = slide.data / data.max()
    slide = Image(np.where(levels > 0, 4 * levels * (1 - levels) + 0.2, 0), slide.grid)
    points = PLANE.to_mm(np.argwhere(data > 0)[::37])
    near = Affine(truth.affine.matrix @ _turned(3.0), truth.affine.offset + 0.3)
    mask = slide_of((data > 0).astype(float), truth).data > 0.5
    errors = {}
    for metric in ("squared differences", "mutual information"):
        fit = align_images(
            Image(data, PLANE),
            slide,
            IntensityOptions(features=("tissue",), metric=metric),  # type: ignore[arg-type]
            initial=near,
            plane_mask=data > 0,
            slide_mask=mask,
        )
        back = fit.transform.to_plane(truth.to_slide(points))
        errors[metric] = np.median(np.linalg.norm(back - points, axis=1))
        assert fit.area_range[0] > 0.3
    assert errors["mutual information"] < 0.2  # a pixel
    assert errors["squared differences"] > 2 * errors["mutual information"]


def test_mind_does_not_change_with_contrast() -> None:
    """The descriptor (Heinrich et al. 2012) is the same after any gain and offset, and turned
    upside down."""
    values = texture(5)
    plain = mind(values, 1.2)
    for other in (3 * values + 7, 5 - 0.5 * values):
        for a, b in zip(plain, mind(other, 1.2), strict=True):
            assert np.allclose(a, b, atol=1e-4)
    shifted = mind(np.roll(values, 6, axis=1), 1.2)
    inner = (slice(20, 100), slice(40, 110))
    for a, b in zip(plain, shifted, strict=True):
        assert np.corrcoef(np.roll(a, 6, axis=1)[inner].ravel(), b[inner].ravel())[0, 1] > 0.99


def test_mind_aligns_an_inverted_section() -> None:
    truth, data = bent(8, False, 0.95, 0.3), texture(4)
    slide = slide_of(data, truth)
    inverted = Image(np.where(slide.data > 0, slide.data.max() + 1 - slide.data, 0), slide.grid)
    points = PLANE.to_mm(np.argwhere(data > 0)[::37])
    fit = align_images(
        Image(data, PLANE), inverted, IntensityOptions(features=("mind",)), initial=truth.affine
    )
    back = fit.transform.to_plane(truth.to_slide(points))
    assert np.median(np.linalg.norm(back - points, axis=1)) < 0.1


def test_an_unknown_metric_is_refused() -> None:
    with pytest.raises(InputError, match="Unknown metric 'guess'"):
        IntensityOptions(metric="guess")  # type: ignore[arg-type]


def _turned(degrees: float) -> np.ndarray:
    angle = np.radians(degrees)
    return np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
