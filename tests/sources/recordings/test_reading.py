"""A recording from its file: units, axis order, times, sector, questions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from coreg.displacement import fit_oscillation
from coreg.errors import InputError
from coreg.sources.recordings import RecordingSpec, read_recording
from coreg.sources.recordings import reading as module

TIMES, FRAMES, DEPTH, LATERAL = 3, 40, 12, 9
AXES = {"z": np.arange(DEPTH) * 0.2 + 4, "x": np.arange(LATERAL) * 0.3 - 1.2, "t": [0, 10.0, 25.0]}
RATE = {"frame_rate_hz": 1000.0, "modulation_frequency_hz": 50.0}


def oscillation(times=TIMES):
    rng = np.random.default_rng(0)
    t = np.arange(FRAMES)[:, None, None] / 1000
    amplitude = rng.uniform(5, 20, (times, 1, DEPTH, LATERAL))
    return (amplitude / 2 * np.cos(2 * np.pi * 50 * t) + 3).astype(np.float32)


DATA = oscillation()
MAPS = DATA.max(axis=1) - DATA.min(axis=1)


def npz(tmp_path, **arrays):
    path = tmp_path / "a.npz"
    np.savez(path, **AXES, **arrays)
    return path


def spec_of(path, **choices):
    named = {"depth": "z", "lateral": "x", "time": "t", "array": "disp", **RATE}
    return RecordingSpec(path, **(named | choices))


def test_axes_are_found_from_their_lengths_and_said(tmp_path):
    for order in ((0, 1, 2, 3), (3, 2, 1, 0), (2, 3, 0, 1)):
        found = read_recording(spec_of(npz(tmp_path, disp=DATA.transpose(order))))
        np.testing.assert_array_equal(found.data, DATA)
        assert "from the lengths of its axes" in found.notes[0]
    assert found.grid.spacing == pytest.approx((0.2, 0.3))
    assert found.grid.origin == pytest.approx((4.0, -1.2))
    assert found.grid.frame == "plane"
    assert found.times_s.tolist() == [0, 10, 25]
    assert found.baseline_times == 1
    assert found.questions == ()


def test_a_stated_order_stands_above_sizes(tmp_path):
    square = np.random.default_rng(0).normal(0, 9, (TIMES, FRAMES, 9, 9))
    path = tmp_path / "s.npz"
    np.savez(path, disp=square.transpose(1, 3, 2, 0))
    spec = RecordingSpec(
        path, axis_order="frame,lateral,depth,time", depth_spacing=0.2, lateral_spacing=0.2, **RATE
    )
    found = read_recording(spec)
    np.testing.assert_allclose(found.data, square, rtol=1e-6)
    guessed = read_recording(replace(spec, axis_order=""))
    assert any("usual order of NumPy files; check it" in note for note in guessed.notes)


def test_equal_lengths_that_fit_no_habit_ask_for_the_order(tmp_path):
    path = tmp_path / "s.npz"
    np.savez(path, disp=np.zeros((12, 9, 12)), z=np.arange(12.0), x=np.arange(9.0))
    spec = RecordingSpec(path, array="disp", depth="z", lateral="x", kind="amplitude-series")
    found = read_recording(spec)
    assert any("usual order" in note for note in found.notes)
    np.savez(path, disp=np.zeros((12, 9, 12)), z=np.arange(12.0), x=np.arange(8.0))
    with pytest.raises(InputError, match="has the 8 samples of the lateral axis"):
        read_recording(spec)


@pytest.mark.parametrize(("unit", "factor"), [("um", 1), ("mm", 1e-3), ("m", 1e-6), ("nm", 1e3)])
def test_displacement_units(tmp_path, unit, factor):
    found = read_recording(spec_of(npz(tmp_path, disp=DATA * factor), unit=unit))
    np.testing.assert_allclose(found.data, DATA, rtol=1e-5)
    assert found.data.dtype == np.float32
    assert found.questions == ()


def test_axis_units_and_samples(tmp_path):
    path = tmp_path / "a.npz"
    np.savez(path, disp=DATA, z=np.arange(DEPTH) * 2e-4, x=np.arange(LATERAL) * 3e-4)
    found = read_recording(spec_of(path, axis_unit="m", time="", time_spacing_s=5.0))
    assert found.grid.spacing == pytest.approx((0.2, 0.3))
    assert found.times_s.tolist() == [0, 5, 10]
    np.savez(path, disp=DATA, z=np.arange(DEPTH) * 8.0 + 100)
    found = read_recording(
        RecordingSpec(
            path,
            array="disp",
            depth="z",
            lateral_spacing=0.3,
            axis_unit="samples",
            sampling_frequency_hz=40e6,
            speed_of_sound_m_s=1540.0,
            **RATE,
        )
    )
    # 8 samples at 40 MHz, there and back at 1540 m/s: 0.154 mm.
    assert found.grid.spacing == pytest.approx((0.154, 0.3))
    assert found.grid.origin[0] == pytest.approx(100 * 0.01925)


def test_a_backward_axis_is_turned_round_and_said(tmp_path):
    path = tmp_path / "a.npz"
    np.savez(path, disp=DATA[..., ::-1], z=AXES["z"], x=AXES["x"][::-1], t=AXES["t"])
    found = read_recording(spec_of(path))
    np.testing.assert_array_equal(found.data, DATA)
    assert found.grid.origin[1] == pytest.approx(-1.2)
    assert any("runs backwards" in note for note in found.notes)


def test_wrong_magnitudes_are_asked_about(tmp_path):
    """A displacement of millimetres and a plane of 40 m."""
    found = read_recording(spec_of(npz(tmp_path, disp=DATA), unit="mm", axis_unit="m"))
    text = " ".join(found.questions)
    assert "mm: is unit right?" in text
    assert "m deep: is axis_unit right?" in text
    small = read_recording(spec_of(npz(tmp_path, disp=DATA * 1e-3)))
    assert "is unit right?" in small.questions[0]


def test_negative_amplitudes_are_asked_about(tmp_path):
    spec = spec_of(npz(tmp_path, disp=MAPS - 12), kind="amplitude-series")
    assert any("below 0" in question for question in read_recording(spec).questions)


def test_series_and_final_map(tmp_path):
    path = npz(
        tmp_path, disp=MAPS, last=MAPS[2], before=MAPS[:2], rho=np.full((DEPTH, LATERAL), 0.9)
    )
    series = read_recording(spec_of(path, kind="amplitude-series", correlation="rho"))
    np.testing.assert_array_equal(series.data, MAPS)
    assert series.correlation.shape == (1, DEPTH, LATERAL)
    assert series.baseline is None
    assert series.baseline_times == 1
    final = read_recording(spec_of(path, kind="final", array="last", time="", baseline="before"))
    np.testing.assert_array_equal(final.data, MAPS[2:])
    np.testing.assert_array_equal(final.baseline, MAPS[:2])
    assert final.baseline_times == 0


def test_oscillation_with_a_baseline_of_its_own(tmp_path):
    path = npz(tmp_path, disp=DATA, before=DATA[0])
    found = read_recording(spec_of(path, baseline="before"))
    np.testing.assert_array_equal(found.baseline, DATA[0])
    assert found.baseline_times == 0


def test_one_long_recording_is_split_into_treatment_times(tmp_path):
    long = DATA.reshape(-1, DEPTH, LATERAL)
    path = tmp_path / "a.npz"
    np.savez(path, disp=np.concatenate([long, long[:7]]), z=AXES["z"], x=AXES["x"])
    found = read_recording(spec_of(path, time="", window_s=0.04))
    np.testing.assert_array_equal(found.data, DATA)
    assert found.times_s == pytest.approx([0.02, 0.06, 0.10])
    assert any("last 7 frames were left out" in note for note in found.notes)
    with pytest.raises(InputError, match="longer than the recording"):
        read_recording(spec_of(path, time="", window_s=9.0))


@pytest.mark.parametrize("window_s", [None, 0.04])
@pytest.mark.parametrize("suffix", [".npy", ".h5"])
def test_a_recording_larger_than_memory_stays_in_its_file(tmp_path, monkeypatch, suffix, window_s):
    """With the limit lowered, data stay lazy and the fit gives what it gives in memory."""
    import h5py

    from coreg.sources.recordings import hdf5
    from coreg.sources.recordings.lazy import LazyArray

    monkeypatch.setattr(module, "KEEP_BYTES", 1000)
    monkeypatch.setattr(hdf5, "_READ_BYTES", 1000)
    path = tmp_path / f"a{suffix}"
    stored = DATA * 1e-3 if window_s is None else DATA.reshape(-1, DEPTH, LATERAL) * 1e-3
    if suffix == ".npy":
        np.save(path, stored)
    else:
        with h5py.File(path, "w") as file:
            file.create_dataset("a", data=stored, chunks=True)
    spec = RecordingSpec(
        path, depth_spacing=0.2, lateral_spacing=0.3, unit="mm", window_s=window_s, **RATE
    )
    found = read_recording(spec)
    assert not isinstance(found.data, np.ndarray)
    assert isinstance(found.data, LazyArray) == (window_s is None)
    assert found.data.shape == DATA.shape
    lazy = fit_oscillation(found.data, 1000.0, 50.0)
    np.testing.assert_allclose(
        lazy.amplitude, fit_oscillation(DATA, 1000.0, 50.0).amplitude, rtol=1e-5
    )


@pytest.mark.parametrize("suffix", [".mha", ".nii"])
def test_itk_images_bring_their_pixel_size(tmp_path, suffix):
    import SimpleITK as sitk

    image = sitk.GetImageFromArray(MAPS)
    image.SetSpacing((0.3, 0.2, 5.0))
    image.SetOrigin((-1.2, 4.0, 0.0))
    sitk.WriteImage(image, str(tmp_path / f"a{suffix}"))
    found = read_recording(
        RecordingSpec(tmp_path / f"a{suffix}", kind="amplitude-series", time_spacing_s=5.0)
    )
    assert found.grid.spacing == pytest.approx((0.2, 0.3))
    assert found.grid.origin == pytest.approx((4.0, -1.2))
    np.testing.assert_array_equal(found.data, MAPS)
    assert any("taken from" in note for note in found.notes)


def test_tiff_brings_its_resolution(tmp_path):
    import tifffile

    tifffile.imwrite(
        tmp_path / "a.tif",
        MAPS,
        resolution=(1 / 0.03, 1 / 0.02),
        resolutionunit="CENTIMETER",
        photometric="minisblack",
    )
    found = read_recording(RecordingSpec(tmp_path / "a.tif", kind="amplitude-series"))
    assert found.grid.spacing == pytest.approx((0.2, 0.3))


def test_sector_is_scan_converted_with_the_disc_in_its_place(tmp_path):
    depths, angles = np.arange(10, 60, 0.25), np.linspace(-30, 30, 121)
    r, a = np.meshgrid(depths, np.radians(angles), indexing="ij")
    disc = np.hypot(r * np.cos(a) - 35, r * np.sin(a) - 8) < 6
    maps = np.where(disc, 4.0, 12.0)
    path = tmp_path / "a.npz"
    np.savez(path, disp=np.stack([np.full_like(maps, 12.0), maps]), z=depths, x=angles)
    found = read_recording(
        spec_of(path, kind="amplitude-series", time="", geometry="sector", pixel_mm=0.3)
    )
    low = found.data[1] < 8
    assert low.sum() * found.grid.pixel_area == pytest.approx(np.pi * 36, rel=0.02)
    rows, columns = np.nonzero(low)
    assert found.grid.rows[rows].mean() == pytest.approx(35, abs=0.1)
    assert found.grid.columns[columns].mean() == pytest.approx(8, abs=0.1)
    assert np.isnan(found.data[0, -1, 0])
    assert any("scan-converted" in note for note in found.notes)


@pytest.mark.parametrize(
    ("choice", "message"),
    [
        ({"kind": "film"}, "Unknown kind"),
        ({"unit": "inch"}, "Unknown unit"),
        ({"frame_rate_hz": None}, "needs frame_rate_hz"),
        ({"axis_unit": "samples"}, "needs sampling_frequency_hz"),
        ({"geometry": "curved"}, "probe_radius_mm above 0"),
        ({"axis_order": "depth,width"}, "Unknown axis_order"),
        ({"axis_order": "depth,depth"}, "names an axis twice"),
        ({"depth_spacing": -0.1}, "depth_spacing above 0"),
        ({"baseline_times": 0}, "baseline_times of 1"),
    ],
)
def test_bad_specs_are_one_sentence(choice, message):
    with pytest.raises(InputError, match=message):
        spec_of("a.npz", **choice)


def test_the_table_of_a_case_is_taken_and_unknown_keys_are_named(tmp_path):
    spec = RecordingSpec.from_dict({"path": "a.npz", "kind": "final", "baseline": "b"}, tmp_path)
    assert spec.path == tmp_path / "a.npz"
    with pytest.raises(InputError, match="Unknown key 'frame_rate'"):
        RecordingSpec.from_dict({"path": "a.npz", "frame_rate": 3.0})
    with pytest.raises(InputError, match="names no file"):
        RecordingSpec.from_dict({"kind": "final"})


@pytest.mark.parametrize(
    ("arrays", "choice", "message"),
    [
        ({"disp": DATA}, {"depth": "", "lateral": ""}, "give depth"),
        ({"disp": DATA}, {"depth": "q"}, "holds no array 'q'"),
        ({"disp": DATA[0, 0]}, {}, "Expected 3 or 4 axes"),
        ({"disp": DATA.astype(complex)}, {}, "not real numbers"),
        ({"disp": DATA}, {"depth": "uneven"}, "is uneven"),
        ({"disp": DATA}, {"axis_order": "time,frame,lateral,depth"}, "samples along"),
        ({"disp": np.zeros((0, 3, 4, 5))}, {}, "is empty"),
        ({"disp": DATA}, {"time": "falling"}, "does not increase"),
    ],
)
def test_unfit_files_are_one_sentence(tmp_path, arrays, choice, message):
    path = npz(
        tmp_path, uneven=np.arange(DEPTH) ** 1.5, falling=np.array([3.0, 2.0, 1.0]), **arrays
    )
    with pytest.raises(InputError, match=message):
        read_recording(spec_of(path, **choice))


@pytest.mark.parametrize("form", ["npz", "mat", "mat73"])
def test_what_the_demo_writes_is_read_back(tmp_path, form):
    """The generator's writers know nothing of these readers: same data, axes and times."""
    from coreg.demo import Scenario, simulate
    from coreg.demo.files import recording_arrays, write_arrays

    case = simulate(Scenario(seed=2, plane_shape=(40, 30), frames=20, treatment_times=3))
    path = tmp_path / ("a.npz" if form == "npz" else "a.mat")
    arrays = recording_arrays(case)
    write_arrays(path, arrays, form)
    found = read_recording(
        spec_of(
            path,
            array="displacement",
            depth="depth_mm",
            lateral="lateral_mm",
            time="time_s",
            correlation="correlation",
        )
    )
    np.testing.assert_array_equal(found.data, arrays["displacement"])
    np.testing.assert_allclose(found.grid.rows, case.plane.rows)
    np.testing.assert_allclose(found.grid.columns, case.plane.columns)
    np.testing.assert_allclose(found.times_s, case.treatment_times_s)
    np.testing.assert_allclose(found.correlation[0], case.correlation)
    assert found.questions == ()
