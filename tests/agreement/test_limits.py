"""From draws to limits: cover the truth where percentiles do not, and agree with the areas."""

import numpy as np
import pytest
from scipy.stats import foldnorm

from coreg.agreement.limits import folded, true_limits, unfolded
from coreg.agreement.measures import MEASURES

RADIUS = 4.0
ANGLE = np.linspace(0, 2 * np.pi, 90, endpoint=False)
DICE, AREAS = (
    MEASURES.index("dice"),
    [MEASURES.index(f"{s}_area_mm2") for s in ("predicted", "pathology")],
)


def star(gap):
    """Dice and areas of a disc and of one whose boundary lies `gap` (n, angles) mm outside it."""
    both = np.pi * np.mean(np.minimum(RADIUS, RADIUS + gap) ** 2, axis=-1)
    predicted = np.pi * np.mean((RADIUS + gap) ** 2, axis=-1)
    pathology = np.full_like(predicted, np.pi * RADIUS**2)
    found = np.full((*predicted.shape, len(MEASURES)), np.nan)
    found[..., DICE] = 2 * both / (predicted + pathology)
    found[..., AREAS[0]], found[..., AREAS[1]] = predicted, pathology
    return found


def smooth(rng, n):
    """Gaussian errors of the gap, 0.3 mm, alike over some 2 mm, a quarter of it all round."""
    squared = (RADIUS * 2 * np.sin((ANGLE[:, None] - ANGLE) / 2)) ** 2
    covariance = 0.09 * (0.25 + 0.75 * np.exp(-squared / 8))
    return rng.multivariate_normal(np.zeros(len(ANGLE)), covariance, n, method="eigh")


@pytest.mark.parametrize(("size", "form"), [(0.0, 0.05), (-0.8, 0.2)])
def test_limits_of_dice_cover_the_truth(size, form):
    """Near-perfect agreement, which percentiles of the draws miss, and a lesion that is too small.

    Of 80 intervals at 95 % fewer than 70 with the truth would be rare (1 in 1000).
    """
    rng = np.random.default_rng(3)
    true_gap = size + form * np.sin(2 * ANGLE)
    truth, inside, percentile = star(true_gap)[DICE], 0, 0
    for _ in range(80):
        seen = true_gap + smooth(rng, 1)[0]
        draws = star(seen + smooth(rng, 150))
        low, high = true_limits(star(seen), draws, 400.0)["dice"]
        inside += low <= truth <= high
        percentile += (
            np.quantile(draws[:, DICE], 0.025) <= truth <= np.quantile(draws[:, DICE], 0.975)
        )
    assert inside >= 70
    if size == 0:
        assert percentile < 20


def test_no_limit_of_dice_exceeds_what_the_areas_allow():
    """Areas known to be 2 to 3 cannot reach a Dice above 0.8, however uncertain position is."""
    rng = np.random.default_rng(0)
    point, draws = np.full(len(MEASURES), np.nan), np.full((300, len(MEASURES)), np.nan)
    point[DICE], point[AREAS] = 0.7, (20.0, 30.0)
    draws[:, DICE] = np.clip(0.6 + rng.normal(0, 0.08, 300), 0, 0.8)
    draws[:, AREAS] = (20.0, 30.0)
    low, high = true_limits(point, draws, 400.0)["dice"]
    assert low < 0.7
    assert 0.78 < high <= 0.8 + 1e-9


def test_folded_is_the_folded_normal_mean_and_unfolded_its_inverse():
    mean, sd = np.array([0.0, 0.3, -1.0, 2.0]), np.array([1.0, 0.5, 0.8, 0.4])
    expected = [foldnorm(abs(m) / s, scale=s).mean() for m, s in zip(mean, sd, strict=True)]
    assert folded(mean, sd) == pytest.approx(expected)
    assert unfolded(folded(mean, sd), mean)[:3] == pytest.approx(sd[:3], rel=1e-6)
    assert unfolded(np.array([0.5]), np.array([0.5])) == 0
