"""One case in memory: truth that agrees with itself."""

from dataclasses import replace

import numpy as np
import pytest

from coreg.demo import Scenario, simulate
from coreg.errors import InputError
from coreg.geometry import ZONES, Image, mask_from_outlines, resample
from coreg.transforms import transform_from_dict


def dice(a: np.ndarray, b: np.ndarray) -> float:
    return 2 * (a & b).sum() / (a.sum() + b.sum())


def test_same_seed_same_arrays() -> None:
    scenario = Scenario.random(9, plane_shape=(60, 50), frames=8)
    one, two = simulate(scenario), simulate(scenario)
    assert one.displacement.tobytes() == two.displacement.tobytes()
    assert one.bmode.data.tobytes() == two.bmode.data.tobytes()
    assert one.zones_slide.tobytes() == two.zones_slide.tobytes()
    assert one.landmarks(2).slide.tobytes() == two.landmarks(2).slide.tobytes()
    other = simulate(replace(scenario, seed=10))
    assert other.displacement.tobytes() != one.displacement.tobytes()


@pytest.mark.parametrize("mirrored", [False, True])
def test_section_in_the_plane_mapped_by_the_truth_is_the_plane(mirrored: bool) -> None:
    scenario = Scenario(
        seed=3,
        offset_mm=0,
        tilt_deg=0,
        tear=False,
        mirrored=mirrored,
        bend_mm=1.0,
        truth_spacing_mm=0.04,  # the rim is only some 0.6 mm wide
    )
    simulated = simulate(scenario)
    back = resample(
        Image(simulated.zones_slide, simulated.zones_slide_grid),
        simulated.zones_plane_grid,
        simulated.truth.to_slide,
        order=0,
    )
    for zone in ("viable", "tumour", "diffusion-damaged", "ablated"):
        number = ZONES[zone]
        assert dice(back == number, simulated.zones_plane == number) > 0.97
    assert np.array_equal(simulated.pathology_on_plane(), simulated.zones_plane)
    assert simulated.truth.affine.mirrored == mirrored


def test_landmarks_of_a_section_in_the_plane_meet_exactly_but_for_the_observer() -> None:
    scenario = Scenario(seed=3, offset_mm=0, tilt_deg=0, landmark_error_mm=0.3)
    simulated = simulate(scenario)
    exact = simulated.true_landmarks()
    assert len(exact) >= 12
    assert len(set(exact.names)) == len(exact)
    assert np.abs(simulated.truth.to_slide(exact.plane) - exact.slide).max() < 1e-3
    errors = np.concatenate([simulated.landmarks(k).plane - exact.plane for k in range(1, 41)])
    assert errors.std() == pytest.approx(0.3, rel=0.1)


def test_landmarks_lie_off_when_the_section_does() -> None:
    simulated = simulate(Scenario(seed=3, offset_mm=1.0, tilt_deg=4.0))
    exact = simulated.true_landmarks()
    off = np.linalg.norm(simulated.truth.to_slide(exact.plane) - exact.slide, axis=1)
    assert 0.05 < np.sqrt(np.square(off).mean()) < 1.5


def test_lesion_has_the_size_and_the_order_of_zones_of_a_sonication() -> None:
    for seed in range(1, 4):
        simulated = simulate(Scenario.random(seed))
        grid, labels = simulated.zones_plane_grid, simulated.zones_plane
        core = np.argwhere(labels == ZONES["ablated"]) * grid.spacing
        size = np.ptp(core, axis=0)
        assert (size > 3).all()
        assert (size < 11).all()
        state = simulated.animal.state(
            np.column_stack([grid.centres(), np.zeros(len(grid.centres()))])
        )
        assert (state.rim[state.ablation > 0] > 0).all()
        centre = core.mean(axis=0) + grid.origin
        assert np.linalg.norm(centre - simulated.scenario.focus_mm) < 1.5


def test_shrinkage_is_that_of_the_scenario() -> None:
    scenario = Scenario(
        seed=1,
        treated=False,
        offset_mm=0,
        tilt_deg=0,
        bend_mm=0,
        shrinkage=(0.18, 0.10),
        tear=False,
    )
    simulated = simulate(scenario)
    ratio = (simulated.zones_slide > 0).sum() / (simulated.zones_plane > 0).sum()
    assert ratio == pytest.approx(0.82 * 0.90, rel=0.01)


def test_fast_inverse_is_the_exact_one() -> None:
    simulated = simulate(Scenario.random(12, bend_mm=1.2, treated=False))
    points = np.random.default_rng(0).random((2000, 2)) * simulated.zones_slide_grid.size
    exact = simulated.truth.to_plane(points)
    seen = simulated.plane.contains(exact)
    assert seen.mean() > 0.5
    assert np.abs(simulated.plane_of_slide(points) - exact)[seen].max() < 1e-3


def test_random_transforms_do_not_fold_and_survive_storage() -> None:
    for seed in range(6):
        simulated = simulate(Scenario.random(seed, treated=False, plane_shape=(40, 40)))
        points = simulated.plane.centres()
        det = np.linalg.det(simulated.truth.jacobian(points))
        assert (np.sign(det) == np.sign(det[0])).all()
        assert np.abs(det).min() > 0.25
        again = transform_from_dict(simulated.truth.to_dict())
        assert np.allclose(again.to_slide(points), simulated.truth.to_slide(points))


def test_true_outlines_enclose_the_true_zones() -> None:
    simulated = simulate(Scenario(seed=4, truth_spacing_mm=0.04))
    grid = simulated.zones_slide_grid
    for zone in ("ablated", "diffusion-damaged", "artefact"):
        drawn = [o for o in simulated.true_outlines() if o.zone == zone]
        assert drawn
        mask = mask_from_outlines(drawn, grid)
        assert dice(mask, simulated.zones_slide == ZONES[zone]) > 0.97


def test_observers_stray_from_the_truth_by_their_error() -> None:
    simulated = simulate(Scenario(seed=4, outline_error_mm=0.25, tear=False))
    true = simulated.zones_slide == ZONES["ablated"]
    grid = simulated.zones_slide_grid
    from coreg.demo.observers import edge_distance

    away = []
    for observer in range(1, 9):
        drawn = [o for o in simulated.outlines(observer) if o.zone == "ablated"]
        assert drawn[0].observer == f"observer {observer}"
        ring = drawn[0].densified(0.1).exterior
        index = np.clip(grid.to_index(ring).round().astype(int), 0, np.array(grid.shape) - 1)
        away.append(edge_distance(true, grid)[index[:, 0], index[:, 1]])
    assert np.concatenate(away).std() == pytest.approx(0.25, rel=0.35)


def test_faultless_analysis_agrees_better_in_the_plane_than_off_it() -> None:
    near, far = (
        simulate(Scenario(seed=2, offset_mm=o, tilt_deg=0)).truth_agreement() for o in (0.0, 2.0)
    )
    assert near["ablated"]["dice"] > 0.93
    assert far["ablated"]["dice"] < near["ablated"]["dice"] - 0.05
    for values in (near["ablated"], far["ablated + diffusion-damaged"]):
        assert values["jaccard"] == pytest.approx(values["dice"] / (2 - values["dice"]))


def test_threshold_must_be_a_fall() -> None:
    with pytest.raises(InputError, match="below 0"):
        simulate(Scenario(treated=False)).truth_agreement(40.0)
