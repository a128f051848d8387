"""Vectors that a picture was made with are found again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from coreg.errors import InputError
from coreg.stain import (
    STAIN_SETS,
    StainProfile,
    StainSet,
    combine,
    estimate_vectors,
    normalise,
    profile,
    separate,
)

WHITE = np.array([242.0, 240.0, 236.0])
HE = STAIN_SETS["H&E"]
# Common constants of a reference picture used with the method; not from a paper.
OTHER = replace(HE, vectors=np.array([[0.5626, 0.7201, 0.4062], [0.2159, 0.8012, 0.5581]]))


def picture(stains: StainSet, seed: int = 0, strength: float = 1.0) -> np.ndarray:
    """Pixels of either stain alone, mixed pixels, and glass."""
    rng = np.random.default_rng(seed)
    n = len(stains.stains)
    amount = rng.gamma(4, 0.12, (120, 100, n)) * strength
    which = rng.integers(0, n + 1, (120, 100))
    for k in range(n):
        amount[which == k] *= np.eye(n)[k] if n > 1 else 1
    amount[:, 80:] = 0
    return combine(amount, stains, WHITE)


def degrees(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return np.degrees(np.arccos(np.clip((a * b).sum(axis=1), -1, 1)))


@pytest.mark.parametrize("stains", [HE, OTHER, STAIN_SETS["H-DAB"]], ids=["H&E", "H&E 2", "H-DAB"])
@pytest.mark.parametrize("seed", range(3))
def test_vectors_are_found_again(stains, seed):
    found = estimate_vectors(picture(stains, seed), stains=replace(stains, vectors=stains.vectors))
    assert found.ok
    assert degrees(found.stains.vectors, stains.vectors).max() < 2.5
    assert found.stains.stains == stains.stains
    assert "Macenko" in found.stains.source


def test_the_stain_that_starts_nearer_keeps_its_name():
    found = estimate_vectors(picture(OTHER), stains=HE)
    assert degrees(found.stains.vectors, OTHER.vectors).max() < 2.5


@pytest.mark.parametrize("name", ["NADH-diaphorase", "TTC"])
def test_one_stain_is_the_mean_direction(name):
    truth = replace(STAIN_SETS[name], vectors=np.array([[0.5, 0.7, 0.5]]))
    found = estimate_vectors(picture(truth), stains=STAIN_SETS[name])
    assert found.ok
    assert degrees(found.stains.vectors, truth.vectors)[0] < 1


def test_what_cannot_be_estimated_is_a_value_with_a_reason():
    glass = np.full((50, 50, 3), 240, dtype=np.uint8)
    found = estimate_vectors(glass)
    assert not found.ok
    assert "Only 0 pixels hold enough stain" in found.reason
    np.testing.assert_array_equal(found.stains.vectors, HE.vectors)
    assert found.to_dict()["angle"] is None
    one = combine(
        np.random.default_rng(0).gamma(4, 0.1, (60, 60, 1)) + 0.2, STAIN_SETS["TTC"], WHITE
    )
    found = estimate_vectors(one, white=WHITE)
    assert "one colour only" in found.reason


def test_three_stains_are_refused():
    three = StainSet("x", ("a", "b", "c"), np.eye(3), ("", "", ""), "test")
    with pytest.raises(InputError, match="for one or two stains, x has 3"):
        estimate_vectors(picture(HE), stains=three)


def test_normalising_gives_the_references_stain():
    """A paler slide in other colours comes out with the reference's own densities."""
    reference = picture(HE, seed=1)
    source = picture(OTHER, seed=1, strength=0.6)
    to, own = profile(reference), profile(source, stains=HE)
    made = normalise(source, own, to)
    difference = np.abs(made.astype(float) - reference)
    assert difference.mean() < 6
    assert np.abs(source.astype(float) - reference).mean() > 20
    same = normalise(reference, to, to)
    assert np.abs(same.astype(float) - reference)[:, :80].mean() < 4
    densities = separate(made, to.stains, to.white)
    strong = np.percentile(densities.reshape(-1, 2), 99, axis=0)
    assert strong == pytest.approx(to.strong, rel=0.05)


def test_profiles_survive_and_must_match():
    one = profile(picture(HE))
    again = StainProfile.from_dict(one.to_dict())
    np.testing.assert_allclose(again.strong, one.strong)
    other = profile(picture(STAIN_SETS["H-DAB"]), stains=STAIN_SETS["H-DAB"])
    with pytest.raises(InputError, match="choose a reference of the same staining"):
        normalise(picture(HE), one, other)
