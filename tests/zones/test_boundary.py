"""Boundaries are smooth where the look is patchy, and lie where the tissue changes."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from scipy import ndimage

from coreg.geometry import Grid
from coreg.zones.boundary import Boundaries, BoundaryOptions, closed_chain, find, refine, tidy
from coreg.zones.unfold import STEP_MM, grown, unfold

GRID = Grid((300, 320), (0.032, 0.032), (0.7, -0.3), "slide")
MIDDLE = np.array([5.4, 4.7])
TISSUE = np.ones(GRID.shape, dtype=bool)


def disc(radius, centre=MIDDLE):
    return np.hypot(*(GRID.centres() - centre).T).reshape(GRID.shape) <= radius


def radius_of(mask):
    return np.sqrt(mask.sum() * GRID.pixel_area / np.pi)


def dice(first, second):
    return 2 * (first & second).sum() / (first.sum() + second.sum())


def test_distance_and_place_around_a_circle():
    around = unfold(disc(2.0), GRID, 1.0)
    radius = np.hypot(*(GRID.centres() - MIDDLE).T).reshape(GRID.shape)[around.near]
    seen = radius > 0.5
    np.testing.assert_allclose(around.distance[seen], radius[seen] - 2.0, atol=0.03)
    assert around.places == (pytest.approx(2 * np.pi * 2.0 / STEP_MM, abs=2),)


def test_a_ring_has_two_edges_and_a_speck_none():
    around = unfold(disc(2.0) & ~disc(1.0), GRID, 0.3)
    assert len(around.places) == 2
    assert not around.inside[GRID.shape[0] // 2, GRID.shape[1] // 2]
    assert unfold(disc(0.1), GRID, 0.3) is None


def test_grown_and_shrunk_by_mm():
    assert radius_of(grown(disc(2.0), GRID, 0.5)) == pytest.approx(2.5, abs=0.02)
    assert radius_of(grown(disc(2.0), GRID, -0.5)) == pytest.approx(1.5, abs=0.02)


def test_the_closed_chain_matches_a_count_of_all_its_states():
    """Against the sum over all paths of a ring of 5 places; computed."""
    rng = np.random.default_rng(0)
    states, gain = np.array([0.0, 0.1, 0.2]), rng.normal(0, 1, (5, 3))
    step = np.exp(-0.5 * ((states[:, None] - states) / 0.1) ** 2)
    step /= step.sum(axis=1, keepdims=True)
    exact = np.zeros((5, 3))
    for path in product(range(3), repeat=5):
        weight = np.exp(sum(gain[k, state] for k, state in enumerate(path)))
        weight *= np.prod([step[path[k], path[(k + 1) % 5]] for k in range(5)])
        exact[range(5), path] += weight
    exact /= exact.sum(axis=1, keepdims=True)
    # Three turns instead of one that closes exactly.
    np.testing.assert_allclose(closed_chain(gain, states, 0.1), exact, atol=0.02)


def test_a_patchy_rim_gets_a_smooth_boundary():
    """A quarter of the rim looks like the rest, and a tenth of the rest like the rim."""
    core, lesion = disc(2.0), disc(2.6)
    rng = np.random.default_rng(1)
    noise = ndimage.gaussian_filter(rng.standard_normal(GRID.shape), 6)
    patchy = np.where(lesion, noise > np.percentile(noise, 25), noise > np.percentile(noise, 90))
    look = np.stack([core, patchy & ~core, ~patchy & ~core], axis=-1) * 0.94 + 0.02
    cell_by_cell = (look.argmax(axis=-1) < 2) & disc(3.4)
    found = find(core, look, TISSUE, GRID, BoundaryOptions())
    assert dice(found.core > 0.5, core) > 0.99
    assert dice(found.lesion > 0.5, lesion) > 0.97 > dice(cell_by_cell, lesion)
    assert ((found.lesion >= found.core) & (found.lesion <= 1)).all()


def test_refining_takes_out_the_pull_of_the_evener_tissue():
    """Even core beside a varied rim: the edge of a mixture lies half-way, wherever it began."""
    rng = np.random.default_rng(2)
    soft = ndimage.gaussian_filter(disc(2.0).astype(float), 2)
    outer = ndimage.gaussian_filter(disc(2.6).astype(float), 2)
    varied = ndimage.gaussian_filter(rng.standard_normal(GRID.shape), 3) * 6
    maps = np.stack([1 - soft, outer + 0.2 * varied * (outer - soft)])
    maps += 0.05 * rng.standard_normal(maps.shape)
    first = Boundaries(disc(1.9).astype(float), disc(2.75).astype(float))
    found = refine(first, maps, TISSUE, GRID, BoundaryOptions())
    assert radius_of(found.core > 0.5) == pytest.approx(2.0, abs=0.02)
    assert radius_of(found.lesion > 0.5) == pytest.approx(2.6, abs=0.03)


def test_a_boundary_between_two_alike_tissues_stays():
    maps = np.random.default_rng(3).normal(0, 1, (2, *GRID.shape))
    first = Boundaries(disc(2.0).astype(float), disc(2.6).astype(float))
    found = refine(first, maps, TISSUE, GRID, BoundaryOptions())
    assert radius_of(found.core > 0.5) == pytest.approx(2.0, abs=0.1)


def test_what_a_user_painted_moves_the_boundary():
    core, lesion = disc(2.0), disc(2.4)
    look = np.stack([core, lesion & ~core, ~lesion], axis=-1) * 0.94 + 0.02
    painted = np.zeros(GRID.shape, dtype=int)
    away = GRID.centres() - MIDDLE
    angle = np.arctan2(away[:, 1], away[:, 0]).reshape(GRID.shape)
    # A brush of 0.15 mm drawn 1.3 mm along the outside of the boundary.
    stroke = disc(2.6) & ~disc(2.45) & (np.abs(angle) < 0.25)
    painted[stroke] = 2
    without = find(core, look, TISSUE, GRID, BoundaryOptions())
    heard = find(core, look, TISSUE, GRID, BoundaryOptions(), painted)
    assert not (without.lesion > 0.5)[stroke].any()
    assert (heard.lesion > 0.5)[stroke].mean() > 0.8


def test_tidy_takes_lobes_and_bays_off_and_keeps_two_cores():
    two = disc(1.5, MIDDLE - (2, 2)) | disc(1.2, MIDDLE + 1.6)
    ragged = (two | disc(0.1, MIDDLE - (0.4, 2))) & ~disc(0.12, MIDDLE - (2, 1.8))
    assert dice(tidy(ragged, GRID, 0.3), two) > 0.99
    assert not tidy(disc(0.2), GRID, 0.3).any()


def test_a_core_too_small_for_places_has_no_boundary():
    look = np.full((*GRID.shape, 3), 1 / 3)
    assert find(disc(0.15), look, TISSUE, GRID, BoundaryOptions()) is None
