"""Scan conversion keeps areas, places and gaps."""

from __future__ import annotations

import numpy as np
import pytest

from coreg.errors import InputError
from coreg.sources.scan_conversion import ScanConversion

DEPTHS = np.arange(15.0, 60.0, 0.3)
ANGLES = np.radians(np.linspace(-35, 35, 96))


def polar(radius):
    r, a = np.meshgrid(DEPTHS + radius, ANGLES, indexing="ij")
    return r * np.cos(a) - radius, r * np.sin(a), r


@pytest.mark.parametrize("radius", [0.0, 40.0])
@pytest.mark.parametrize("centre", [(22.0, 0.0), (45.0, 12.0)])
@pytest.mark.parametrize("pixel", [0.2, 0.7])
def test_area_and_place_of_a_disc_are_kept(radius, centre, pixel):
    """A disc of 5 mm near the probe or far to the side, with finer and coarser pixels."""
    convert = ScanConversion.for_beams(DEPTHS, ANGLES, probe_radius_mm=radius, pixel_mm=pixel)
    z, x, _ = polar(radius)
    disc = 1 / (1 + np.exp((np.hypot(z - centre[0], x - centre[1]) - 5) / 0.4))
    out = convert.apply(disc)
    grid = convert.grid
    area = np.nansum(out) * grid.pixel_area
    # The integral of a logistic edge of width w round a disc: pi (R² + pi² w² / 3).
    assert area == pytest.approx(np.pi * (25 + np.pi**2 * 0.4**2 / 3), rel=0.002)
    points = grid.centres()
    weight = np.nan_to_num(out.ravel()) / np.nansum(out)
    np.testing.assert_allclose(weight @ points, centre, atol=0.06)


def test_integral_of_noise_is_kept_where_interpolation_alone_would_miss_samples():
    """Coarse pixels: the mean over each takes in every sample, r dr dθ weighted."""
    rng = np.random.default_rng(0)
    _, _, r = polar(0.0)
    values = rng.uniform(0, 1, r.shape)
    values[:, :8] = values[:, -8:] = values[:8] = values[-8:] = 0
    cell = r * (DEPTHS[1] - DEPTHS[0]) * (ANGLES[1] - ANGLES[0])
    convert = ScanConversion.for_beams(DEPTHS, ANGLES, pixel_mm=1.0)
    out = convert.apply(values, smallest_cover=0.0)
    total = np.nansum(out * convert.weights.sum(axis=1).reshape(out.shape))
    assert total * convert.grid.pixel_area == pytest.approx((values * cell).sum(), rel=0.005)


def test_outside_the_beams_is_nan_and_a_constant_stays():
    convert = ScanConversion.for_beams(DEPTHS, ANGLES)
    out = convert.apply(np.full((2, *convert.shape), 7.0))
    assert out.shape == (2, *convert.grid.shape)
    assert np.isnan(out[0, 0, 0])
    np.testing.assert_allclose(out[np.isfinite(out)], 7.0, rtol=1e-5)
    covered = np.isfinite(out[0]).sum() * convert.grid.pixel_area
    step, turn = DEPTHS[1] - DEPTHS[0], ANGLES[1] - ANGLES[0]
    sector = (len(ANGLES) * turn / 2) * ((DEPTHS[-1] + step / 2) ** 2 - (DEPTHS[0] - step / 2) ** 2)
    assert covered == pytest.approx(sector, rel=0.01)


def test_missing_samples_are_left_out_of_the_mean():
    convert = ScanConversion.for_beams(DEPTHS, ANGLES, pixel_mm=0.7)
    values = np.full(convert.shape, 7.0)
    values[70:75, 40:50] = np.nan
    out = convert.apply(values)
    np.testing.assert_allclose(out[np.isfinite(out)], 7.0, rtol=1e-5)
    whole = convert.apply(np.full(convert.shape, 7.0))
    assert np.isnan(out).sum() > np.isnan(whole).sum()


@pytest.mark.parametrize(
    ("choice", "message"),
    [
        ({"depths_mm": DEPTHS[::-1]}, "rising depths"),
        ({"depths_mm": DEPTHS**1.2}, "uneven"),
        ({"angles_rad": np.degrees(ANGLES)}, "check angle_unit"),
        ({"depths_mm": DEPTHS - 30}, "behind the probe"),
        ({"pixel_mm": 1e-4}, "set a larger pixel_mm"),
    ],
)
def test_misuse(choice, message):
    with pytest.raises(InputError, match=message):
        ScanConversion.for_beams(**({"depths_mm": DEPTHS, "angles_rad": ANGLES} | choice))


def test_shape_of_beams_is_checked():
    convert = ScanConversion.for_beams(DEPTHS, ANGLES, pixel_mm=2.0)
    with pytest.raises(InputError, match="Expected beams of shape"):
        convert.apply(np.zeros((4, 5)))
