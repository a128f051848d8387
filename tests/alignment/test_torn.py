"""Tears and missing tissue are masked out, not bridged; landmarks, outlines, images pull as one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_tissue import PLANE, bent, slide_of, texture

from coreg.alignment import IntensityOptions, LandmarkPairs, Level, align_images
from coreg.demo import Scenario, simulate
from coreg.geometry import Image, Outline, mask_from_outlines, resample
from coreg.transforms import Affine


def test_a_tear_of_the_demo_section_is_not_bridged() -> None:
    """The untorn section stands for the plane: the truth is known beside the crack as elsewhere."""
    scenario = Scenario.random(3, tear=True, offset_mm=0.0, tilt_deg=0.0)
    torn = simulate(scenario)
    whole = simulate(replace(scenario, tear=False)).section_image(200.0)
    section = torn.section_image(200.0)
    grid = torn.plane.with_spacing(0.2)
    colours = [
        resample(Image(whole.data[..., i].astype(float), whole.grid), grid, torn.truth.to_slide,
                 fill=255.0)
        for i in range(3)
    ]  # fmt: skip
    plane = Image(np.stack(colours, axis=-1).clip(0, 255).astype(np.uint8), grid)
    assert torn.tear is not None
    crack = torn.tear.level(section.grid.centres()).reshape(section.grid.shape)
    points = grid.centres()[::7]
    there = torn.truth.to_slide(points)
    inside = mask_from_outlines(torn.tissue_outline_plane(), grid).ravel()[::7]
    beside = inside & (np.abs(torn.tear.level(there)) < 1.0)
    errors = {}
    for name, mask in (("masked", crack < 0.1), ("not", None)):
        fit = align_images(plane, section, initial=torn.truth.affine, slide_mask=mask)
        errors[name] = np.linalg.norm(fit.transform.to_plane(there) - points, axis=1)[beside]
        area = np.linalg.det(fit.transform.jacobian(points[beside]))
        area /= np.linalg.det(fit.affine.matrix)
        assert 0.8 < area.min() < area.max() < 1.25
    assert np.percentile(errors["masked"], 95) < 0.1  # half a pixel
    assert np.percentile(errors["masked"], 95) < np.percentile(errors["not"], 95)


def test_tissue_lost_from_the_section_is_not_stretched_over() -> None:
    truth, data = bent(20, False, 0.9, 0.3), texture(7)
    slide = slide_of(data, truth)
    lost = truth.to_plane(slide.grid.centres())[:, 1].reshape(slide.grid.shape) > 19.0
    cut = Image(np.where(lost, 0.0, slide.data), slide.grid)
    tissue = PLANE.to_mm(np.argwhere(data > 0)[::23])
    edge = tissue[(tissue[:, 1] > 16.0) & (tissue[:, 1] < 19.0)]
    fit = align_images(Image(data, PLANE), cut, initial=truth.affine, slide_mask=~lost)
    back = fit.transform.to_plane(truth.to_slide(edge))
    assert np.median(np.linalg.norm(back - edge, axis=1)) < 0.1
    area = np.linalg.det(fit.transform.jacobian(tissue)) / np.linalg.det(fit.affine.matrix)
    assert 0.6 < area.min() < area.max() < 1.6


def test_landmarks_outlines_and_images_pull_on_one_map() -> None:
    """Stripes alone fit at every period: the landmarks, from which the search then starts, choose
    it, the stripes place it, and the outline holds the direction along them."""
    truth = bent(0, False, 1.0, 0.15)
    rows, _ = np.indices(PLANE.shape)
    data = 1 + np.sin(2 * np.pi * rows * PLANE.spacing[0] / 3.0)  # one stripe every 3 mm
    near = Affine(truth.affine.matrix, truth.affine.offset + np.array([2.2, 0.8]))
    angle = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    ring = np.array([12.0, 15.0]) + 9 * np.stack([np.sin(angle), np.cos(angle)], axis=1)
    outline = Outline(ring, "plane", zone="tissue")
    probe = np.random.default_rng(3).uniform((6, 9), (18, 21), (40, 2))
    marks = probe[:5]
    noise = np.random.default_rng(4).normal(0, 0.3, marks.shape)
    options = IntensityOptions(
        levels=(Level(80, 0, 1.0, 4, 9), Level(112, 6, 1.2, 6, 6)), landmark_sd_mm=0.3
    )
    found = {}
    for name, with_marks, with_outline in (
        ("images", False, False),
        ("landmarks", True, False),
        ("all", True, True),
    ):
        fit = align_images(
            Image(data, PLANE),
            slide_of(data, truth),
            options,
            initial=None if with_marks else near,
            landmarks=LandmarkPairs(marks, truth.to_slide(marks) + noise) if with_marks else None,
            tissue_plane=[outline] if with_outline else (),
            tissue_slide=[truth.outline_to_slide(outline)] if with_outline else (),
        )
        found[name] = fit.transform.to_plane(truth.to_slide(probe)) - probe
    across, along = (
        {name: float(np.median(np.abs(miss[:, i]))) for name, miss in found.items()} for i in (0, 1)
    )
    assert across["images"] > 1.5  # a wrong stripe
    assert across["landmarks"] < 0.15  # less than the landmarks' own error
    assert across["all"] < 0.15
    assert along["all"] < along["landmarks"]
    assert along["all"] == pytest.approx(0, abs=0.2)
