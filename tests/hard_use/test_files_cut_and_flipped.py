"""Each kind of file cut at many offsets, with bytes flipped, and as the fuzzer once broke it."""

from __future__ import annotations

import logging
from pathlib import Path

import numpy as np
import pytest
from hard_use.fuzz.parsers import PARSERS

CORPUS = Path(__file__).parent / "fuzz" / "corpus"
CUTS, FLIPS = 12, 12


@pytest.fixture(autouse=True)
def quiet():
    """Libraries log what they then raise."""
    logging.disable(logging.CRITICAL)
    yield
    logging.disable(logging.NOTSET)


def check(sentence: str) -> None:
    """What was refused was refused in a sentence of some length."""
    assert not sentence or sentence.endswith((".", "?")), sentence
    assert len(sentence) < 2000


# A sound model of zones is 1 MB; tests/zones reads one.
@pytest.mark.parametrize("name", [name for name in PARSERS if name != "zone-model"])
def test_sound_files_are_read(name):
    for seed in PARSERS[name].seeds():
        assert PARSERS[name].try_on(seed) == ""


@pytest.mark.parametrize("name", PARSERS)
def test_a_cut_file_is_read_or_refused(name):
    for seed in PARSERS[name].seeds():
        cuts = np.unique(np.r_[0, 1, 4, np.linspace(0, len(seed) - 1, CUTS).astype(int)])
        for length in cuts:
            check(PARSERS[name].try_on(seed[:length]))


@pytest.mark.parametrize("name", PARSERS)
def test_a_flipped_file_is_read_or_refused(name):
    rng = np.random.default_rng(11)
    for seed in PARSERS[name].seeds():
        # Headers are where a wrong byte does most.
        places = [*rng.integers(0, min(len(seed), 400), FLIPS), *rng.integers(0, len(seed), FLIPS)]
        for place in places:
            broken = bytearray(seed)
            broken[place] ^= int(rng.integers(1, 256))
            check(PARSERS[name].try_on(bytes(broken)))


@pytest.mark.parametrize("name", PARSERS)
def test_what_the_fuzzer_once_found_is_read_or_refused(name):
    for path in sorted((CORPUS / name).glob("*")):
        check(PARSERS[name].try_on(path.read_bytes()))
