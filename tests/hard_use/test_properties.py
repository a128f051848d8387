"""What must hold for whatever is drawn: geometry, transforms, masks, units, measures, round trips.

The draws are the same in every run (`derandomize`), so that a failure is met again.
"""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as nps

from coreg.agreement import MEASURES, measure
from coreg.case import new_case, open_case
from coreg.geometry import Grid, Outline, bounding_grid, mask_from_outlines, outlines_from_mask
from coreg.landmark_pairs import LandmarkPairs
from coreg.schema import SCHEMA, Setting
from coreg.sources.landmarks import read_landmarks, write_landmarks
from coreg.sources.outlines import read_outlines, write_outlines
from coreg.transforms import Affine, ThinPlate, Warp, transform_from_dict

settings.register_profile(
    "hard use",
    derandomize=True,
    max_examples=40,
    deadline=None,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
PROFILE = settings.get_profile("hard use")

lengths = st.floats(-200, 200)
pixel_sizes = st.floats(1e-3, 2)
grids = st.builds(
    Grid,
    st.tuples(st.integers(1, 40), st.integers(1, 40)),
    st.tuples(pixel_sizes, pixel_sizes),
    st.tuples(lengths, lengths),
)
points = nps.arrays(np.float64, st.tuples(st.integers(0, 12), st.just(2)), elements=lengths)


@st.composite
def affines(draw) -> Affine:
    """Turned, mirrored, shrunken by up to a third along each axis, sheared a little."""
    angle, shear = draw(st.floats(-np.pi, np.pi)), draw(st.floats(-0.2, 0.2))
    scale = np.diag([draw(st.floats(0.65, 1.4)), draw(st.floats(0.65, 1.4))])
    mirror = np.diag([1.0, draw(st.sampled_from([-1.0, 1.0]))])
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    offset = np.array([draw(lengths), draw(lengths)])
    return Affine(turn @ mirror @ scale @ np.array([[1.0, shear], [0.0, 1.0]]), offset)


@st.composite
def warps(draw) -> Warp:
    """An affine map with a bend that does not fold."""
    bend = draw(nps.arrays(np.float64, (6, 7, 2), elements=st.floats(-0.4, 0.4)))
    return Warp(draw(affines()), Grid((6, 7), (5.0, 5.0), (0.0, 0.0), "plane"), bend)


masks = nps.arrays(bool, (14, 11))


# --- geometry --------------------------------------------------------------------------------


@settings(PROFILE)
@given(grids, points)
def test_mm_and_index_are_inverse(grid, drawn):
    back = grid.to_mm(grid.to_index(drawn))
    assert np.allclose(back, drawn, rtol=0, atol=1e-9)


@settings(PROFILE)
@given(grids)
def test_a_grid_holds_its_own_centres_and_its_area(grid):
    assert grid.contains(grid.centres()).all()
    top, left, bottom, right = grid.bounds
    assert (bottom - top) * (right - left) == pytest.approx(
        grid.pixel_area * grid.shape[0] * grid.shape[1]
    )
    assert Grid.from_dict(grid.to_dict()) == grid


@settings(PROFILE)
@given(grids, pixel_sizes)
def test_another_pixel_size_covers_the_same_extent(grid, spacing):
    finer = grid.with_spacing(spacing)
    for edge, other in zip(grid.bounds[:2], finer.bounds[:2], strict=True):
        assert other == pytest.approx(edge, abs=1e-9)
    for edge, other in zip(grid.bounds[2:], finer.bounds[2:], strict=True):
        assert abs(other - edge) <= spacing + 1e-9


@settings(PROFILE)
@given(points.filter(len), pixel_sizes.filter(lambda s: s > 0.1), st.floats(1e-9, 5))
def test_a_bounding_grid_holds_the_points(drawn, spacing, margin):
    assert bounding_grid(drawn, spacing, "plane", margin).contains(drawn).all()


# --- transforms ------------------------------------------------------------------------------


@settings(PROFILE)
@given(st.one_of(affines(), warps()), points)
def test_to_slide_and_to_plane_are_inverse(transform, drawn):
    # The bend is known on the warp's grid; beyond it is constant, and folds nowhere either.
    there = transform.to_slide(drawn)
    assert np.allclose(transform.to_plane(there), drawn, rtol=0, atol=1e-4)


@settings(PROFILE)
@given(st.one_of(affines(), warps()), points)
def test_a_transform_as_data_is_the_same_map(transform, drawn):
    again = transform_from_dict(transform.to_dict())
    assert np.array_equal(again.to_slide(drawn), transform.to_slide(drawn))


@settings(PROFILE)
@given(affines(), points)
def test_the_jacobian_is_the_change_of_the_map(transform, drawn):
    step = 1e-3
    for axis in range(2):
        ahead = transform.to_slide(drawn + step * np.eye(2)[axis])
        slope = (ahead - transform.to_slide(drawn)) / step
        assert np.allclose(transform.jacobian(drawn)[..., axis], slope, atol=1e-6)


@settings(PROFILE)
@given(warps(), nps.arrays(np.float64, (8, 2), elements=st.floats(2, 22)))
def test_the_jacobian_of_a_warp_is_the_change_of_the_map(transform, drawn):
    step = 1e-5
    for axis in range(2):
        shift = step * np.eye(2)[axis]
        slope = (transform.to_slide(drawn + shift) - transform.to_slide(drawn - shift)) / (2 * step)
        assert np.allclose(transform.jacobian(drawn)[..., axis], slope, atol=1e-4)


@settings(PROFILE)
@given(affines())
def test_an_outline_keeps_its_area_over_the_determinant(transform):
    square = Outline(np.array([[0.0, 0.0], [0.0, 4.0], [3.0, 4.0], [3.0, 0.0]]), "plane")
    there = transform.outline_to_slide(square)
    assert there.area == pytest.approx(12.0 * abs(np.linalg.det(transform.matrix)), rel=1e-9)
    assert there.frame == "slide"


@settings(PROFILE)
@given(affines(), st.floats(0.1, 10))
def test_an_affine_fit_through_exact_landmarks_is_the_map(transform, extent):
    from coreg.alignment import fit_landmarks

    plane = extent * np.array([[0, 0], [0, 3], [4, 0], [4, 3], [2, 1.5], [1, 2.5]])
    fit = fit_landmarks(LandmarkPairs(plane, transform.to_slide(plane)), "affine")
    assert np.allclose(fit.transform.to_slide(plane), transform.to_slide(plane), atol=1e-7)


def test_a_thin_plate_is_stored_whole():
    rng = np.random.default_rng(3)
    nodes = rng.uniform(0, 20, (12, 2))
    affine = Affine(np.eye(2), np.zeros(2))
    plate = ThinPlate(affine, nodes, rng.normal(0, 0.01, (12, 2)), 10.0)
    again = transform_from_dict(plate.to_dict())
    assert np.array_equal(again.to_slide(nodes), plate.to_slide(nodes))


# --- masks and outlines ----------------------------------------------------------------------


@settings(PROFILE)
@given(masks, pixel_sizes, pixel_sizes, lengths)
def test_a_mask_comes_back_from_its_outlines(mask, tall, wide, origin):
    grid = Grid(mask.shape, (tall, wide), (origin, -origin), "slide")
    assert np.array_equal(mask_from_outlines(outlines_from_mask(mask, grid), grid), mask)


@settings(PROFILE)
@given(masks)
def test_outlines_know_no_unit(mask):
    """The same pixels ten times as large make outlines ten times as large."""
    small = outlines_from_mask(mask, Grid(mask.shape, (0.1, 0.1)))
    large = outlines_from_mask(mask, Grid(mask.shape, (1.0, 1.0)))

    def shapes(outlines: list[Outline], factor: float) -> list[list[list[float]]]:
        # Pieces of one size come in any order.
        return sorted(np.round(outline.exterior * factor, 6).tolist() for outline in outlines)

    assert shapes(small, 10) == shapes(large, 1)
    assert sum(o.area for o in large) == pytest.approx(100 * sum(o.area for o in small))


@settings(PROFILE)
@given(masks)
def test_outlines_are_written_and_read_as_they_are(tmp_path, mask):
    grid = Grid(mask.shape, (0.3, 0.2), (1.0, 2.0), "slide")
    drawn = outlines_from_mask(mask, grid, zone="ablated", observer="a \u05d0 🐇", made_by="x")
    write_outlines(tmp_path / "a.geojson", drawn, frame="slide")
    again = read_outlines(tmp_path / "a.geojson")
    assert np.array_equal(mask_from_outlines(again, grid), mask)
    assert {o.observer for o in again} == {o.observer for o in drawn}


# --- measures --------------------------------------------------------------------------------

GRID = Grid((14, 11), (0.5, 0.25))


@settings(PROFILE)
@given(masks, masks)
def test_overlap_is_symmetric_and_bounded(one, other):
    there, back = measure(one, other, GRID), measure(other, one, GRID)
    for name in ("dice", "jaccard", "hd95_mm", "hausdorff_mm", "mean_boundary_distance_mm"):
        assert getattr(there, name) == pytest.approx(getattr(back, name), nan_ok=True)
    assert there.sensitivity == pytest.approx(back.precision, nan_ok=True)
    for name in ("dice", "jaccard", "sensitivity", "specificity", "precision"):
        value = getattr(there, name)
        assert np.isnan(value) or 0 <= value <= 1
    if np.isfinite(there.dice):
        assert there.dice == pytest.approx(2 * there.jaccard / (1 + there.jaccard))
    if np.isfinite(there.hausdorff_mm):
        most = np.hypot(*GRID.size)
        assert 0 <= there.hd95_mm <= there.hausdorff_mm + 1e-9 <= most + 1e-9
        assert there.mean_boundary_distance_mm <= there.hausdorff_mm + 1e-9


@settings(PROFILE)
@given(masks.filter(np.any))
def test_a_mask_agrees_with_itself(mask):
    found = measure(mask, mask, GRID)
    assert found.dice == found.jaccard == 1
    if np.isfinite(found.hausdorff_mm):
        assert found.hausdorff_mm == pytest.approx(0, abs=1e-9)


@settings(PROFILE)
@given(masks, masks, st.booleans(), st.booleans())
def test_measures_do_not_depend_on_which_way_one_looks(one, other, flip, turn):
    views = [np.flipud if flip else np.array, np.transpose if turn else np.array]
    grid = replace(GRID, shape=GRID.shape[::-1], spacing=GRID.spacing[::-1]) if turn else GRID

    def seen(mask: np.ndarray) -> np.ndarray:
        return np.ascontiguousarray(views[1](views[0](mask)))

    there, here = measure(seen(one), seen(other), grid), measure(one, other, GRID)
    for name in MEASURES:
        if any(word in name for word in ("depth", "lateral", "width", "offset")):
            continue  # these follow the axes
        assert getattr(there, name) == pytest.approx(getattr(here, name), nan_ok=True), name


@settings(PROFILE)
@given(masks, masks, st.floats(0.01, 100))
def test_measures_scale_with_the_unit(one, other, factor):
    scaled = Grid(GRID.shape, (GRID.spacing[0] * factor, GRID.spacing[1] * factor))
    here, there = measure(one, other, GRID), measure(one, other, scaled)
    for name in MEASURES:
        power = 2 if name.endswith("_mm2") else 1 if name.endswith("_mm") else 0
        expected = getattr(here, name) * factor**power
        assert getattr(there, name) == pytest.approx(expected, nan_ok=True), name


@settings(PROFILE)
@given(masks, masks, masks.filter(np.any))
def test_what_is_not_valid_changes_no_overlap(one, other, valid):
    inside = measure(one, other, GRID, valid)
    elsewhere = measure(one | ~valid, other & valid, GRID, valid)
    for name in ("dice", "jaccard", "sensitivity", "specificity", "precision"):
        assert getattr(inside, name) == pytest.approx(getattr(elsewhere, name), nan_ok=True)


# --- files -----------------------------------------------------------------------------------

names = st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs")), max_size=30)


@settings(PROFILE)
@given(
    st.lists(names.map(str.strip).filter(bool), min_size=0, max_size=8, unique=True),
    st.integers(0, 2**32 - 1),
)
def test_landmarks_come_back_exactly(tmp_path, drawn, seed):
    rng = np.random.default_rng(seed)
    pairs = LandmarkPairs(
        rng.normal(0, 50, (len(drawn), 2)), rng.normal(0, 50, (len(drawn), 2)), tuple(drawn)
    )
    write_landmarks(tmp_path / "a.csv", pairs)
    again = read_landmarks(tmp_path / "a.csv")
    assert again.names == pairs.names
    assert np.array_equal(again.plane, pairs.plane)
    assert np.array_equal(again.slide, pairs.slide)


def values_of(setting: Setting) -> st.SearchStrategy:
    """Values that a setting takes."""
    least = setting.least if setting.least is not None else setting.above
    low, high = -1e6 if least is None else least, 1e6 if setting.most is None else setting.most
    if setting.kind == "text":
        return st.sampled_from(setting.choices) if setting.choices else names
    if setting.kind == "texts":
        return st.lists(st.sampled_from(setting.choices), max_size=4)
    if setting.kind == "yes/no":
        return st.booleans()
    if setting.kind == "whole":
        return st.integers(int(low), int(min(high, 1e6)))
    one = st.floats(low, high, exclude_min=setting.above is not None)
    return one if setting.kind == "number" else st.lists(one, min_size=2, max_size=2)


SETTINGS = [
    (section, key, setting)
    for section, keys in SCHEMA.items()
    for key, setting in keys.items()
    if key not in ("path", "folder", "baseline_path", "model")  # those lead somewhere
]


@settings(PROFILE, max_examples=60)
@given(st.data())
def test_every_setting_is_written_and_read_as_it_is(tmp_path, data):
    section, key, setting = data.draw(st.sampled_from(SETTINGS))
    value = data.draw(values_of(setting))
    folder = tmp_path / os.urandom(8).hex()
    case = new_case(folder, {section: {key: value}})
    assert case.settings[section][key] == value
    case.change(section, **{key: value})
    assert open_case(folder).settings[section][key] == value


@settings(PROFILE, max_examples=15)
@given(names.filter(lambda name: name.strip(". /\\") and "/" not in name and "\\" not in name))
def test_a_case_folder_may_have_any_name(tmp_path, name):
    try:
        folder = Path(tmp_path / os.urandom(4).hex() / name)
        case = new_case(folder, {"case": {"note": name}})
    except UnicodeEncodeError:  # a name that this system's file names cannot hold
        return
    assert open_case(folder).settings["case"]["note"] == name
    assert case.status()["predict"].state == "to do"


@pytest.mark.parametrize(
    "name",
    ["with spaces and 'quotes'", "🐇 kidney", "ארנב שמאל", "x" * 200, "per%cent #1; $HOME"],
)
def test_a_case_of_any_name_goes_through_the_commands(name, finished, tmp_path, capsys):
    import shutil

    from coreg import cli

    folder = tmp_path / name
    shutil.copytree(finished, folder)
    (folder / "slide.ome.tif").rename(folder / f"{name[:180]}.ome.tif")
    open_case(folder).change("slide", path=f"{name[:180]}.ome.tif")
    open_case(folder).change("case", name=name)
    for arguments in (["check"], ["outline", "--quiet"], ["align", "--quiet"], ["report"]):
        assert cli.main([arguments[0], str(folder), *arguments[1:]]) in (0, 1)
        assert "fault of its own" not in capsys.readouterr().err
