"""The proposal finds the core and its rim, keeps their order, and says when there is no lesion."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage
from zones.sections import CORE_MM, RIM_MM, dice, paint

from coreg.errors import Cancelled, FrameError, InputError
from coreg.geometry import ZONES, Grid, Image
from coreg.zones.features import compute
from coreg.zones.propose import ProposeOptions, propose


@pytest.mark.parametrize(
    ("stain", "strength"),
    [
        ("H&E", 0.7),
        ("H&E", 1.3),
        ("NADH-diaphorase", 1.0),
        ("TTC", 1.0),
        ("Masson's trichrome", 1.0),
    ],
)
def test_core_and_rim_are_found(stain, strength):
    section = paint(3, stain=stain, strength=strength)
    proposal = propose(section.image, stain_set=stain)
    truth = section.truth_on(proposal.grid)
    assert proposal.found
    assert dice(proposal.labels == 4, truth == 4) > 0.9
    assert dice(proposal.labels == 3, truth == 3) > 0.75
    assert proposal.reason.startswith("Found a core of 7.")
    # The rim that was painted is 0.6 mm wide.
    width = proposal.details["rim_width_mm"]
    assert width == pytest.approx(RIM_MM - CORE_MM, abs=0.05)


@pytest.mark.parametrize(
    ("seed", "stain"),
    [(1, "H&E"), (2, "H&E"), (3, "NADH-diaphorase"), (4, "TTC"), (5, "Masson's trichrome")],
)
def test_an_untreated_section_has_no_lesion(seed, stain):
    proposal = propose(paint(seed, treated=False, stain=stain).image, stain_set=stain)
    assert not proposal.found
    assert proposal.reason.startswith("No lesion found: ")
    assert set(np.unique(proposal.labels)) == {0, ZONES["viable"]}


def test_the_core_lies_in_the_rim_and_the_rim_in_the_tissue():
    proposal = propose(paint(4).image)
    core = proposal.labels == ZONES["ablated"]
    around = ndimage.binary_dilation(core) & ~core
    assert set(np.unique(proposal.labels[around])) <= {0, ZONES["diffusion-damaged"]}


def test_confidence_is_a_probability_and_lowest_at_the_zones_edges():
    proposal = propose(paint(5).image)
    assert proposal.confidence.min() >= 0
    assert proposal.confidence.max() <= 1
    assert not proposal.confidence[proposal.labels == 0].any()
    lesion = proposal.labels >= 3
    edge = ndimage.binary_dilation(lesion) & ~ndimage.binary_erosion(lesion)
    inner = ndimage.binary_erosion(lesion, iterations=6)
    assert proposal.confidence[edge].mean() < proposal.confidence[inner].mean()


def test_the_same_section_gives_the_same_proposal():
    image = paint(6).image
    first, second = propose(image), propose(image)
    np.testing.assert_array_equal(first.labels, second.labels)


def test_outlines_carry_the_zones_and_how_they_were_made():
    proposal = propose(paint(7).image)
    outlines = proposal.outlines()
    assert {o.zone for o in outlines} == {"ablated", "diffusion-damaged", "tissue"}
    assert {o.made_by for o in outlines} == {"proposal"}
    core = sum(o.area for o in outlines if o.zone == "ablated")
    assert core == pytest.approx(proposal.area("ablated"), rel=0.02)


def test_a_stain_of_which_nothing_is_known_is_refused():
    from dataclasses import replace

    features = replace(compute(paint(0).image), stain_set="PAS")
    with pytest.raises(InputError, match="Nothing is known of how PAS shows thermal damage"):
        propose(features)


def test_the_user_may_stop_it():
    def stop(fraction, text):
        raise Cancelled("stopped")

    with pytest.raises(Cancelled, match="stopped"):
        propose(paint(0).image, progress=stop)


def test_an_image_of_the_plane_or_of_bare_glass_is_refused():
    grid = Grid((60, 60), (0.016, 0.016), frame="plane")
    glass = np.full((60, 60, 3), 240, np.uint8)
    with pytest.raises(FrameError, match="outlined on a slide"):
        propose(Image(glass, grid))
    on_slide = Grid((60, 60), (0.016, 0.016), frame="slide")
    with pytest.raises(InputError, match="no tissue on this image"):
        propose(Image(glass, on_slide))
    coarse = Grid((60, 60), (0.05, 0.05), frame="slide")
    with pytest.raises(InputError, match="cannot be told apart at 50 µm per pixel"):
        propose(Image(glass, coarse))


def test_a_core_below_the_smallest_size_is_not_reported():
    options = ProposeOptions(smallest_core_mm2=16.0)
    assert not propose(paint(3).image, options).found
