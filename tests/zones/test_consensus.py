"""Several observers: what they agree on, how well, and how far apart they draw the boundary."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.metrics import f1_score

from coreg.errors import InputError
from coreg.geometry import Grid, Outline
from coreg.zones.consensus import consensus, staple

GRID = Grid((240, 260), (0.02, 0.02), (0.3, -0.2), frame="slide")


def disc(radius, centre=(2.7, 2.4)):
    return np.hypot(*(GRID.centres() - centre).T).reshape(GRID.shape) <= radius


def lesion(core, rim, centre=(2.7, 2.4)):
    return np.where(disc(core, centre), 4, np.where(disc(rim, centre), 3, 1)).astype(np.uint8)


def ring(radius, zone):
    angle = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    points = np.array([2.7, 2.4]) + radius * np.c_[np.sin(angle), np.cos(angle)]
    return Outline(points, "slide", zone=zone)


@pytest.mark.parametrize("method", ["majority", "staple"])
def test_the_middle_of_three_nested_observers_is_the_consensus(method):
    result = consensus([lesion(0.8, 1.2), lesion(0.9, 1.3), lesion(1.0, 1.4)], GRID, method)
    np.testing.assert_array_equal(result.labels, lesion(0.9, 1.3))


def test_two_observers_agree_on_the_boundary_half_way_between_theirs():
    """Cutting them to their overlap would make every lesion too small."""
    result = consensus({"A": lesion(0.8, 1.2), "B": lesion(1.0, 1.4)}, GRID)
    core = result.labels == 4
    assert core.sum() * GRID.pixel_area == pytest.approx(np.pi * 0.9**2, rel=0.01)
    assert not (core & ~disc(0.92)).any()
    assert not (disc(0.88) & ~core).any()


def test_a_rim_drawn_as_a_ring_or_over_the_core_is_the_same():
    over = [ring(0.8, "ablated"), ring(1.2, "diffusion-damaged")]
    result = consensus({"over": over, "map": lesion(0.8, 1.2)}, GRID)
    (pair,) = result.regions["ablated + diffusion-damaged"].pairs
    assert pair.dice == pytest.approx(1, abs=2e-3)


@pytest.mark.parametrize("step", [0.06, 0.2])
def test_spread_is_the_deviation_between_boundaries_in_mm(step):
    """Concentric circles: the standard deviation of the radii is the answer."""
    radii = 1 + step * np.array([-1, 0, 1.5])
    region = consensus([lesion(r, 1.6) for r in radii], GRID).regions["ablated"]
    assert region.spread == pytest.approx(radii.std(ddof=1), rel=0.05)
    np.testing.assert_allclose(region.offset, radii - 1, atol=0.006)
    distances = [pair.mean_distance for pair in region.pairs]
    expected = [step, 2.5 * step, 1.5 * step]
    np.testing.assert_allclose(distances, expected, rtol=0.05, atol=0.004)


def test_pair_agreement_matches_scikit_learn():
    first, second = lesion(0.8, 1.2), lesion(0.9, 1.3, (2.8, 2.3))
    (pair,) = consensus([first, second], GRID).regions["ablated"].pairs
    assert pair.dice == pytest.approx(f1_score((first == 4).ravel(), (second == 4).ravel()))
    assert 0 < pair.kappa < pair.dice


def test_a_careless_observer_is_told_apart_by_staple():
    noise = np.random.default_rng(3).random(GRID.shape) < 0.2
    careless = np.where(noise, np.where(lesion(0.9, 1.3) == 4, 1, 4), lesion(0.9, 1.3))
    maps = [lesion(0.9, 1.3), lesion(0.92, 1.3), careless.astype(np.uint8)]
    region = consensus(maps, GRID, "staple").regions["ablated"]
    assert region.sensitivity[2] == pytest.approx(0.8, abs=0.02)
    assert region.specificity[2] == pytest.approx(0.8, abs=0.02)
    assert region.sensitivity[:2].min() > 0.95


def test_pixels_outside_the_tissue_do_not_count():
    half = np.zeros(GRID.shape, dtype=bool)
    half[:, 130:] = True
    result = consensus([lesion(0.9, 1.3), lesion(1.0, 1.4)], GRID, "staple", within=half)
    assert not result.labels[:, :130].any()
    assert result.regions["ablated"].mask[:, 130:].any()


def test_an_observer_who_drew_nothing_lowers_agreement_without_failing():
    result = consensus({"A": lesion(0.9, 1.3), "B": np.zeros(GRID.shape, np.uint8)}, GRID)
    region = result.regions["ablated"]
    assert not region.mask.any()
    assert region.pairs[0].dice == 0
    assert np.isnan(region.spread)
    assert np.isnan(region.pairs[0].mean_distance)


def test_nothing_drawn_by_anybody_gives_no_regions():
    result = consensus([[], []], GRID)
    assert result.regions == {}
    assert result.outlines() == []


def test_identical_observers_are_perfect():
    mask = disc(0.8)
    probability, sensitivity, specificity = staple(np.stack([mask, mask]))
    np.testing.assert_allclose(probability, mask, atol=1e-6)
    np.testing.assert_allclose([*sensitivity, *specificity], 1, atol=1e-6)


def test_staple_has_nothing_to_estimate_where_nothing_was_marked():
    probability, sensitivity, specificity = staple(np.zeros((2, 4, 4), dtype=bool))
    assert not probability.any()
    assert np.isnan([*sensitivity, *specificity]).all()


def test_outlines_of_the_consensus_say_who_and_how():
    outlines = consensus({"A": lesion(0.8, 1.2), "B": lesion(0.8, 1.2)}, GRID).outlines()
    rim = next(o for o in outlines if o.zone == "diffusion-damaged")
    assert (rim.observer, rim.made_by) == ("A, B", "consensus (majority)")
    assert len(rim.holes) == 1
    assert rim.area == pytest.approx(np.pi * (1.2**2 - 0.8**2), rel=0.01)


@pytest.mark.parametrize(
    ("drawn", "method", "message"),
    [
        ([[]], "majority", "at least 2 observers, got 1"),
        ([[], []], "vote", "Unknown consensus method 'vote'"),
        ([np.zeros((3, 3), np.uint8), []], "staple", "label map of shape .* from observer 1"),
    ],
)
def test_misuse_is_told_in_one_sentence(drawn, method, message):
    with pytest.raises(InputError, match=message):
        consensus(drawn, GRID, method)
