"""Every parser that reads a user's file: how bytes reach it, and sound files to start from.

A parser may refuse what it is given (`CoregError`) or read it; anything else is a fault of ours.
"""

from __future__ import annotations

import io
import json
import os
import shutil
import tempfile
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from hard_use import small_case
from hard_use.bad_inputs.bmodes import dicom
from hard_use.bad_inputs.zarrs import zarr

from coreg.errors import CoregError

# Arrays beyond this are listed and opened, not read: the fuzzer looks for faults, not for patience.
_READ_VALUES = 1_000_000
# Between the files of a folder that is parsed as one.
BREAK = b"\n--next file--\n"


@dataclass(frozen=True)
class Parser:
    """A parser under trial.

    file : name of the file that the bytes become
    read : parses the file; may raise `CoregError`
    seeds : sound files
    """

    file: str
    read: Callable[[Path], object]
    seeds: Callable[[], list[bytes]]
    place: Callable[[Path, bytes], None] = lambda path, data: path.write_bytes(data) and None

    def try_on(self, data: bytes) -> str:
        """Parse; the sentence with which the data were refused, or "" where they were read."""
        folder = Path(tempfile.mkdtemp(dir=_scratch()))
        try:
            path = folder / self.file
            self.place(path, data)
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                self.read(path)
        except CoregError as error:
            return str(error)
        finally:
            shutil.rmtree(folder, ignore_errors=True)
        return ""


def _scratch() -> str | None:
    return "/dev/shm" if os.access("/dev/shm", os.W_OK) else None


# --- reading ---------------------------------------------------------------------------------


def _case(path: Path) -> None:
    from coreg.case import open_case
    from coreg.figure import Layout

    case = open_case(path.parent)
    Layout.from_settings(case.settings["figure"])
    case.status()


def _study(path: Path) -> None:
    from coreg.cohort import load_study

    load_study(path)


def _outlines(path: Path) -> None:
    from coreg.sources.outlines import read_outlines

    for outline in read_outlines(path):
        outline.polygon()


def _landmarks(path: Path) -> None:
    from coreg.sources.landmarks import read_landmarks

    read_landmarks(path)


def _arrays(path: Path) -> None:
    from coreg.sources.recordings import list_arrays, load_array
    from coreg.sources.recordings.arrays import file_module

    for info in list_arrays(path):
        if not info.readable or np.prod([float(n) for n in info.shape]) > _READ_VALUES:
            continue
        found = load_array(path, info.name)
        np.asarray(found)
    getattr(file_module(path), "pixel_size", lambda _: None)(path)


def _bmode(path: Path) -> None:
    from coreg.sources.bmode import read_bmode

    read_bmode(path, pixel_size_mm=None if path.suffix == ".dcm" else (0.2, 0.2))


def _slide(path: Path) -> None:
    from coreg.sources.slides import open_slide

    with open_slide(path, (40.0, 40.0)) as slide:
        if max(slide.shape) < 4096:
            slide.thumbnail(64)


def _slide_own_size(path: Path) -> None:
    from coreg.sources.slides import open_slide

    open_slide(path).close()
    _slide(path)


def _transform(path: Path) -> None:
    from coreg.sources.itk_transforms import read_itk_transform

    read_itk_transform(path)


def _model(path: Path) -> None:
    from coreg.zones import ZoneModel

    ZoneModel.load(path)


# --- sound files -----------------------------------------------------------------------------


def _written(name: str, write: Callable[[Path], object]) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        write(path)
        return path.read_bytes()


def _case_seeds() -> list[bytes]:
    with tempfile.TemporaryDirectory() as folder:
        case = small_case.write_case(Path(folder) / "case")
        return [(case.folder / "case.toml").read_bytes()]


def _numbers() -> np.ndarray:
    return np.arange(48, dtype=np.float32).reshape(2, 4, 6)


def _npz() -> list[bytes]:
    packed, plain = io.BytesIO(), io.BytesIO()
    np.savez_compressed(packed, u=_numbers(), depth=np.arange(4.0))
    np.savez(plain, u=_numbers(), depth=np.arange(4.0))
    return [packed.getvalue(), plain.getvalue()]


def _npy() -> list[bytes]:
    buffer = io.BytesIO()
    np.save(buffer, _numbers())
    return [buffer.getvalue()]


def _mat() -> list[bytes]:
    from scipy.io import savemat

    struct = {"u": _numbers(), "acq": {"depth": np.arange(4.0), "note": "text"}}
    struct["cell"] = np.array([np.arange(3.0), np.arange(3.0)], dtype=object)
    return [
        _written("a.mat", partial(savemat, mdict=struct, do_compression=packed))
        for packed in (False, True)
    ]


def _hdf5() -> list[bytes]:
    import h5py

    def write(path: Path) -> None:
        with h5py.File(path, "w") as file:
            file["u"] = _numbers()
            file.create_dataset("packed", data=_numbers(), chunks=(1, 4, 6), compression="gzip")
            file["group/depth"] = np.arange(4.0)

    return [_written("a.h5", write)]


def _itk(suffix: str) -> Callable[[], list[bytes]]:
    def seeds() -> list[bytes]:
        import SimpleITK as sitk

        image = sitk.GetImageFromArray(_numbers())
        image.SetSpacing((0.4, 0.4, 1.0))
        return [_written(f"a{suffix}", lambda path: sitk.WriteImage(image, str(path)))]

    return seeds


def _stack() -> list[bytes]:
    import tifffile

    options: dict[str, object] = {"photometric": "minisblack", "resolution": (100, 100)}
    return [
        _written("a.tif", partial(tifffile.imwrite, data=_numbers(), **options, **more))
        for more in ({}, {"compression": "zlib"})
    ]


def _slides() -> list[bytes]:
    import tifffile

    pixels = small_case.slide_pixels()[100:164, 80:144]
    strips = {"photometric": "rgb", "rowsperstrip": 16, "resolution": (250, 250)}
    strips["resolutionunit"] = "CENTIMETER"
    return [
        _written("a.tif", small_case.write_slide),
        _written("a.tif", lambda path: tifffile.imwrite(path, pixels, **strips)),
    ]


def _pictures() -> list[bytes]:
    from PIL import Image

    picture = Image.fromarray(small_case.slide_pixels()[100:132, 80:112])
    kinds = ("PNG", "JPEG", "BMP")
    return [_written("a", partial(picture.save, format=kind)) for kind in kinds]


def _grey() -> list[bytes]:
    from PIL import Image

    return [_written("a.png", lambda path: Image.fromarray(small_case.bmode()).save(path))]


def _dicom() -> list[bytes]:
    return [_written("a.dcm", dicom)]


_ZARR_FILES = ("zarr.json", "0/zarr.json", "0/c/0/0/0")


def _zarr() -> list[bytes]:
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "a.zarr"
        zarr(place)
        return [BREAK.join((place / name).read_bytes() for name in _ZARR_FILES)]


def _place_zarr(path: Path, data: bytes) -> None:
    for name, content in zip(_ZARR_FILES, data.split(BREAK), strict=False):
        (path / name).parent.mkdir(parents=True, exist_ok=True)
        (path / name).write_bytes(content)


def _transforms(suffix: str) -> Callable[[], list[bytes]]:
    def seeds() -> list[bytes]:
        from coreg.geometry import Grid
        from coreg.sources.itk_transforms import write_itk_transform
        from coreg.transforms import Affine, Warp

        affine = Affine(np.array([[1.1, 0.1], [0.0, 0.9]]), np.array([1.0, 2.0]))
        grid = Grid((3, 4), (1.0, 1.0), (0.0, 0.0), "plane")
        bent = Warp(affine, grid, np.full((3, 4, 2), 0.1))
        return [
            _written(f"a{suffix}", partial(write_itk_transform, transform=transform))
            for transform in (affine, bent)
        ]

    return seeds


def _texts(*texts: str) -> Callable[[], list[bytes]]:
    return lambda: [text.encode() for text in texts]


PARSERS: dict[str, Parser] = {
    "case": Parser("case.toml", _case, _case_seeds),
    "study": Parser("study.csv", _study, _texts("case,animal,group\na,1,x\nb,2,y\n")),
    "outlines": Parser(
        "a.geojson", _outlines, lambda: [json.dumps(small_case.outlines()).encode()]
    ),
    "landmarks": Parser("a.csv", _landmarks, _texts(small_case.landmarks())),
    "npy": Parser("a.npy", _arrays, _npy),
    "npz": Parser("a.npz", _arrays, _npz),
    "matlab": Parser("a.mat", _arrays, _mat),
    "hdf5": Parser("a.h5", _arrays, _hdf5),
    "nrrd": Parser("a.nrrd", _arrays, _itk(".nrrd")),
    "metaimage": Parser("a.mha", _arrays, _itk(".mha")),
    "nifti": Parser("a.nii", _arrays, _itk(".nii")),
    "stack": Parser("a.tif", _arrays, _stack),
    "dicom": Parser("a.dcm", _bmode, _dicom),
    "grey-picture": Parser("a.png", _bmode, _grey),
    "slide": Parser("a.tif", _slide_own_size, _slides),
    "picture": Parser("a.png", _slide, _pictures),
    "zarr": Parser("a.zarr", _slide_own_size, _zarr, _place_zarr),
    "transform-text": Parser("a.tfm", _transform, _transforms(".tfm")),
    "transform-hdf5": Parser("a.h5", _transform, _transforms(".h5")),
    "zone-model": Parser("a.json", _model, _texts('{"format": 1}')),
}
