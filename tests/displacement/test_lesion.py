"""The predicted lesion by each rule."""

from __future__ import annotations

import numpy as np
import pytest

from coreg.displacement import Change, LesionOptions, change_from_baseline, predict_lesion
from coreg.errors import InputError
from coreg.geometry import Grid, mask_from_outlines

GRID = Grid((100, 90), (0.25, 0.3), (5.0, -13.0))
FOCUS = (18.0, 1.0)
RULES = ("threshold", "otsu", "half-way", "growing")


def distance(centre=FOCUS):
    return np.hypot(GRID.rows[:, None] - centre[0], GRID.columns[None, :] - centre[1])


def change_of(percent, noise=0.0, seed=0, baseline=20.0) -> Change:
    rng = np.random.default_rng(seed)
    base = np.full(GRID.shape, baseline)
    now = base * (1 + percent / 100)
    errors = np.full(GRID.shape, noise)
    return change_from_baseline(
        now + rng.normal(0, noise, GRID.shape),
        base + rng.normal(0, noise, GRID.shape),
        error=errors,
        baseline_error=errors,
    )


def disc(radius=5.0, depth=-70.0, centre=FOCUS):
    """A soft-edged disc whose half-way contour is the circle."""
    return depth / (1 + np.exp((distance(centre) - radius) / 0.3))


@pytest.mark.parametrize("rule", RULES)
def test_each_rule_finds_a_disc_of_known_area(rule):
    options = LesionOptions(
        rule=rule, focus=FOCUS, connected_to_focus=True, window_mm=9.0, threshold_percent=-35
    )
    lesion = predict_lesion(change_of(disc(), noise=1.0), options, grid=GRID)
    assert lesion.reason == ""
    assert lesion.area == pytest.approx(np.pi * 25, rel=0.05)
    assert lesion.mask.sum() * GRID.pixel_area == pytest.approx(np.pi * 25, rel=0.05)
    assert -45 < lesion.threshold_percent < -25
    assert lesion.rule == rule
    assert lesion.options == options


def test_outlines_are_sub_pixel_and_in_plane_millimetres():
    """Radius of the outline's vertices within a tenth of a pixel of the true circle."""
    options = LesionOptions(threshold_percent=-35, smooth_mm=0)
    lesion = predict_lesion(change_of(disc()), options, grid=GRID)
    (outline,) = lesion.outlines
    assert outline.zone == "predicted lesion"
    assert outline.frame == "plane"
    radius = np.hypot(*(outline.exterior - FOCUS).T)
    np.testing.assert_allclose(radius, 5.0, atol=0.03)
    np.testing.assert_array_equal(mask_from_outlines(lesion.outlines, GRID), lesion.mask)


def test_threshold_is_a_limit_of_relative_change():
    ramp = np.broadcast_to(np.linspace(0, -90, GRID.shape[1]), GRID.shape)
    options = LesionOptions(threshold_percent=-60, smooth_mm=0)
    lesion = predict_lesion(change_of(ramp), options, grid=GRID)
    np.testing.assert_array_equal(lesion.mask, ramp < -60)


def test_standard_errors_are_asked_for_in_addition():
    change = change_of(disc(depth=-50.0), noise=4.0)
    plain = predict_lesion(change, LesionOptions(threshold_percent=-20), grid=GRID)
    # The change is 10 µm, its error about 4.5 µm, so that few pixels reach 5 errors.
    strict = LesionOptions(threshold_percent=-20, standard_errors=5.0)
    found = predict_lesion(change, strict, grid=GRID)
    assert plain.mask.any()
    assert found.mask.sum() < 0.1 * plain.mask.sum()


def test_only_the_region_at_the_focus_is_kept_where_asked():
    two = np.minimum(disc(3.0), disc(4.0, centre=(18.0, -9.0)))
    change = change_of(two)
    both = predict_lesion(change, LesionOptions(), grid=GRID)
    one = predict_lesion(change, LesionOptions(focus=FOCUS, connected_to_focus=True), grid=GRID)
    assert len(both.outlines) == 2
    assert len(one.outlines) == 1
    assert one.mask[distance() < 2].all()
    assert not one.mask[distance((18.0, -9.0)) < 5].any()


def test_no_region_at_the_focus_is_a_result_with_a_reason():
    options = LesionOptions(focus=(28.0, 12.0), connected_to_focus=True)
    lesion = predict_lesion(change_of(disc(3.0)), options, grid=GRID)
    assert not lesion.mask.any()
    assert lesion.outlines == ()
    assert "of the focus; the nearest is" in lesion.reason


def test_small_regions_are_dropped_and_small_holes_filled():
    percent = disc(4.0)
    percent = np.where(distance((10.0, -8.0)) < 0.5, -80, percent)
    percent = np.where(distance() < 0.45, 0, percent)
    options = LesionOptions(smooth_mm=0, smallest_mm2=2.0, fill_holes_mm2=1.0)
    lesion = predict_lesion(change_of(percent), options, grid=GRID)
    assert len(lesion.outlines) == 1
    assert lesion.outlines[0].holes == ()
    kept = predict_lesion(
        change_of(percent),
        LesionOptions(smooth_mm=0, smallest_mm2=0.1, fill_holes_mm2=0.0),
        grid=GRID,
    )
    assert len(kept.outlines) == 2
    assert sum(len(o.holes) for o in kept.outlines) == 1


@pytest.mark.parametrize("rule", ["otsu", "half-way", "growing"])
def test_rules_that_choose_their_threshold_find_nothing_in_noise(rule):
    change = change_of(np.zeros(GRID.shape), noise=0.5)
    options = LesionOptions(rule=rule, focus=FOCUS, window_mm=8.0)
    lesion = predict_lesion(change, options, grid=GRID)
    assert not lesion.mask.any()
    assert "stands out" in lesion.reason


def test_adaptive_rules_follow_a_shallow_lesion_that_a_fixed_threshold_misses():
    change = change_of(disc(5.0, depth=-35.0), noise=0.3)
    fixed = predict_lesion(change, LesionOptions(threshold_percent=-40), grid=GRID)
    assert not fixed.mask.any()
    for rule in ("half-way", "growing"):
        options = LesionOptions(rule=rule, focus=FOCUS, window_mm=9.0)
        found = predict_lesion(change, options, grid=GRID)
        assert found.area == pytest.approx(np.pi * 25, rel=0.08)


def test_untrusted_pixels_are_never_predicted_outside_small_holes():
    valid = GRID.columns[None, :] < FOCUS[1] + np.zeros(GRID.shape[0])[:, None]
    lesion = predict_lesion(change_of(disc()), LesionOptions(), grid=GRID, valid=valid)
    assert lesion.mask.any()
    assert not lesion.mask[~valid].any()
    none = predict_lesion(change_of(disc()), grid=GRID, valid=np.zeros(GRID.shape, bool))
    assert "No pixel has a trusted change" in none.reason


def test_low_baseline_needs_two_errors_unless_told_otherwise():
    """A stiff tumour moves little: change within its error is not called a lesion."""
    change = change_of(disc(5.0, depth=-60.0), noise=0.4, baseline=1.0)
    assert change.low_baseline.mean() > 0.9
    strict = predict_lesion(change, LesionOptions(), grid=GRID)
    keep = predict_lesion(change, LesionOptions(low_baseline="keep"), grid=GRID)
    out = predict_lesion(change, LesionOptions(low_baseline="leave out"), grid=GRID)
    assert strict.mask.sum() < keep.mask.sum()
    assert out.mask.sum() < keep.mask.sum()
    assert any("baseline too low" in note for note in strict.notes)


def test_options_survive_json():
    import json

    options = LesionOptions(rule="growing", focus=(1.0, 2.0), standard_errors=2)
    assert LesionOptions(**json.loads(json.dumps(options.to_dict()))) == options


@pytest.mark.parametrize(
    ("choice", "message"),
    [
        ({"rule": "magic"}, "Unknown rule"),
        ({"threshold_percent": 40.0}, "between -100 and 0"),
        ({"connected_to_focus": True}, "needs the focus"),
        ({"smooth_mm": -1.0}, "smooth_mm of 0 or more"),
        ({"low_baseline": "?"}, "low_baseline"),
        ({"focus": (1.0,)}, "focus as"),
        ({"window_mm": 0.0}, "window_mm above 0"),
    ],
)
def test_bad_options_are_one_sentence(choice, message):
    with pytest.raises(InputError, match=message):
        LesionOptions(**choice)


def test_maps_must_lie_on_the_grid():
    with pytest.raises(InputError, match="grid's shape"):
        predict_lesion(change_of(disc()), grid=Grid((3, 3), (1, 1)))
