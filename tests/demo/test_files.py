"""The files of a case."""

import hashlib
import json
import tracemalloc
from pathlib import Path

import h5py
import numpy as np
import pytest
import tifffile
from scipy.io import loadmat

from coreg.demo import Scenario, simulate, write_case
from coreg.demo.files import recording_arrays, write_arrays
from coreg.demo.slide_file import write_slide
from coreg.errors import Cancelled, InputError
from coreg.geometry import Grid
from coreg.sources.landmarks import read_landmarks
from coreg.sources.outlines import read_outlines
from coreg.transforms import transform_from_dict

SMALL = Scenario(seed=8, plane_shape=(50, 40), frames=10, treatment_times=3)


def hashes(folder: Path) -> dict[str, str]:
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


def test_same_seed_gives_the_same_bytes_of_every_file(tmp_path: Path) -> None:
    for name in ("one", "two"):
        write_case(simulate(SMALL), tmp_path / name, slide_um_per_px=50.0)
    found = hashes(tmp_path / "one")
    assert found == hashes(tmp_path / "two")
    assert {"slide.ome.tif", "recording.npz", "landmarks.csv", "truth/truth.json"} <= set(found)


@pytest.mark.parametrize("kind", ["npz", "mat", "mat73"])
def test_recordings_come_back_and_repeat(kind: str, tmp_path: Path) -> None:
    arrays = recording_arrays(simulate(SMALL))
    first, second = tmp_path / "a", tmp_path / "b"
    write_arrays(first, arrays, kind)
    write_arrays(second, arrays, kind)
    assert first.read_bytes() == second.read_bytes()
    if kind == "npz":
        with np.load(first) as file:
            read = dict(file)
    elif kind == "mat":
        read = loadmat(first)
    else:
        with h5py.File(first) as file:
            read = {name: data[()].T for name, data in file.items()}
    for name, array in arrays.items():
        assert np.array_equal(np.squeeze(read[name]), array)
    assert np.abs(arrays["displacement"] - simulate(SMALL).displacement).max() <= 1 / 128


def test_case_holds_what_it_says(tmp_path: Path) -> None:
    simulated = simulate(SMALL)
    told: list[float] = []
    facts = write_case(
        simulated, tmp_path, slide_um_per_px=50.0, progress=lambda f, _: told.append(f)
    )
    assert told == sorted(told)
    assert told[-1] == 1.0
    assert not list(tmp_path.glob("*.part"))
    assert (
        read_landmarks(tmp_path / facts["landmarks"]["path"]).names == simulated.landmarks().names
    )
    drawn = read_outlines(tmp_path / "outlines")
    assert {o.observer for o in drawn} == {"observer 1", "observer 2"}
    assert {"tumour", "ablated", "diffusion-damaged"} <= {o.zone for o in drawn}
    transform = transform_from_dict(json.loads((tmp_path / "truth/transform.json").read_text()))
    focus = SMALL.focus_mm
    assert np.allclose(transform.to_slide(focus), simulated.truth.to_slide(focus))
    numbers = json.loads((tmp_path / "truth/truth.json").read_text())
    assert Scenario.from_dict(numbers["scenario"]) == SMALL
    assert numbers["agreement"]["ablated"] == simulated.truth_agreement()["ablated"]
    json.dumps(facts)


def test_slide_is_a_pyramid_with_its_pixel_size(tmp_path: Path) -> None:
    simulated = simulate(SMALL)
    grid = simulated.zones_slide_grid.with_spacing(0.025)
    path = tmp_path / "slide.ome.tif"
    write_slide(path, simulated.renderer, grid, compression="deflate")
    with tifffile.TiffFile(path) as tif:
        assert tif.is_ome
        assert 'PhysicalSizeX="25' in tif.ome_metadata
        levels = tif.series[0].levels
        assert len(levels) > 1
        assert levels[0].shape == (*grid.shape, 3)
        fine, coarse = levels[0].asarray(), levels[1].asarray()
        assert tif.pages[0].is_tiled
    whole = simulated.renderer.region(grid, (0, 0), grid.shape)
    assert np.array_equal(fine, whole)
    rows, columns = coarse.shape[0] - 1, coarse.shape[1] - 1
    mean = fine[: 2 * rows, : 2 * columns].reshape(rows, 2, columns, 2, 3).mean(axis=(1, 3))
    assert np.abs(coarse[:rows, :columns] - mean).max() <= 0.5


class Plain:
    """Stands for the painter: grey, at no cost, so that only the writer is measured."""

    def region(self, grid: Grid, start: tuple[int, int], shape: tuple[int, int]) -> np.ndarray:
        return np.full((*shape, 3), (start[0] // 7) % 255, dtype=np.uint8)


def test_memory_of_the_writer_does_not_grow_with_the_slide(tmp_path: Path) -> None:
    peaks = []
    for side in (1500, 4500):
        grid = Grid((side, side), (0.004, 0.004), frame="slide")
        tracemalloc.start()
        write_slide(tmp_path / "slide.ome.tif", Plain(), grid)  # type: ignore[arg-type]
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.5 * peaks[0]
    assert peaks[1] < 40e6  # the larger slide is 61 MB


def test_stopping_leaves_no_half_written_slide(tmp_path: Path) -> None:
    def stop(fraction: float, text: str) -> None:
        if fraction > 0.3:
            raise Cancelled("Stopped.")

    grid = Grid((2000, 2000), (0.004, 0.004), frame="slide")
    with pytest.raises(Cancelled, match=r"Stopped\."):
        write_slide(tmp_path / "slide.ome.tif", Plain(), grid, progress=stop)  # type: ignore[arg-type]
    assert list(tmp_path.iterdir()) == []


def test_wrong_choices_are_refused_before_anything_is_written(tmp_path: Path) -> None:
    simulated = simulate(SMALL)
    with pytest.raises(InputError, match="npz, mat, mat73"):
        write_case(simulated, tmp_path / "case", recording_format="csv")
    with pytest.raises(InputError, match="above 0 µm"):
        write_case(simulated, tmp_path / "case", slide_um_per_px=0)
    with pytest.raises(InputError, match="'jpeg' or 'deflate'"):
        write_case(simulated, tmp_path / "case", compression="lzw")
    assert not (tmp_path / "case").exists()
