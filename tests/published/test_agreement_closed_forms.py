"""Agreement measures against closed forms and against SimpleITK, scikit-learn and SciPy."""

import numpy as np
import pytest

from coreg.agreement import measure, measure_outlines
from coreg.agreement.boundaries import boundary_of, distances_between
from coreg.geometry import Grid, Outline

GRID = Grid((300, 300), (0.1, 0.1), (-14.95, -14.95))

# Lens area, computed from the circle-circle intersection formula (elementary geometry); the mean
# boundary distance is computed by quadrature along both circles. Columns: r, R, distance of
# centres, Dice, Jaccard, mean boundary distance.
DISCS = [
    (5, 5, 1, 0.87288857, 0.77444745, None),
    (5, 5, 2, 0.74706008, 0.59624573, 1.264409),
    (5, 5, 5, 0.39100222, 0.24300979, 2.993714),
    (5, 5, 8, 0.10408804, 0.05490130, None),
    (5, 4, 0, 32 / 41, 0.64, 1.0),
    (5, 4, 3, 0.56387621, 0.39263761, 1.981521),
    (5, 3, 1, 9 / 17, 0.36, None),
]


def disc(radius, centre=(0.0, 0.0), stretch=1.0):
    angle = np.linspace(0, 2 * np.pi, 2000, endpoint=False)
    rows, columns = radius * np.sin(angle), radius * stretch * np.cos(angle)
    return Outline(np.stack([centre[0] + rows, centre[1] + columns], axis=1), "plane")


@pytest.mark.parametrize(("r", "big_r", "d", "dice", "jaccard", "mean"), DISCS)
def test_two_discs(r, big_r, d, dice, jaccard, mean):
    a = measure_outlines([disc(r)], [disc(big_r, (0.0, d))], GRID)
    assert a.dice == pytest.approx(dice, abs=3e-4)
    assert a.jaccard == pytest.approx(jaccard, abs=3e-4)
    assert a.hausdorff_mm == pytest.approx(d + abs(r - big_r), abs=0.02)
    assert a.centroid_offset_lateral_mm == pytest.approx(-d, abs=1e-3)
    if mean is not None:
        assert a.mean_boundary_distance_mm == pytest.approx(mean, abs=0.006)


@pytest.mark.parametrize(("d", "directed"), [(5, 4.971376), (2, 1.993567)])
def test_95th_percentile_of_two_equal_discs(d, directed):
    """Both directions are equal here, so the larger one is the directed value (computed)."""
    a = measure_outlines([disc(5)], [disc(5, (0.0, d))], GRID)
    assert a.hd95_mm == pytest.approx(directed, abs=0.02)


def test_95th_percentile_takes_the_larger_direction():
    a = measure_outlines([disc(5)], [disc(4, (0.0, 3.0))], GRID)
    assert a.hd95_mm == pytest.approx(3.976882, abs=0.02)  # the other direction gives 3.861809


def test_ellipse_on_a_circle():
    """Intersection 67.052445 mm², by quadrature; Dice 0.871161."""
    a = measure_outlines([disc(4, stretch=1.5)], [disc(5)], GRID)
    assert a.dice == pytest.approx(0.871161479, abs=3e-4)
    assert a.hausdorff_mm == pytest.approx(1.0, abs=0.02)
    assert (a.predicted_depth_mm, a.predicted_width_mm) == pytest.approx((8, 12), abs=0.05)


@pytest.mark.parametrize("shift", [5, 20, 50])
def test_shifted_squares(shift):
    side = 100
    one, two = np.zeros((2, 200, 260), dtype=bool)
    one[50:150, 50:150] = True
    two[50:150, 50 + shift : 150 + shift] = True
    a = measure(one, two, Grid(one.shape, (1.0, 1.0)))
    assert a.dice == pytest.approx(1 - shift / side)
    assert a.jaccard == pytest.approx((side - shift) / (side + shift))
    assert a.hausdorff_mm == pytest.approx(shift, abs=0.5)


def test_blocks_of_two_by_two_offset_by_one_pixel():
    one, two = np.zeros((2, 8, 8), dtype=bool)
    one[3:5, 3:5] = True
    two[3:5, 4:6] = True
    a = measure(one, two, Grid(one.shape, (1.0, 1.0)))
    assert (a.dice, a.jaccard) == (0.5, pytest.approx(1 / 3))
    assert a.hausdorff_mm == pytest.approx(1.0, abs=0.01)


def blobs(seed):
    """Two ragged overlapping masks, some in pieces, clear of the edge."""
    from scipy import ndimage

    rng = np.random.default_rng(seed)
    base = ndimage.gaussian_filter(rng.normal(size=(2, 90, 120)), (0, 7, 7))
    hump = np.exp(-((np.arange(90) - 45) ** 2)[:, None] / 900 - (np.arange(120) - 60) ** 2 / 1600)
    return [np.pad((hump + 3 * layer > 0.5)[3:-3, 3:-3], 3) for layer in base]


@pytest.mark.parametrize("seed", range(4))
def test_overlap_measures_equal_scikit_learn(seed):
    from sklearn.metrics import f1_score, jaccard_score, precision_score, recall_score

    one, two = blobs(seed)
    a = measure(one, two, Grid(one.shape, (0.1, 0.2)))
    truth, guess = two.ravel(), one.ravel()
    assert a.dice == pytest.approx(f1_score(truth, guess))
    assert a.jaccard == pytest.approx(jaccard_score(truth, guess))
    assert a.sensitivity == pytest.approx(recall_score(truth, guess))
    assert a.specificity == pytest.approx(recall_score(~truth, ~guess))
    assert a.precision == pytest.approx(precision_score(truth, guess))


@pytest.mark.parametrize("seed", range(4))
def test_measures_equal_simpleitk(seed):
    """SimpleITK measures Hausdorff from the pixels of one mask to the other, ours between
    boundaries: half a pixel's diagonal apart."""
    import SimpleITK as sitk

    one, two = blobs(seed)
    spacing = (0.1, 0.2)
    first, second = (sitk.GetImageFromArray(m.astype(np.uint8)) for m in (one, two))
    for image in (first, second):
        image.SetSpacing(spacing[::-1])
    overlap = sitk.LabelOverlapMeasuresImageFilter()
    overlap.Execute(second, first)
    a = measure(one, two, Grid(one.shape, spacing))
    assert a.dice == pytest.approx(overlap.GetDiceCoefficient())
    assert a.jaccard == pytest.approx(overlap.GetJaccardCoefficient())
    hausdorff = sitk.HausdorffDistanceImageFilter()
    hausdorff.Execute(first, second)
    assert a.hausdorff_mm == pytest.approx(hausdorff.GetHausdorffDistance(), abs=0.112)
    shape = sitk.LabelShapeStatisticsImageFilter()
    shape.Execute(first)
    assert a.predicted_area_mm2 == pytest.approx(shape.GetPhysicalSize(1))
    x, y = shape.GetCentroid(1)
    shape.Execute(second)
    x0, y0 = shape.GetCentroid(1)
    assert a.centroid_offset_depth_mm == pytest.approx(y - y0)
    assert a.centroid_offset_lateral_mm == pytest.approx(x - x0)


@pytest.mark.parametrize("seed", range(4))
def test_hausdorff_distance_equals_scipy_on_dense_boundary_points(seed):
    from scipy.spatial.distance import directed_hausdorff

    one, two = blobs(seed)
    grid = Grid(one.shape, (0.1, 0.2))
    first, second = boundary_of(one, grid), boundary_of(two, grid)
    steps = np.linspace(0, 1, 9)[:, None, None]
    dense = [
        (b.segments[:, 0] + steps * (b.segments[:, 1] - b.segments[:, 0])).reshape(-1, 2)
        for b in (first, second)
    ]
    expected = max(directed_hausdorff(*dense)[0], directed_hausdorff(*dense[::-1])[0])
    assert distances_between(first, second).hausdorff == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("seed", range(2))
def test_matching_pairs_lesions_as_scikit_image_numbers_them(seed):
    from skimage.measure import label

    from coreg.agreement import match_lesions

    one, two = blobs(seed)
    found = match_lesions(one, two)
    assert found.predicted_count == label(one, connectivity=2).max()
    assert found.pathology_count == label(two, connectivity=2).max()
