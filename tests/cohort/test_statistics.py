"""Statistics over cases: clusters, bootstrap, proportional bias, left-out animals, bad input."""

import numpy as np
import pytest

from coreg.cohort.bland_altman import bland_altman
from coreg.cohort.bootstrap import cluster_bootstrap, cluster_mean
from coreg.cohort.concordance import concordance, intraclass
from coreg.cohort.groups import compare_groups, mixed_model, per_animal
from coreg.cohort.kappa import cohen_kappa, fleiss_kappa, label_table
from coreg.cohort.regression import deming, passing_bablok, r_squared
from coreg.cohort.threshold import leave_one_animal_out
from coreg.errors import InputError

RNG = np.random.default_rng(11)


def test_exact_limits_of_agreement_cover_as_often_as_they_say():
    """The upper limit of 12 normal differences: 95 % intervals hold it in 93–97 % of 1000."""
    rng = np.random.default_rng(0)
    inside = 0
    for _ in range(1000):
        found = bland_altman(rng.normal(0, 1, 12), np.zeros(12), method="exact")
        inside += found.upper_ci[0] <= 1.959964 <= found.upper_ci[1]
    assert 0.93 <= inside / 1000 <= 0.97


def test_intervals_of_clustered_pairs_are_wider():
    """Four lesions an animal that share its bias count for less than as many animals."""
    rng = np.random.default_rng(1)
    bias = np.repeat(rng.normal(0, 1, 15), 4)
    second = rng.normal(10, 2, 60)
    first = second + bias + rng.normal(0, 0.2, 60)
    apart = bland_altman(first, second)
    together = bland_altman(first, second, np.repeat(np.arange(15), 4), draws=500)
    assert (apart.method, together.method) == ("exact", "bootstrap")
    assert together.animals == 15
    ratio = np.ptp(together.bias_ci) / np.ptp(apart.bias_ci)
    assert 1.4 < ratio < 2.6  # the variance is that of 15, not 60: a factor of 2


def test_proportional_bias_is_found_and_its_absence_is_not():
    rng = np.random.default_rng(2)
    second = rng.uniform(5, 50, 40)
    grown = bland_altman(1.2 * second + rng.normal(0, 1, 40), second)
    assert grown.proportional
    assert grown.slope == pytest.approx(0.2 / 1.1, abs=0.02)
    assert not bland_altman(second + rng.normal(0, 1, 40), second).proportional


def test_nan_pairs_are_dropped_and_counted():
    first = np.arange(6.0)
    second = first + np.array([0.1, -0.1, 0.2, 0, 0.1, 0])
    first[2] = np.nan
    assert bland_altman(first, second).n == 5
    assert concordance(first, second).n == 5


def test_bootstrap_is_reproducible_and_resamples_animals_whole():
    values, animals = RNG.normal(size=40), np.repeat(np.arange(10), 4)
    one = cluster_bootstrap(np.mean, [values], animals, draws=300, seed=5)
    two = cluster_bootstrap(np.mean, [values], animals, draws=300, seed=5)
    assert one == two
    assert (one.n, one.animals) == (40, 10)
    constant = np.repeat(RNG.normal(size=10), 4)
    clustered = cluster_bootstrap(np.mean, [constant], animals, draws=500)
    apart = cluster_bootstrap(np.mean, [constant], draws=500)
    assert clustered.high - clustered.low > 1.4 * (apart.high - apart.low)


def test_the_fast_mean_agrees_with_the_bootstrap_draw_by_draw():
    values, animals = RNG.normal(size=60), np.repeat(np.arange(20), 3)
    slow = cluster_bootstrap(np.mean, [values], animals, draws=4000)
    fast = cluster_mean(values, animals, draws=4000)
    assert fast.value == slow.value
    width = slow.high - slow.low
    assert (fast.low, fast.high) == pytest.approx((slow.low, slow.high), abs=0.05 * width)


def test_bootstrap_with_two_animals_gives_no_interval():
    found = cluster_bootstrap(np.mean, [np.arange(4.0)], ["a", "a", "b", "b"])
    assert found.value == 1.5
    assert np.isnan(found.low)
    assert found.to_dict()["low"] is None


def test_clusters_widen_passing_bablok_and_deming():
    rng = np.random.default_rng(3)
    x = np.repeat(rng.uniform(5, 40, 12), 3) + rng.normal(0, 0.5, 36)
    y = x * np.repeat(rng.normal(1, 0.15, 12), 3) + rng.normal(0, 0.5, 36)
    animals = np.repeat(np.arange(12), 3)
    for method in (deming, passing_bablok):
        apart, together = method(x, y), method(x, y, animals)
        assert apart.slope == together.slope
        assert np.ptp(together.slope_ci) > np.ptp(apart.slope_ci)
        assert together.animals == 12


def test_deming_swapped_gives_the_inverse_slope():
    rng = np.random.default_rng(4)
    x = rng.uniform(0, 10, 20)
    y = 2 * x + rng.normal(0, 0.5, 20)
    assert deming(x, y, variance_ratio=4).slope == pytest.approx(
        1 / deming(y, x, variance_ratio=0.25).slope
    )


def test_left_out_animal_does_not_choose_its_threshold():
    """One odd animal: alone it would like -60, all others -40."""
    steps = np.arange(-80.0, -10.0, 5)
    ordinary = 0.9 - 0.0004 * (steps + 40) ** 2
    odd = 0.9 - 0.0004 * (steps + 60) ** 2
    dice = np.stack([ordinary, ordinary, ordinary, odd])
    found = leave_one_animal_out(steps, dice, ["a", "b", "c", "d"])
    assert found.left_out["d"] == (-40.0, pytest.approx(0.9 - 0.0004 * 400))
    assert found.unbiased_dice <= found.optimistic_dice
    assert found.spread_percent[0] <= found.threshold_percent <= found.spread_percent[1]


def test_unbiased_agreement_is_below_the_optimistic_one_on_noise():
    rng = np.random.default_rng(6)
    dice = np.clip(0.5 + rng.normal(0, 0.1, (8, 30)), 0, 1)
    found = leave_one_animal_out(np.arange(30.0) - 60, dice, np.arange(8))
    assert found.unbiased_dice < found.optimistic_dice - 0.03


def test_an_animal_with_many_lesions_counts_once():
    steps = np.array([-60.0, -40.0])
    dice = np.array([[0.9, 0.5]] * 6 + [[0.5, 0.8], [0.5, 0.8]])
    found = leave_one_animal_out(steps, dice, ["a"] * 6 + ["b", "c"])
    assert found.threshold_percent == -40.0
    assert found.optimistic_dice == pytest.approx((0.5 + 0.8 + 0.8) / 3)


def test_groups_are_compared_by_animal():
    values = [1.0, 1.2, 0.8, 1.0, 3.0, 3.2, 2.8]
    groups = ["low"] * 4 + ["high"] * 3
    animals = ["a", "a", "b", "c", "d", "e", "f"]
    (found,) = compare_groups(values, groups, animals)
    assert (found.first, found.second) == ("high", "low")
    assert found.animals == (3, 3)
    assert found.difference == pytest.approx((1.1 + 0.8 + 1.0) / 3 - 3.0)
    assert found.difference_ci[0] < found.difference < found.difference_ci[1]
    means, names = per_animal(values, animals)
    assert names == ["a", "b", "c", "d", "e", "f"]
    assert means[0] == pytest.approx(1.1)


def test_kappa_of_one_category_has_no_value():
    assert np.isnan(cohen_kappa([[10, 0], [0, 0]]).value)
    assert np.isnan(fleiss_kappa([[3, 0], [3, 0]]).value)


def test_label_table_counts_pairs():
    table = label_table([0, 1, 1, 2], [0, 1, 2, 2], 3)
    assert table.tolist() == [[1, 0, 0], [0, 1, 1], [0, 0, 1]]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: bland_altman([1, 2], [1, 2]), "at least 3 complete pairs, got 2"),
        (lambda: bland_altman([1, 2, 3], [1, 2]), "columns of one length"),
        (lambda: concordance([1, np.nan, 2], [1, 2, 3]), "at least 3 complete pairs, got 2"),
        (lambda: intraclass(np.ones((5, 1))), "2 or more judges"),
        (lambda: intraclass(np.ones((2, 2))), "at least 3 complete targets, got 2"),
        (lambda: deming([1, 2, 3], [1, 2, 3], variance_ratio=0), "error variances above 0"),
        (lambda: deming([1, 1, 1], [1, 2, 3]), "pathology values are equal"),
        (lambda: passing_bablok([1, 2], [1, 2]), "at least 3 animals, got 2"),
        (lambda: r_squared([1, 2, 3], [1, 2, 3], ["a", "b"]), "Expected 3 names of animals"),
        (lambda: cohen_kappa(np.ones((2, 3))), "square table of counts"),
        (lambda: cohen_kappa(np.ones((2, 2)), "cubic"), "Unknown weights 'cubic'"),
        (lambda: fleiss_kappa([[2, 1], [1, 1]]), "same number of observers"),
        (lambda: label_table([0, 3], [0, 1], 3), "labels from 0 to 2"),
        (lambda: mixed_model([1, 2, 3], ["a", "b", "c"]), "some with several lesions"),
        (lambda: leave_one_animal_out([-40], [[0.5]], ["a"]), "at least 2 animals"),
        (lambda: compare_groups([1, 2], ["x", "y"], ["a", "a"]), "in more than one group"),
    ],
)
def test_bad_input_is_one_sentence(call, message):
    with pytest.raises(InputError, match=message):
        call()


def test_animals_that_are_all_alike_leave_the_intraclass_correlation_without_limits():
    """Copies of one case: no spread between targets to relate to."""
    found = intraclass(np.tile([45.7, 43.3], (3, 1)))["ICC(2,1)"]
    assert np.isnan([found.low, found.high]).all()
