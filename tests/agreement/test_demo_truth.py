"""Agreement on a few demo cases with known truth; `benchmarks/bench_agreement.py` has many."""

import numpy as np
import pytest
from benchmarks.bench_agreement import BARS, demo_case

from coreg.agreement import intervals

SEEDS = (3, 8)


@pytest.fixture(scope="module")
def cases():
    return {seed: demo_case(seed, 60) for seed in SEEDS}


def test_point_values_with_the_true_alignment_are_near_the_truth(cases):
    """The project's bar: 0.02 of Dice and 3 % of the area, median."""
    dice, area = [], []
    for case in cases.values():
        for zone, point in case.point.items():
            truth = case.truth[zone]
            dice.append(abs(point["dice"] - truth["dice"]))
            for side in ("predicted_area_mm2", "pathology_area_mm2"):
                area.append(abs(point[side] / truth[side] - 1))
    assert np.median(dice) < 0.02
    assert np.median(area) < 0.03


def test_most_intervals_hold_the_truth(cases):
    """Of 12 intervals at 95 % three or more without the truth would be rare (2 %)."""
    inside = []
    for seed, case in cases.items():
        for zone, inputs in case.inputs.items():
            found = intervals(inputs, 60, seed)
            inside += [
                found[name].low <= case.truth[zone][name] <= found[name].high for name in BARS
            ]
    assert len(inside) == 12
    assert sum(inside) >= 10
