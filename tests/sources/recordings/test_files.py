"""Arrays in every kind of file: listed with shapes, loaded by name, objects refused."""

from __future__ import annotations

import pickle
from pathlib import Path

import numpy as np
import pytest

from coreg.errors import InputError
from coreg.sources.recordings import list_arrays, load_array

DATA = np.random.default_rng(0).normal(0, 5, (3, 7, 11, 6)).astype(np.float32)


def real_matlab_files() -> Path:
    """Files that MATLAB itself wrote, which SciPy ships with its tests."""
    import scipy.io.matlab

    folder = Path(scipy.io.matlab.__file__).parent / "tests" / "data"
    if not folder.is_dir():
        pytest.skip("this SciPy was packed without its test data")
    return folder


def by_name(path):
    return {info.name: info for info in list_arrays(path)}


def test_npz_is_listed_and_mapped_without_reading_it_whole(tmp_path):
    path = tmp_path / "a.npz"
    np.savez(path, disp=DATA, z=np.arange(11) * 0.5, note="text")
    found = by_name(path)
    assert found["disp"].shape == DATA.shape
    assert found["disp"].role == "oscillation at several treatment times"
    assert found["z"].role == "depth axis, 0 to 5 in steps of 0.5"
    assert found["note"].role == "text"
    loaded = load_array(path, "disp")
    assert isinstance(loaded, np.memmap)
    np.testing.assert_array_equal(loaded, DATA)
    np.savez_compressed(path, disp=np.asfortranarray(DATA))
    np.testing.assert_array_equal(load_array(path), DATA)


def test_npy_is_mapped(tmp_path):
    np.save(tmp_path / "a.npy", DATA)
    assert isinstance(load_array(tmp_path / "a.npy"), np.memmap)


class Trap:
    """Runs code when unpickled."""

    def __reduce__(self):
        return (Path.touch, (Path(self.target),))


@pytest.mark.parametrize("suffix", [".npy", ".npz"])
def test_pickled_objects_are_listed_refused_and_never_run(tmp_path, suffix):
    trap = Trap()
    trap.target = str(tmp_path / "ran")
    objects = np.empty(2, dtype=object)
    objects[:] = [trap, trap]
    path = tmp_path / f"evil{suffix}"
    if suffix == ".npy":
        np.save(path, objects, allow_pickle=True)
    else:
        np.savez(path, evil=objects, good=np.zeros((4, 4)))
    name = "evil"
    assert not by_name(path)[name].readable
    with pytest.raises(InputError, match="never run here"):
        load_array(path, name)
    assert not (tmp_path / "ran").exists()
    pickle.loads(pickle.dumps(trap))  # noqa: S301 - the trap would have run
    assert (tmp_path / "ran").exists()


def test_matlab_structs_and_cells_have_dotted_names(tmp_path):
    from scipy.io import savemat

    path = tmp_path / "a.mat"
    cells = np.empty((1, 3), dtype=object)
    for i in range(3):
        cells[0, i] = DATA[i, 0]
    trials = np.zeros((1, 2), dtype=[("map", object), ("label", object)])
    for i in range(2):
        trials[0, i] = (DATA[i, 1], f"trial {i}")
    savemat(
        path,
        {"acq": {"data": {"disp": DATA}, "fs": 1000.0}, "maps": cells, "trial": trials},
    )
    found = by_name(path)
    assert found["acq.data.disp"].shape == DATA.shape
    assert found["acq.fs"].role == "a number = 1000"
    assert found["maps"].shape == (3, 11, 6)
    assert found["trial(2).label"].role == "text"
    np.testing.assert_array_equal(load_array(path, "maps"), DATA[:, 0])
    np.testing.assert_array_equal(load_array(path, "maps{2}"), DATA[1, 0])
    np.testing.assert_array_equal(load_array(path, "trial.map"), DATA[:2, 1])
    np.testing.assert_array_equal(load_array(path, "trial(1).map"), DATA[0, 1])


def write_v73(path, *, chunks=None):
    """The layout of MATLAB v7.3: axes reversed, structs as groups, cells as references."""
    import h5py

    with h5py.File(path, "w", userblock_size=512) as file:
        acq = file.create_group("acq")
        acq.attrs["MATLAB_class"] = np.bytes_("struct")
        disp = acq.create_dataset("disp", data=DATA.T, chunks=chunks)
        disp.attrs["MATLAB_class"] = np.bytes_("single")
        empty = acq.create_dataset("none", data=np.zeros(2, np.uint64))
        empty.attrs["MATLAB_class"] = np.bytes_("double")
        empty.attrs["MATLAB_empty"] = np.uint8(1)
        text = file.create_dataset("who", data=np.array([[104], [105]], np.uint16))
        text.attrs["MATLAB_class"] = np.bytes_("char")
        references = file.create_group("#refs#")
        cell = file.create_dataset("maps", (3, 1), dtype=h5py.ref_dtype)
        cell.attrs["MATLAB_class"] = np.bytes_("cell")
        for i in range(3):
            member = references.create_dataset(f"m{i}", data=DATA[i, 0].T)
            member.attrs["MATLAB_class"] = np.bytes_("single")
            cell[i, 0] = member.ref
        trial = file.create_group("trial")
        trial.attrs["MATLAB_class"] = np.bytes_("struct")
        field = trial.create_dataset("map", (2, 1), dtype=h5py.ref_dtype)
        for i in range(2):
            field[i, 0] = references[f"m{i}"].ref


def test_matlab_v73_reads_as_matlab_shows_it(tmp_path):
    path = tmp_path / "a.mat"
    write_v73(path)
    found = by_name(path)
    assert found["acq.disp"].shape == DATA.shape
    assert found["maps"].shape == (3, 11, 6)
    assert found["who"].role == "text"
    assert "acq.none" not in found
    np.testing.assert_array_equal(load_array(path, "acq.disp"), DATA)
    np.testing.assert_array_equal(load_array(path, "maps"), DATA[:, 0])
    np.testing.assert_array_equal(load_array(path, "maps{3}"), DATA[2, 0])
    np.testing.assert_array_equal(load_array(path, "trial.map"), DATA[:2, 0])
    np.testing.assert_array_equal(load_array(path, "trial(2).map"), DATA[1, 0])


def test_large_hdf5_stays_in_its_file(tmp_path, monkeypatch):
    from coreg.sources.recordings import hdf5

    monkeypatch.setattr(hdf5, "_READ_BYTES", 100)
    write_v73(tmp_path / "a.mat", chunks=(2, 3, 4, 1))
    stored = load_array(tmp_path / "a.mat", "acq.disp")
    assert not isinstance(stored, np.ndarray)
    assert stored.shape == DATA.shape
    np.testing.assert_array_equal(stored[1, :, 2:5], DATA[1, :, 2:5])
    np.testing.assert_array_equal(stored[..., 0:2], DATA[..., 0:2])
    np.testing.assert_array_equal(np.asarray(stored), DATA)


def test_plain_hdf5_keeps_its_own_order(tmp_path):
    import h5py

    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["run/one/disp"] = DATA
        file["label"] = "text"
        file["mixed"] = np.zeros(3, dtype=[("a", "f4"), ("b", "i4")])
    found = by_name(tmp_path / "a.h5")
    assert found["run.one.disp"].shape == DATA.shape
    assert found["label"].role == "text"
    assert not found["mixed"].readable
    np.testing.assert_array_equal(load_array(tmp_path / "a.h5", "run.one.disp"), DATA)
    with pytest.raises(InputError, match="plain array of numbers"):
        load_array(tmp_path / "a.h5", "mixed")


def test_every_file_that_matlab_wrote_is_read_or_refused_in_one_sentence():
    """About 100 real files of MATLAB 4 to 7.4 (SciPy's test data), damaged ones among them."""
    read = refused = 0
    for path in sorted(real_matlab_files().glob("*.mat")):
        try:
            for info in list_arrays(path):
                assert load_array(path, info.name).shape == info.shape
                read += 1
        except InputError:
            refused += 1
    assert read > 150
    assert 3 <= refused < 12


def test_values_of_real_matlab_files():
    """Values as SciPy's own tests expect them: quarters of pi; cells; structs; v7.3."""
    folder = real_matlab_files()
    axis = np.arange(9) * np.pi / 4
    for name in ("testdouble_7.4_GLNX86", "testdouble_6.1_SOL2", "testhdf5_7.4_GLNX86"):
        np.testing.assert_allclose(load_array(folder / f"{name}.mat", "testdouble")[0], axis)
    cell = folder / "testcellnest_7.4_GLNX86.mat"
    assert load_array(cell, "testcellnest{2}{3}{1}") == 4
    struct = load_array(folder / "teststruct_7.4_GLNX86.mat", "teststruct.doublefield")
    np.testing.assert_allclose(struct[0], [np.sqrt(2), np.e, np.pi])
    cube = load_array(folder / "test3dmatrix_7.4_GLNX86.mat", "test3dmatrix")
    np.testing.assert_array_equal(cube, np.arange(1, 25).reshape((2, 3, 4), order="F"))


@pytest.mark.parametrize("suffix", [".nrrd", ".mha", ".nii", ".nii.gz"])
def test_itk_images_are_listed_slowest_axis_first(tmp_path, suffix):
    import SimpleITK as sitk

    path = tmp_path / f"a{suffix}"
    image = sitk.GetImageFromArray(DATA[:, 0])
    image.SetSpacing((0.3, 0.2, 5.0))
    sitk.WriteImage(image, str(path))
    (info,) = list_arrays(path)
    assert info.shape == (3, 11, 6)
    assert "5 x 0.2 x 0.3 mm" in info.role
    np.testing.assert_array_equal(load_array(path), DATA[:, 0])


def test_tiff_stacks_are_listed_and_mapped(tmp_path):
    import tifffile

    tifffile.imwrite(tmp_path / "a.tif", DATA[:, 0], photometric="minisblack")
    (info,) = list_arrays(tmp_path / "a.tif")
    assert info.shape == (3, 11, 6)
    assert isinstance(load_array(tmp_path / "a.tif"), np.memmap)
    tifffile.imwrite(tmp_path / "b.tif", DATA[:, 0], compression="zlib", photometric="minisblack")
    np.testing.assert_array_equal(load_array(tmp_path / "b.tif"), DATA[:, 0])


def test_dicom_pixels_are_rescaled():
    from pydicom.data import get_testdata_file

    path = get_testdata_file("CT_small.dcm", download=False)
    (info,) = list_arrays(path)
    assert info.shape == (128, 128)
    values = load_array(path)
    import pydicom

    dataset = pydicom.dcmread(path)
    np.testing.assert_allclose(values, dataset.pixel_array * 1.0 + dataset.RescaleIntercept)


@pytest.mark.parametrize(
    "name", ["a.npy", "a.npz", "a.mat", "a.h5", "a.nrrd", "a.tif", "a.dcm", "a.nii.gz", "a.xyz"]
)
@pytest.mark.parametrize("content", [b"", b"this is not what the name says", b"\x89HDF\r\n\x1a\n"])
def test_damaged_files_are_one_sentence(tmp_path, name, content):
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(InputError, match=path.name) as caught:
        list_arrays(path)
    assert "\n" not in str(caught.value)


def test_cut_files_are_one_sentence(tmp_path):
    np.savez(tmp_path / "a.npz", disp=DATA)
    write_v73(tmp_path / "b.mat")
    np.save(tmp_path / "c.npy", DATA)
    for path in tmp_path.iterdir():
        path.write_bytes(path.read_bytes()[: -DATA.nbytes // 2])
        with pytest.raises(InputError, match=path.name):
            load_array(path)


def test_missing_names_and_files_say_what_there_is(tmp_path):
    np.savez(tmp_path / "a.npz", one=DATA, two=DATA)
    with pytest.raises(InputError, match="holds no array 'disp'; it holds one, two"):
        load_array(tmp_path / "a.npz", "disp")
    with pytest.raises(InputError, match=r"2 arrays that could be meant \(one .*name one as array"):
        load_array(tmp_path / "a.npz")
    with pytest.raises(InputError, match="There is no file"):
        list_arrays(tmp_path / "none.npz")
