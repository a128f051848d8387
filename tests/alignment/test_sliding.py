"""Semi-landmarks: curves help a landmark fit although no point of them has a known partner."""

from __future__ import annotations

import numpy as np
import pytest

from coreg.alignment import CurvePair, LandmarkPairs, fit_landmarks, fit_with_curves
from coreg.alignment.sliding import _bending
from coreg.errors import InputError
from coreg.transforms import Affine

TURN = np.array([[np.cos(0.7), -np.sin(0.7)], [np.sin(0.7), np.cos(0.7)]])


def bent(p: np.ndarray) -> np.ndarray:
    """A turn with a bend that the four landmarks below hardly see."""
    return 0.85 * (p + 0.6 * np.sin(p[:, ::-1] / 4)) @ TURN.T + [4, -2]


def ring(n: int, start: float = 0.0, reach: float = 1.0) -> np.ndarray:
    angle = start + np.linspace(0, 2 * np.pi, n, endpoint=False)
    radius = reach * (9 + 1.2 * np.cos(2 * angle) + 0.8 * np.sin(3 * angle))
    return np.array([12.0, 12.0]) + radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], 1)


MARKS = np.array([(8.0, 8.0), (8.0, 16.0), (16.0, 9.0), (15.0, 15.0), (12.0, 12.0)])


@pytest.mark.parametrize("model", ["affine", "thin-plate"])
def test_a_curve_lowers_the_error_near_it(model: str) -> None:
    """The slide's curve starts elsewhere and has another number of corners."""
    pairs = LandmarkPairs(MARKS, bent(MARKS))
    alone = fit_landmarks(pairs, model).transform
    found = fit_with_curves(pairs, [CurvePair(ring(240), bent(ring(301, start=1.0)))], model)
    inside, fine = ring(60, reach=0.9), bent(ring(4000))
    before, after = (
        np.median(np.linalg.norm(m.to_slide(inside) - bent(inside), axis=1))
        for m in (alone, found.transform)
    )
    off, on = (
        np.linalg.norm(m.to_slide(ring(60))[:, None] - fine, axis=2).min(axis=1).mean()
        for m in (alone, found.transform)
    )
    bends = model == "thin-plate"
    assert after < (0.7 if bends else 0.95) * before  # along the curve nothing is known of it
    assert on < (0.2 if bends else 0.95) * off
    assert np.isnan(found.fit.leave_one_out[5:]).all()
    assert np.isfinite(found.fit.leave_one_out[:5]).all()
    assert found.moved_mm < 0.01


def test_semi_landmarks_slide_and_landmarks_stay() -> None:
    pairs = LandmarkPairs(MARKS, bent(MARKS), ("a", "b", "c", "d", "e"))
    curve = CurvePair(ring(240), bent(ring(301, start=1.0)), points=16, name="capsule")
    found = fit_with_curves(pairs, [curve])
    assert np.array_equal(found.fit.pairs.slide[:5], pairs.slide)
    assert found.fit.pairs.names[5] == "capsule 1/16"
    semi = found.fit.pairs.slide[5:]
    fine = bent(ring(20_000))
    away = np.linalg.norm(semi[:, None] - fine[None], axis=2).min(axis=1)
    assert away.max() < 0.05  # on the curve, but for the straight stretches between its corners
    truth = bent(found.fit.pairs.plane[5:])
    start = fit_landmarks(pairs).transform.to_slide(found.fit.pairs.plane[5:])
    start = fine[np.linalg.norm(start[:, None] - fine[None], axis=2).argmin(axis=1)]
    before, after = (np.linalg.norm(s - truth, axis=1).mean() for s in (start, semi))
    assert after < 0.9 * before


def test_sliding_lowers_the_bending_energy() -> None:
    """Bookstein's criterion: no small step along the curve lowers the energy further."""
    pairs = LandmarkPairs(MARKS, bent(MARKS))
    found = fit_with_curves(pairs, [CurvePair(ring(240), bent(ring(960)), points=12)])
    plane, slide = found.fit.pairs.plane, found.fit.pairs.slide
    energy = _bending(plane)
    least = np.trace(slide.T @ energy @ slide)
    fine = bent(ring(4000))
    for i in range(5, len(slide)):
        near = int(np.argmin(np.linalg.norm(fine - slide[i], axis=1)))
        for step in (-40, 40):
            tried = slide.copy()
            tried[i] = fine[(near + step) % len(fine)]
            assert np.trace(tried.T @ energy @ tried) > 0.98 * least


def test_an_open_curve_keeps_its_ends_and_a_start_replaces_landmarks() -> None:
    arc = np.stack([np.linspace(0, 20, 50), 5 + 3 * np.sin(np.linspace(0, 3, 50))], axis=1)
    other = np.stack([np.linspace(2, 18, 40), np.full(40, 16.0)], axis=1)
    curves = [CurvePair(line, bent(line[::-1]), closed=False, points=8) for line in (arc, other)]
    start = Affine(0.85 * TURN, np.array([4.0, -2.0]))
    found = fit_with_curves(None, curves, initial=start)
    assert np.allclose(found.fit.pairs.slide[[0, 7]], bent(arc)[[0, -1]], atol=1e-9)
    for line in (arc, other):
        fine = np.stack(
            [
                np.interp(np.linspace(0, 1, 2000), np.linspace(0, 1, len(line)), line[:, i])
                for i in (0, 1)
            ],
            axis=1,
        )
        before, after = (
            np.linalg.norm(m.to_slide(line)[:, None] - bent(fine), axis=2).min(axis=1).mean()
            for m in (start, found.transform)
        )
        assert after < 0.5 * before


def test_wrong_curves_are_refused() -> None:
    square = np.array([(0.0, 0.0), (0.0, 5.0), (5.0, 5.0)])
    with pytest.raises(InputError, match="Expected two landmarks or a map to start from"):
        fit_with_curves(None, [CurvePair(square, square)])
    with pytest.raises(InputError, match="at least 3 finite points of 'capsule' on the slide"):
        CurvePair(square, square[:2], name="capsule")
    with pytest.raises(InputError, match="All points of 'curve' lie at one place"):
        fit_with_curves(
            LandmarkPairs(square, square), [CurvePair(square, np.ones((4, 2)))], "affine"
        )
    with pytest.raises(InputError, match="at least one curve"):
        fit_with_curves(LandmarkPairs(square, square), [])
    with pytest.raises(InputError, match="at least 3 semi-landmarks"):
        CurvePair(square, square, points=2)
