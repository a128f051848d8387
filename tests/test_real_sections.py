"""The main job on real input: the documented example on serial sections with expert landmarks.

Data: J. Borovec, A. Muñoz-Barrutia, J. Kybic, IEEE ICIP 2018, doi 10.1109/ICIP.2018.8451040.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from coreg.sources.slides import open_slide

EXAMPLE = Path(__file__).resolve().parents[1] / "docs" / "examples" / "serial_sections.py"


@pytest.fixture(scope="module")
def example():
    spec = importlib.util.spec_from_file_location("serial_sections", EXAMPLE)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def aligned(example, serial_sections, tmp_path_factory):
    case, used = example.make_case(serial_sections, tmp_path_factory.mktemp("real") / "case")
    return case, example.measure(case, serial_sections, used)


def test_held_out_landmarks_come_near_the_spread_between_observers(aligned, record_property):
    _, errors = aligned
    record_property("errors_px", errors)
    assert errors.held_out < errors.before / 3
    assert errors.held_out < 0.012 * errors.diagonal
    assert min(errors.observers) > 0


def test_what_the_tool_says_of_its_error_is_not_too_good(aligned):
    """Leave-one-out among few landmarks overstates the error; it must not understate it."""
    _, errors = aligned
    assert errors.leave_one_out > 0.8 * errors.held_out


def test_the_slide_is_a_pyramid_with_its_pixel_size(aligned, example):
    case, _ = aligned
    with open_slide(case.require("slide")) as slide:
        assert len(slide.levels) > 1
        np.testing.assert_allclose(slide.pixel_size, example.PIXEL_MM, rtol=1e-6)
        assert slide.pixel_size_source == "OME-XML"


def test_twelve_landmarks_are_spread_out_and_68_are_held_out(example, serial_sections):
    points = example.read_points(serial_sections / "landmarks" / "section-prospc.csv")
    used = example.spread_out(points, 12)
    assert len(set(used)) == 12
    assert len(points) - len(used) == 68
    gaps = np.linalg.norm(points[used][:, None] - points[used], axis=2)
    assert gaps[gaps > 0].min() > 50
