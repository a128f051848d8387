"""Kappa between observers: the libraries' values, areas as weights, animals as the unit."""

import numpy as np
import pytest

from coreg.cohort import case_kappa, cohen_kappa, fleiss_kappa, study_kappas
from coreg.cohort.observers import DISTINCTIONS
from coreg.errors import InputError
from coreg.geometry import Grid, Outline
from coreg.zones.observers import LABELS, observer_labels

RNG = np.random.default_rng(0)


def invented(observers, cells=60, noise=0.3, rng=RNG):
    """Labels of unit areas: a truth that each observer misses now and then."""
    truth = rng.integers(0, 3, cells)
    patterns = np.stack(
        [
            np.where(rng.random(cells) < noise, rng.integers(0, 3, cells), truth)
            for _ in range(observers)
        ],
        axis=1,
    )
    return {
        "observers": [f"observer {n}" for n in range(observers)],
        "labels": list(LABELS),
        "patterns": patterns.tolist(),
        "areas_mm2": [1.0] * cells,
    }


def test_two_observers_get_the_kappa_of_scikit_learn_and_statsmodels():
    from sklearn.metrics import cohen_kappa_score

    found = invented(2)
    first, second = np.array(found["patterns"]).T
    assert case_kappa(found, "zone labels") == pytest.approx(cohen_kappa_score(first, second))
    table = np.zeros((2, 2))
    np.add.at(table, ((first > 0).astype(int), (second > 0).astype(int)), 1)
    assert case_kappa(found, "ablated + diffusion-damaged") == pytest.approx(
        cohen_kappa(table).value
    )


def test_four_observers_get_the_kappa_of_statsmodels():
    found = invented(4)
    patterns = np.array(found["patterns"])
    counts = np.stack([(patterns == label).sum(axis=1) for label in range(3)], axis=1)
    assert case_kappa(found, "zone labels") == pytest.approx(fleiss_kappa(counts).value)
    core = np.stack([(patterns != 2).sum(axis=1), (patterns == 2).sum(axis=1)], axis=1)
    assert case_kappa(found, "ablated") == pytest.approx(fleiss_kappa(core).value)


def test_areas_weigh_like_repeated_places():
    found = invented(3, 10)
    repeated = {
        **found,
        "patterns": [
            p for p, n in zip(found["patterns"], range(1, 11), strict=True) for _ in range(n)
        ],
        "areas_mm2": [0.5] * 55,
    }
    weighted = {**found, "areas_mm2": [0.5 * n for n in range(1, 11)]}
    assert case_kappa(weighted, "ablated") == pytest.approx(case_kappa(repeated, "ablated"))


def test_a_study_pools_areas_and_resamples_animals():
    labels = [invented(2) for _ in range(12)]
    labels[3] = None
    animals = [f"rabbit {n // 2}" for n in range(12)]
    (group,) = study_kappas(labels, animals)["by_observers"]
    assert (group["observers"], group["form"], group["cases"]) == (2, "Cohen", 11)
    pooled = {
        **labels[0],
        "patterns": [p for found in labels if found for p in found["patterns"]],
        "areas_mm2": [1.0] * (60 * 11),
    }
    for distinction in DISTINCTIONS:
        kappa = group["kappa"][distinction]
        assert kappa["value"] == pytest.approx(case_kappa(pooled, distinction))
        assert kappa["low"] < kappa["value"] < kappa["high"]
        assert (kappa["n"], kappa["animals"]) == (11, 6)


def test_cases_of_two_and_of_three_observers_are_kept_apart():
    labels = [invented(2), invented(3), invented(3)]
    two, three = study_kappas(labels, ["a", "b", "c"])["by_observers"]
    assert (two["form"], two["cases"]) == ("Cohen", 1)
    assert (three["form"], three["cases"]) == ("Fleiss", 2)
    assert three["kappa"]["ablated"]["low"] is None
    assert three["kappa"]["ablated"]["method"] == "none: under 3 animals"


def test_a_study_without_several_observers_says_so():
    found = study_kappas([None, None], ["a", "b"])
    assert found == {"reason": "no case holds outlines of several observers"}


def test_one_label_for_all_has_no_kappa():
    found = {
        "observers": ["a", "b"],
        "labels": list(LABELS),
        "patterns": [[0, 0]],
        "areas_mm2": [4.0],
    }
    assert np.isnan(case_kappa(found, "zone labels"))


def square(size, zone, shift=0.0):
    corners = np.array([[0, 0], [0, size], [size, size], [size, 0]], dtype=float)
    return Outline(corners + 5 - size / 2 + shift, "slide", zone=zone)


def test_drawn_outlines_become_areas_of_label_patterns():
    """Nested squares of 6 and 4 mm; the second observer's core is 2 mm: 12 mm² differ."""
    grid = Grid((100, 100), (0.1, 0.1), (0.05, 0.05), "slide")
    drawn = {
        "first": [square(6, "diffusion-damaged"), square(4, "ablated")],
        "second": [square(6, "diffusion-damaged"), square(2, "ablated"), square(9, "tumour")],
    }
    found = observer_labels(drawn, grid)
    areas = {tuple(p): a for p, a in zip(found.patterns.tolist(), found.areas_mm2, strict=True)}
    expected = {(0, 0): 64, (1, 1): 20, (2, 1): 12, (2, 2): 4}
    assert areas == {pattern: pytest.approx(area) for pattern, area in expected.items()}
    with pytest.raises(InputError, match="at least 2 observers, got 1"):
        observer_labels({"first": []}, grid)
