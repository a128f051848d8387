"""Intervals: reproducible, honest about sources, possible values only, wider with more error."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from coreg.agreement import MEASURES, IntervalInputs, RegionRules, intervals, measure_outlines
from coreg.agreement.perturb import MovableRegion, NoiseFields, PullBack
from coreg.errors import Cancelled, InputError
from coreg.geometry import Grid, Outline
from coreg.transforms import Affine, Warp

GRID = Grid((80, 90), (0.2, 0.2))
TURNED = Affine(np.array([[0.85, 0.1], [-0.1, 0.88]]), np.array([3.0, 4.0]))


def ellipse(depth, lateral, centre=(8.0, 9.0), frame="plane"):
    angle = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    ring = np.stack([depth * np.sin(angle), lateral * np.cos(angle)], axis=1) + centre
    return Outline(ring, frame)


def score_map(radius=3.0, slope=15.0):
    """Per cent inside a disc around (8, 9) mm, falling by `slope` a mm."""
    rows, columns = np.meshgrid(GRID.rows, GRID.columns, indexing="ij")
    return slope * (radius - np.hypot(rows - 8.0, columns - 9.0))


def inputs(**changes):
    base = IntervalInputs(
        GRID,
        score_map(),
        [ellipse(3.3, 2.9, (8.2, 9.1))],
        score_error=6.0,
        threshold_sd_percent=2.0,
        alignment_error_mm=0.3,
        outline_sd_mm=0.2,
        rules=RegionRules(0.5, 0.5),
    )
    return replace(base, **changes)


LITTLE = {"threshold_sd_percent": 0.5, "alignment_error_mm": 0.2, "outline_sd_mm": 0.1}


@pytest.fixture(scope="module")
def little_error():
    return intervals(inputs(**LITTLE), 80)


def test_same_seed_same_intervals_and_another_differs():
    one, two, other = (intervals(inputs(), 50, seed) for seed in (4, 4, 5))
    assert one == two
    assert one["dice"] != other["dice"]
    assert (one.draws, one.seed) == (50, 4)


def test_value_is_that_of_the_pixel_count():
    found = intervals(inputs(), 60)
    counted = measure_outlines([ellipse(3, 3)], [ellipse(3.3, 2.9, (8.2, 9.1))], GRID)
    for name in MEASURES:
        assert found[name].value == pytest.approx(getattr(counted, name), abs=0.04, rel=0.01), name


def test_intervals_hold_the_value_and_stay_possible():
    found = intervals(inputs(outline_sd_mm=0.8), 100)
    for name, interval in found.measures.items():
        assert interval.low <= interval.value <= interval.high, name
    for name in ("dice", "jaccard", "sensitivity", "specificity", "precision"):
        assert found[name].low >= 0
        assert found[name].high <= 1
    assert found["hd95_mm"].low >= 0
    assert found["pathology_area_mm2"].low > 0


@pytest.mark.parametrize(
    ("change", "measure"),
    [
        ({"score_error": 24.0}, "predicted_area_mm2"),
        ({"threshold_sd_percent": 8.0}, "predicted_area_mm2"),
        ({"outline_sd_mm": 0.6}, "pathology_area_mm2"),
        ({"alignment_error_mm": 1.2}, "centroid_offset_depth_mm"),
    ],
)
def test_more_error_makes_wider_intervals(change, measure, little_error):
    more = intervals(inputs(**{**LITTLE, **change}), 80)
    assert np.ptp((more[measure].low, more[measure].high)) > 1.3 * np.ptp(
        (little_error[measure].low, little_error[measure].high)
    )


def test_shares_sum_to_one_and_name_the_source():
    found = intervals(inputs(outline_sd_mm=0.05, alignment_error_mm=1.0), 80)
    for shares in found.shares.values():
        assert not shares or sum(shares.values()) == pytest.approx(1)
    assert found.shares["centroid_offset_lateral_mm"]["alignment"] > 0.8
    assert found.shares["pathology_area_mm2"]["outline"] > 0.95
    assert set(found.shares["predicted_area_mm2"]) == set(found.sources)
    assert found.missing == ()


def test_unknown_sources_are_said_to_be_missing():
    found = intervals(inputs(score_error=None, threshold_sd_percent=0.0), 60)
    assert found.sources == ("alignment", "outline")
    assert found.missing == ("displacement noise", "threshold")
    area = found["predicted_area_mm2"]
    assert area.high - area.low < 1e-9


def test_nothing_uncertain_gives_points():
    still = inputs(
        score_error=None, threshold_sd_percent=0.0, alignment_error_mm=0.0, outline_sd_mm=0.0
    )
    found = intervals(still, 50)
    assert found.sources == ()
    for interval in found.measures.values():
        assert interval.high - interval.low < 1e-9


def test_draws_of_the_alignment_move_slide_outlines():
    """A shift of the section by a known spread shows in the centroid offset."""
    rng = np.random.default_rng(0)
    shift = rng.normal(0, 0.5, (400, 2))
    on_slide = ellipse(3, 3).map(TURNED.to_slide, "slide")
    moved = [Affine(TURNED.matrix, TURNED.offset - TURNED.matrix @ s) for s in shift]
    found = intervals(
        inputs(
            pathology=[on_slide],
            transform=TURNED,
            transforms=moved,
            score_error=None,
            threshold_sd_percent=0.0,
            alignment_error_mm=0.0,
            outline_sd_mm=0.0,
        ),
        400,
    )
    assert found["centroid_offset_depth_mm"].sd == pytest.approx(shift[:, 0].std(), rel=0.03)
    assert found["pathology_area_mm2"].value == pytest.approx(np.pi * 9, rel=2e-3)


def test_smoothing_bias_of_the_area_is_taken_back():
    """Smoothing took area from a small lesion; the interval's middle is nearer to what it was."""
    flat = np.minimum(score_map(1.5, 60.0), 20.0)
    seen = gaussian_filter(flat, 0.6 / 0.2)
    found = intervals(inputs(score=seen, smoothed_mm=0.6, threshold_sd_percent=0.0), 100)
    area, true = found["predicted_area_mm2"], np.pi * 1.5**2
    assert area.value < 0.9 * true
    assert area.bias < -0.02 * area.value
    assert area.low < true < area.high
    assert abs((area.low + area.high) / 2 - true) < 0.7 * (true - area.value)


def test_specks_that_noise_adds_far_away_widen_nothing():
    """Everywhere else the map lies near enough to the threshold for draws to have specks."""
    score = np.maximum(score_map(), -14.0)
    found = intervals(inputs(score=score, rules=RegionRules(0.05, 0.5)), 60)
    assert found["predicted_width_mm"].high < 7.5
    assert 0.8 < found["hausdorff_mm"].high < 3.0
    assert found["predicted_area_mm2"].low > 0.75 * np.pi * 9


def test_no_lesion_in_most_draws_gives_no_interval():
    found = intervals(inputs(score=np.full(GRID.shape, -50.0)), 60)
    assert found["dice"].value == 0
    assert np.isnan(found["precision"].low)
    assert found["precision"].undefined_share == 1
    assert found.to_dict()["measures"]["precision"]["low"] is None


def test_pixels_without_estimate_take_part_in_nothing():
    score = score_map()
    score[:, :46] = np.nan
    valid = np.isfinite(score)
    found = intervals(inputs(score=score, valid=valid), 60)
    assert found["predicted_area_mm2"].value < 0.6 * np.pi * 9
    assert found["pathology_outside_valid_share"].value > 0.3


def test_progress_is_told_and_can_stop():
    told = []
    intervals(inputs(), 60, progress=lambda fraction, text: told.append(fraction))
    assert told == sorted(told)
    assert told[-1] == pytest.approx(1.0)

    def stop(fraction, text):
        raise Cancelled("Stopped.")

    with pytest.raises(Cancelled, match="Stopped"):
        intervals(inputs(), 60, progress=stop)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"score": np.zeros((3, 3))}, "Expected score of the grid's shape"),
        ({"score_error": np.zeros((3, 3))}, "Expected score_error of the grid's shape"),
        ({"outline_sd_mm": -1.0}, "outline_sd_mm of at least 0"),
        ({"outline_common": 2.0}, "outline_common from 0 to 1"),
        ({"pathology": []}, "no pathology outline"),
        ({"transforms": [TURNED]}, "give `transform`"),
        ({"transform": TURNED}, "Expected pathology outlines in slide mm"),
    ],
)
def test_wrong_inputs_are_refused(change, message):
    with pytest.raises(InputError, match=message):
        inputs(**change)


def test_too_few_draws_are_refused():
    with pytest.raises(InputError, match="at least 50 draws"):
        intervals(inputs(), 10)


def test_noise_fields_have_unit_variance_and_the_asked_correlation():
    rng = np.random.default_rng(0)
    fields = NoiseFields(GRID, (0.5, 0.3), rng)
    drawn = np.stack([fields.draw(rng) for _ in range(300)])
    assert drawn.std() == pytest.approx(1.0, abs=0.03)
    for axis, sd in ((1, 0.5), (2, 0.3)):
        near, far = np.take(drawn, range(40), axis), np.take(drawn, range(4, 44), axis)
        expected = np.exp(-(0.8**2) / (4 * sd**2))
        assert np.mean(near * far) == pytest.approx(expected, abs=0.04)


def test_boundary_displacements_have_the_asked_spread_and_correlation():
    region = MovableRegion(ellipse(5, 5).polygon(), 0.2)
    moved = region.displacements(3000, 0.3, 2.0, 0.25, np.random.default_rng(1))
    assert moved.std(axis=0) == pytest.approx(np.full(moved.shape[1], 0.3), rel=0.08)
    opposite = np.corrcoef(moved[:, 0], moved[:, moved.shape[1] // 2])[0, 1]
    assert opposite == pytest.approx(0.25, abs=0.06)  # far apart only the habit is left


def test_a_ring_keeps_its_hole_when_moved():
    ring = ellipse(5, 5).polygon().difference(ellipse(2, 2).polygon())
    region = MovableRegion(ring, 0.2)
    wider = region.region(region.moved(np.full(len(region.points), 0.5)))
    # Outwards is away from what each ring encloses: the hole grows too.
    assert wider.area == pytest.approx(np.pi * (5.5**2 - 2.5**2), rel=5e-3)


def test_pulling_back_near_the_point_estimate_equals_the_inverse():
    rng = np.random.default_rng(2)
    bend = Grid((8, 9), (2.0, 2.0))
    base = Warp(TURNED, bend, rng.normal(0, 0.15, (8, 9, 2)))
    draw = Warp(
        Affine(TURNED.matrix * 1.02, TURNED.offset + 0.3), bend, rng.normal(0, 0.15, (8, 9, 2))
    )
    slide = base.to_slide(ellipse(3, 3).exterior)
    pull = PullBack(base, slide, [draw])
    assert pull(slide) == pytest.approx(base.to_plane(slide), abs=1e-6)
    assert pull(slide, 0) == pytest.approx(draw.to_plane(slide), abs=0.005)
