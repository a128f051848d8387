"""The record of choices."""

import json

import pytest

from coreg.demo import Scenario
from coreg.errors import InputError


def test_round_trip_through_json() -> None:
    scenario = Scenario.random(11, noise=0.0)
    again = Scenario.from_dict(json.loads(json.dumps(scenario.to_dict())))
    assert again == scenario
    assert again.noise == 0.0


def test_random_cases_differ_and_repeat() -> None:
    assert Scenario.random(1) == Scenario.random(1)
    drawn = [Scenario.random(seed) for seed in range(40)]
    assert len({s.turn_deg for s in drawn}) == 40
    assert {s.mirrored for s in drawn} == {True, False}
    assert all(0.08 <= x <= 0.20 for s in drawn for x in s.shrinkage)


def test_a_change_in_one_part_leaves_the_other_parts_random_numbers() -> None:
    few, many = Scenario(seed=4, frames=10), Scenario(seed=4, frames=80)
    assert few.rng("bend").normal() == many.rng("bend").normal()
    assert few.rng("bend").normal() != few.rng("tear").normal()


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"power_w": 0.0}, "power_w above 0"),
        ({"noise": -1.0}, "noise of at least 0"),
        ({"frames": 2}, "8 frames"),
        ({"modulation_frequency_hz": 500.0}, "below half the frame rate"),
        ({"shrinkage": (0.6, 0.1)}, "shrinkage from 0 to 0.5"),
    ],
)
def test_impossible_choices_are_refused(wrong: dict, sentence: str) -> None:
    with pytest.raises(InputError, match=sentence):
        Scenario(**wrong)


def test_unknown_choice_is_named() -> None:
    with pytest.raises(InputError, match="'tilt'"):
        Scenario.from_dict({"tilt": 3})
