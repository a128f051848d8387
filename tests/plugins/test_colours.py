"""Zones can be told apart with the common kinds of colour blindness."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

pytest.importorskip("napari", reason="napari is not installed (the extra 'gui')")

from coreg_napari.colours import OVERLAP_COLOURS, ZONE_COLOURS

# Common practice: a colour difference (CIE 1976) of 2.3 is just noticeable (Mahy, Van Eycken and
# Oosterlinck 1994, from memory); thin lines need several times that. The factor is our choice.
JUST_NOTICEABLE = 2.3
ENOUGH = 8 * JUST_NOTICEABLE


def rgb(colour: str) -> np.ndarray:
    return np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])


def seen(colour: str, kind: str | None) -> np.ndarray:
    """A colour in CIELAB as seen with a colour blindness (Machado, Oliveira, Fernandes 2009)."""
    from colorspacious import cspace_convert

    value = rgb(colour)
    if kind is not None:
        space = {"name": "sRGB1+CVD", "cvd_type": kind, "severity": 100}
        value = np.clip(cspace_convert(value, space, "sRGB1"), 0, 1)
    return cspace_convert(value, "sRGB1", "CIELab")


@pytest.mark.parametrize("kind", [None, "deuteranomaly", "protanomaly", "tritanomaly"])
@pytest.mark.parametrize(
    "colours",
    [
        [
            ZONE_COLOURS[zone]
            for zone in ("ablated", "diffusion-damaged", "tumour", "viable", "artefact")
        ],
        list(OVERLAP_COLOURS.values()),
    ],
    ids=["zones", "overlap"],
)
def test_colours_differ_enough(kind, colours):
    pytest.importorskip("colorspacious")
    closest = min(
        float(np.linalg.norm(seen(a, kind) - seen(b, kind))) for a, b in combinations(colours, 2)
    )
    assert closest > ENOUGH
