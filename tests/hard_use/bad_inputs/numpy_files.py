"""Recordings in NumPy's files: cut, pickled, or made to fill the memory."""

from __future__ import annotations

import os
import struct
import zipfile
from pathlib import Path

import numpy as np
from hard_use.bad_inputs.recordings import PART, use
from hard_use.bad_inputs.table import Arguments, bad, cut, packed_zeros
from hard_use.small_case import SHAPE, displacement


class Runs:
    """Makes a folder named "it-ran" where it is unpickled."""

    def __init__(self, place: Path) -> None:
        self.place = place

    def __reduce__(self) -> tuple[object, tuple[str]]:
        return os.mkdir, (os.fspath(self.place / "it-ran"),)


@bad(
    PART,
    "a .npz that is text",
    ("text.npz cannot be read as .npz … ; it may be damaged or incomplete: save or copy it again."),
)
def text_npz(case: Path) -> Arguments:
    use(case, "text.npz").write_text("frame,depth\n1,2\n", encoding="utf-8")
    return "predict", case


@bad(
    PART,
    "an empty .npz",
    (
        "recording.npz cannot be read as .npz … ; it may be damaged or incomplete: save or "
        "copy it again."
    ),
)
def empty_npz(case: Path) -> Arguments:
    (case / "recording.npz").write_bytes(b"")
    return "predict", case


@bad(
    PART,
    "a .npz cut in the middle",
    (
        "recording.npz cannot be read as .npz … ; it may be damaged or incomplete: save or "
        "copy it again."
    ),
)
def cut_npz(case: Path) -> Arguments:
    cut(case / "recording.npz", 0.5)
    return "predict", case


@bad(
    PART,
    "a .npz with a flipped byte",
    (
        "recording.npz cannot be read as .npz … ; it may be damaged or incomplete: save or "
        "copy it again."
    ),
)
def flipped_npz(case: Path) -> Arguments:
    content = bytearray((case / "recording.npz").read_bytes())
    content[len(content) // 2] ^= 0xFF
    (case / "recording.npz").write_bytes(bytes(content))
    return "predict", case


@bad(
    PART,
    "a .npy cut in its numbers",
    (
        "recording.npy cannot be read as .npy … ; it may be damaged or incomplete: save or "
        "copy it again."
    ),
)
def cut_npy(case: Path) -> Arguments:
    np.save(use(case, "recording.npy"), displacement())
    cut(case / "recording.npy", 0.5)
    return "predict", case


@bad(
    PART,
    "a .npy of pickled objects, which would run a program",
    (
        "'recording' in recording.npy holds Python objects, which are never run here; save "
        "it again as a plain array of numbers."
    ),
)
def pickled_npy(case: Path) -> Arguments:
    np.save(use(case, "recording.npy"), np.array([Runs(case)], dtype=object), allow_pickle=True)
    return "predict", case


@bad(
    PART,
    "a .npz with a member of pickled objects",
    (
        "'displacement' in recording.npz holds Python objects, which are never run here; "
        "save it again as a plain array of numbers."
    ),
)
def pickled_npz(case: Path) -> Arguments:
    objects = np.array([Runs(case)], dtype=object)
    np.savez(case / "recording.npz", displacement=objects)
    return "predict", case


@bad(
    PART,
    "an axis of pickled objects",
    (
        "'depth_mm' in recording.npz holds Python objects, which are never run here; save "
        "it again as a plain array of numbers."
    ),
)
def pickled_axis(case: Path) -> Arguments:
    np.savez(
        case / "recording.npz",
        displacement=displacement(),
        depth_mm=np.array([Runs(case)] * SHAPE[0], dtype=object),
        lateral_mm=np.arange(SHAPE[1]) * 0.4,
        time_s=np.arange(4.0),
    )
    return "predict", case


@bad(
    PART,
    "a bare pickle with the ending .npy",
    (
        "recording.npy cannot be read as .npy … ; it may be damaged or incomplete: save or "
        "copy it again."
    ),
)
def bare_pickle(case: Path) -> Arguments:
    import pickle

    use(case, "recording.npy").write_bytes(pickle.dumps(Runs(case)))
    return "predict", case


@bad(
    PART,
    "a .npy whose header is a program",
    (
        "recording.npy cannot be read as .npy … ; it may be damaged or incomplete: save or "
        "copy it again."
    ),
)
def program_in_header(case: Path) -> Arguments:
    text = b"{'descr': __import__('os').mkdir('it-ran'), 'fortran_order': False, 'shape': (3,), }"
    header = text.ljust(117) + b"\n"
    content = b"\x93NUMPY\x01\x00" + len(header).to_bytes(2, "little") + header
    use(case, "recording.npy").write_bytes(content)
    return "predict", case


@bad(
    PART,
    "a .npy that says it has 10¹⁸ numbers",
    (
        "recording.npy cannot be read as .npy … ; it may be damaged or incomplete: save or "
        "copy it again."
    ),
    alone=True,
)
def absurd_npy(case: Path) -> Arguments:
    text = b"{'descr': '<f4', 'fortran_order': False, 'shape': (1000000, 1000, 1000, 1000), }"
    header = text.ljust(117) + b"\n"
    content = b"\x93NUMPY\x01\x00" + len(header).to_bytes(2, "little") + header + bytes(4096)
    use(case, "recording.npy").write_bytes(content)
    return "predict", case


@bad(
    PART,
    "a .npz that says it has 10¹⁸ numbers",
    ("'recording' in absurd.npz says that … unpack to … , as no measurement does; save it again."),
    alone=True,
)
def absurd_npz(case: Path) -> Arguments:
    absurd_npy(case)
    path = use(case, "absurd.npz", array='"recording"')
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.write(case / "recording.npy", "recording.npy")
    return "predict", case


@bad(
    PART,
    "a .npz of 60 MB that unpacks to 60 GB",
    ("'recording' in bomb.npz says that … unpack to … , as no measurement does; save it again."),
    alone=True,
)
def npz_bomb(case: Path) -> Arguments:
    path = use(case, "bomb.npz", array='"recording"')
    text = b"{'descr': '<f4', 'fortran_order': False, 'shape': (4, 16, 15360, 16384), }"
    header = text.ljust(117) + b"\n"
    start = b"\x93NUMPY\x01\x00" + len(header).to_bytes(2, "little") + header
    count = 3840
    packed = packed_zeros(start, count, raw=True)
    _write_zip(path, "recording.npy", packed, len(start) + count * 2**24)
    return "predict", case


def _write_zip(path: Path, name: str, content: bytes, size: int) -> None:
    """A zip of one deflated member, its sizes in the extra field of zip64."""
    packed = len(content)
    extra = struct.pack("<HHQQ", 1, 16, size, packed)
    sizes = struct.pack("<III", 0, 0xFFFFFFFF, 0xFFFFFFFF)
    middle = struct.pack("<HHHHH", 45, 0, 8, 0, 33) + sizes
    local = b"PK\3\4" + middle + struct.pack("<HH", len(name), len(extra)) + name.encode() + extra
    entry = b"PK\1\2" + struct.pack("<H", 45) + middle
    entry += struct.pack("<HHHHHII", len(name), len(extra), 0, 0, 0, 0, 0) + name.encode() + extra
    at = len(local) + packed
    with open(path, "wb") as file:
        file.write(local + content + entry)
        file.write(b"PK\5\6" + struct.pack("<HHHHIIH", 0, 0, 1, 1, len(entry), at, 0))
