"""Recordings in MATLAB's files, HDF5, NRRD, MetaImage, NIfTI and TIFF."""

from __future__ import annotations

import io
import os
import struct
from pathlib import Path

import numpy as np
from hard_use.bad_inputs.recordings import PART, use
from hard_use.bad_inputs.table import Arguments, bad, cut, packed_zeros
from hard_use.small_case import SHAPE, displacement


@bad(
    PART,
    "MATLAB's file with a function handle",
    (
        "recording.mat cannot be read as .mat … ; it may be damaged or incomplete: save or "
        "copy it again."
    ),
)
def function_handle(case: Path) -> Arguments:
    from scipy.io.matlab import MatlabFunction, savemat

    path = use(case, "recording.mat", array='"f"')
    savemat(path, {"f": np.zeros(1)})
    content = bytearray(path.read_bytes())
    # The array's class (MAT-File Format, table 1-3) becomes mxFUNCTION_CLASS, 16.
    content[content.index(b"\x06\0\0\0\x08\0\0\0") + 8] = 16
    path.write_bytes(bytes(content))
    assert MatlabFunction is not None
    return "predict", case


@bad(
    PART,
    "MATLAB's file cut in the middle",
    (
        "recording.mat cannot be read as .mat … ; it may be damaged or incomplete: save or "
        "copy it again."
    ),
)
def cut_mat(case: Path) -> Arguments:
    from scipy.io import savemat

    path = use(case, "recording.mat", array='"u"')
    savemat(path, {"u": displacement()}, do_compression=True)
    cut(path, 0.5)
    return "predict", case


@bad(
    PART,
    "MATLAB's file of 4 MB that unpacks to 4 GB",
    "'u' in bomb.mat says that … unpack to … , as no measurement does; save it again.",
    alone=True,
)
def mat_bomb(case: Path) -> Arguments:
    flags = struct.pack("<IIII", 6, 8, 7, 0)
    sizes = (4, 16, 4096, 4096)
    dims = struct.pack("<II4i", 5, 16, *sizes)
    name = struct.pack("<I4s", (1 << 16) | 1, b"u")
    count = int(np.prod(sizes))
    data = struct.pack("<II", 7, 4 * count % 2**32)
    body = flags + dims + name + data
    start = struct.pack("<II", 14, (len(body) + 4 * count) % 2**32) + body
    packed = packed_zeros(start, 4 * count // 2**24)
    header = b"MATLAB 5.0 MAT-file".ljust(124) + struct.pack("<H2s", 0x0100, b"IM")
    content = header + struct.pack("<II", 15, len(packed)) + packed
    use(case, "bomb.mat", array='"u"').write_bytes(content)
    return "predict", case


@bad(
    PART,
    "HDF5 cut in the middle",
    (
        "recording.h5 cannot be read as .h5 … ; it may be damaged or incomplete: save or "
        "copy it again."
    ),
)
def cut_hdf5(case: Path) -> Arguments:
    import h5py

    path = use(case, "recording.h5", array='"u"')
    with h5py.File(path, "w") as file:
        file["u"] = displacement()
    cut(path, 0.5)
    return "predict", case


@bad(
    PART,
    "HDF5 that says it has 10¹⁵ numbers, none stored",
    ("'u' in recording.h5 says that … unpack to … , as no measurement does; save it again."),
    alone=True,
)
def absurd_hdf5(case: Path) -> Arguments:
    import h5py

    with h5py.File(use(case, "recording.h5", array='"u"'), "w") as file:
        file.create_dataset("u", (1000, 1000, 10**5, 10**4), "f4", chunks=(1, 1, 64, 64))
    return "predict", case


@bad(
    PART,
    "HDF5 whose groups hold each other",
    ("recording.h5 holds 0 arrays that could be meant … ; name one as array in case.toml."),
)
def circular_hdf5(case: Path) -> Arguments:
    import h5py

    with h5py.File(use(case, "recording.h5"), "w") as file:
        file.create_group("a")["b"] = file["/"]
    return "predict", case


@bad(
    PART,
    "HDF5 that links to another file",
    (
        "recording.h5 takes its data from '../other.h5', outside its own folder, where "
        "nobody sees it; put both files in one folder and save it again."
    ),
)
def linked_hdf5(case: Path) -> Arguments:
    import h5py

    with h5py.File(case.parent / "other.h5", "w") as file:
        file["u"] = displacement()
    with h5py.File(use(case, "recording.h5", array='"u"'), "w") as file:
        file["u"] = h5py.ExternalLink("../other.h5", "/u")
    return "predict", case


@bad(
    PART,
    "HDF5 whose numbers lie in another file",
    (
        "recording.h5 takes its data from … , outside its own folder, where nobody sees it; "
        "put both files in one folder and save it again."
    ),
)
def external_hdf5(case: Path) -> Arguments:
    import h5py

    size = 4 * displacement().size
    (case.parent / "secret").write_bytes(bytes(size))
    with h5py.File(use(case, "recording.h5", array='"u"'), "w") as file:
        place = os.fspath(case.parent / "secret")
        file.create_dataset("u", displacement().shape, "f4", external=[(place, 0, size)])
    return "predict", case


@bad(
    PART,
    "HDF5 put together from another file",
    (
        "recording.h5 takes its data from … , outside its own folder, where nobody sees it; "
        "put both files in one folder and save it again."
    ),
)
def virtual_hdf5(case: Path) -> Arguments:
    import h5py

    data = displacement()
    with h5py.File(case.parent / "other.h5", "w") as file:
        file["u"] = data
    layout = h5py.VirtualLayout(shape=data.shape, dtype="f4")
    layout[:] = h5py.VirtualSource(case.parent / "other.h5", "u", shape=data.shape)
    with h5py.File(use(case, "recording.h5", array='"u"'), "w") as file:
        file.create_virtual_dataset("u", layout)
    return "predict", case


@bad(
    PART,
    "NRRD cut in its numbers",
    (
        "recording.nrrd cannot be read as .nrrd … ; it may be damaged or incomplete: save "
        "or copy it again."
    ),
)
def cut_nrrd(case: Path) -> Arguments:
    import SimpleITK as sitk

    path = use(case, "recording.nrrd", kind='"amplitude-series"', axis_order="")
    sitk.WriteImage(sitk.GetImageFromArray(displacement()[:, 0]), os.fspath(path))
    cut(path, 0.5)
    return "predict", case


@bad(
    PART,
    "NRRD that says it has 10¹⁵ numbers",
    (
        "The image in recording.nrrd says that … unpack to … , as no measurement does; save "
        "it again."
    ),
    alone=True,
)
def absurd_nrrd(case: Path) -> Arguments:
    header = "NRRD0004\ntype: float\ndimension: 3\nsizes: 100000 100000 100000\nencoding: raw\n"
    header += "endian: little\n\n"
    path = use(case, "recording.nrrd", kind='"amplitude-series"', axis_order="")
    path.write_bytes(header.encode() + bytes(64))
    return "predict", case


@bad(
    PART,
    "a header whose numbers lie outside the case folder",
    (
        "recording.mhd takes its data from … , outside its own folder, where nobody sees "
        "it; put both files in one folder and save it again."
    ),
)
def header_leads_out(case: Path) -> Arguments:
    maps = displacement()[:, 0]
    (case.parent / "secret.raw").write_bytes(maps.tobytes())
    lines = ["ObjectType = Image", "NDims = 3", f"DimSize = {SHAPE[1]} {SHAPE[0]} 4"]
    lines += ["ElementType = MET_FLOAT", f"ElementDataFile = {case.parent / 'secret.raw'}"]
    path = use(case, "recording.mhd", kind='"amplitude-series"', axis_order="")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return "predict", case


@bad(
    PART,
    "a NIfTI that is text",
    (
        "recording.nii cannot be read as .nii … ; it may be damaged or incomplete: save or "
        "copy it again."
    ),
)
def text_nifti(case: Path) -> Arguments:
    use(case, "recording.nii", kind='"amplitude-series"', axis_order="").write_bytes(b"text" * 200)
    return "predict", case


@bad(
    PART,
    "a TIFF stack cut in the middle",
    (
        "recording.tif cannot be read as .tif … ; it may be damaged or incomplete: save or "
        "copy it again."
    ),
)
def cut_stack(case: Path) -> Arguments:
    import tifffile

    path = use(case, "recording.tif", kind='"amplitude-series"', axis_order="")
    tifffile.imwrite(path, displacement()[:, 0], photometric="minisblack", compression="zlib")
    cut(path, 0.4)
    return "predict", case


@bad(
    PART,
    "a recording of RGB pictures",
    "'recording.tif' holds the number 0 alone; point at another array.",
)
def colour_stack(case: Path) -> Arguments:
    from PIL import Image

    buffer = io.BytesIO()
    Image.new("RGB", (20, 28)).save(buffer, "TIFF")
    use(case, "recording.tif", axis_order="").write_bytes(buffer.getvalue())
    return "predict", case
