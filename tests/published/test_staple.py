"""STAPLE against an expectation-maximisation written from the paper's equations.

S. K. Warfield, K. H. Zou, W. M. Wells, "Simultaneous truth and performance level estimation
(STAPLE)", IEEE Trans. Med. Imaging 2004;23:903-921 (equations from memory). The paper has no
example that can be recomputed by hand, so all values here are computed, not published.
"""

from __future__ import annotations

import numpy as np
import pytest

from coreg.geometry import Grid
from coreg.zones.consensus import consensus, staple

# Decisions of three raters on 200 pixels, how often each occurs, and the probability of the
# region to which the equations converge (computed in float64, 46 iterations to 1e-14).
PATTERNS = {
    "111": (30, 0.99997475),
    "110": (6, 0.99594461),
    "101": (4, 0.98855605),
    "011": (3, 0.97079883),
    "100": (2, 0.34884142),
    "010": (3, 0.17093578),
    "001": (5, 0.06761789),
    "000": (147, 0.00044956),
}
SENSITIVITY = [0.913862, 0.886268, 0.836868]
SPECIFICITY = [0.991172, 0.983285, 0.969166]


def raters():
    columns = [[c == "1" for c in key] for key, (n, _) in PATTERNS.items() for _ in range(n)]
    return np.array(columns).T


def equations(masks, iterations=200):
    """The E and M steps as the paper writes them, prior = mean share of the region."""
    prior = masks.mean()
    p = q = np.full(len(masks), 0.99999)
    for _ in range(iterations):
        inside = np.prod(np.where(masks, p[:, None], 1 - p[:, None]), axis=0) * prior
        outside = np.prod(np.where(masks, 1 - q[:, None], q[:, None]), axis=0) * (1 - prior)
        w = inside / (inside + outside)
        p = (masks * w).sum(axis=1) / w.sum()
        q = (~masks * (1 - w)).sum(axis=1) / (1 - w).sum()
    return w, p, q


def test_probabilities_and_performances_match_the_computed_case():
    probability, sensitivity, specificity = staple(raters())
    expected = np.repeat([w for _, w in PATTERNS.values()], [n for n, _ in PATTERNS.values()])
    np.testing.assert_allclose(probability, expected, atol=1e-5)
    np.testing.assert_allclose(sensitivity, SENSITIVITY, atol=1e-5)
    np.testing.assert_allclose(specificity, SPECIFICITY, atol=1e-5)


@pytest.mark.parametrize("seed", range(5))
def test_agrees_with_the_equations_on_random_raters(seed):
    rng = np.random.default_rng(seed)
    truth = rng.random(4000) < 0.3
    good, sound = rng.uniform(0.8, 0.98, (2, 4, 1))
    draw = rng.random((4, 4000))
    masks = np.where(truth, draw < good, draw > sound)
    probability, sensitivity, specificity = staple(masks)
    w, p, q = equations(masks)
    np.testing.assert_allclose(probability, w, atol=1e-4)
    np.testing.assert_allclose(sensitivity, p, atol=1e-4)
    np.testing.assert_allclose(specificity, q, atol=1e-4)
    # The estimates also recover the performances that made the raters (sampling error only).
    np.testing.assert_allclose(sensitivity, good[:, 0], atol=0.04)
    np.testing.assert_allclose(specificity, sound[:, 0], atol=0.04)


def test_the_consensus_of_label_maps_carries_these_numbers():
    maps = list(raters().reshape(3, 10, 20).astype(np.uint8) * 4)
    region = consensus(maps, Grid((10, 20), (0.1, 0.1), frame="slide"), "staple").regions["ablated"]
    np.testing.assert_allclose(region.sensitivity, SENSITIVITY, atol=1e-5)
    np.testing.assert_allclose(region.specificity, SPECIFICITY, atol=1e-5)
    assert region.mask.sum() == 30 + 6 + 4 + 3
